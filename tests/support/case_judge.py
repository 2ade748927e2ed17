"""Compares an analysis with what a case written by hand expects, and tells every difference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.results import AnalysisResult, Finding
from support.case_files import Case


def differences(case: Case, result: AnalysisResult) -> list[str]:
    """Every difference between a case's expectation and an analysis, in words; empty where there is none."""
    verdicts, findings = _verdicts(case, result), _findings(case, result)
    return [*verdicts, *findings, *_requests(case, result), *_episodes(case, result), *_keys(case, result)]


def _verdicts(case: Case, result: AnalysisResult) -> list[str]:
    said = {one.rule: one for one in result.verdicts}
    found = []
    for rule, expected in case.verdicts.items():
        if rule not in said:
            found.append(f"no verdict of {rule}")
            continue
        verdict = said[rule]
        reason = str(verdict.reason) if verdict.reason else ""
        got = f"{verdict.verdict} {reason}".strip()
        if got not in _alternatives(expected) and str(verdict.verdict) not in _alternatives(expected):
            found.append(f"{rule}: expected {expected}, got {got} (exercised {verdict.exercised}) {verdict.detail}")
    return found


def _alternatives(text: str) -> list[str]:
    return [part.strip() for part in text.split("|")]


def _findings(case: Case, result: AnalysisResult) -> list[str]:
    left = list(result.findings)
    found = []
    for expected in case.findings:
        best = _take(expected, left, result)
        if best is None:
            same = [_told(one, result) for one in result.findings if one.rule == expected["rule"]]
            found.append(f"missing finding {dict(expected)}; of that rule: {same or 'none'}")
    for allowed in case.may:
        _take(allowed, left, result)
    return found + [f"finding too many: {_told(one, result)}" for one in left]


def _take(expected: Mapping[str, Any], left: list[Finding], result: AnalysisResult) -> Finding | None:
    for one in left:
        if not _mismatch(expected, one, result):
            left.remove(one)
            return one
    return None


def _mismatch(expected: Mapping[str, Any], finding: Finding, result: AnalysisResult) -> list[str]:
    by_id = {one.id: one.rule for one in result.findings}
    shown: dict[str, Any] = {
        "rule": finding.rule,
        "severity": str(finding.severity),
        "closures": sorted(finding.closures),
        "conclusive": "yes" if finding.conclusive else "no",
        "cannot_rule_out": sorted(_plain(name) for name in finding.cannot_rule_out),
        "explained_by": by_id.get(finding.explained_by, finding.explained_by),
        "measured": _measured(finding),
        "seen": f"{finding.at.hi / 1e9:.3f}",
        "says": expected.get("says", "") if expected.get("says", "") in finding.message else finding.message,
    }
    return [key for key, value in expected.items() if _sorted(value) != shown[key]]


def _sorted(value: Any) -> Any:
    return sorted(_plain(name) for name in value) if isinstance(value, list) else value


def _plain(name: str) -> str:
    return name.removeprefix("request.")


def _measured(finding: Finding) -> str:
    if finding.measured is None:
        return ""
    lo, hi, unit = finding.measured.lo, finding.measured.hi, finding.measured.unit
    if unit == "ns":
        lo, hi, unit = lo / 1e9, hi / 1e9, "s"
    return f"{lo:.3f} {unit}" if round(lo, 3) == round(hi, 3) else f"{lo:.3f} to {hi:.3f} {unit}"


def _told(finding: Finding, result: AnalysisResult) -> str:
    explained = next((one.rule for one in result.findings if one.id == finding.explained_by), "")
    parts = [
        finding.rule,
        str(finding.severity),
        "" if finding.conclusive else "inconclusive",
        ", ".join(finding.closures),
        f"at {finding.at.lo / 1e9:.3f}–{finding.at.hi / 1e9:.3f} s",
        f"measured {_measured(finding)}" if finding.measured else "",
        f"explained by {explained}" if explained else "",
        f"cannot rule out {', '.join(finding.cannot_rule_out)}" if finding.cannot_rule_out else "",
        f"says '{finding.message}'",
    ]
    return "; ".join(part for part in parts if part)


def _requests(case: Case, result: AnalysisResult) -> list[str]:
    if case.requests is None:
        return []
    count = sum(event.kind == EventKind.REQUEST and event.change for one in result.timelines for event in one.events)
    return [] if count == case.requests else [f"expected {case.requests} requests, got {count}"]


def _episodes(case: Case, result: AnalysisResult) -> list[str]:
    if case.episodes is None:
        return []
    expected = [(one["action"], one["origin"]) for one in case.episodes]
    got = [(one.action, one.origin) for one in result.episodes]
    return [] if got == expected else [f"expected episodes {_pairs(expected)}, got {_pairs(got)}"]


def _keys(case: Case, result: AnalysisResult) -> list[str]:
    if case.keys is None:
        return []
    got = [told for one in result.timelines for event in one.events if (told := _told_of_key(event))]
    return [] if got == [dict(one) for one in case.keys] else [f"expected keys {case.keys}, got {got}"]


def _told_of_key(event: LockEvent) -> dict[str, str]:
    """What an event tells of a key, as a case writes it."""
    if event.kind not in (EventKind.REQUEST, EventKind.VALIDATION):
        return {}
    facts = {name: str(value) for name, value in event.details if name in ("slot", "counter", "code")}
    return {"what": "request" if event.kind == EventKind.REQUEST else event.value, **facts} if facts else {}


def _pairs(episodes: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{action} by {origin}" for action, origin in episodes) or "none"
