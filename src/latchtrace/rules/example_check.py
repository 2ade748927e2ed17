"""Judges the world of an example by its rule, and says in words what differs from what must come out."""

from __future__ import annotations

from collections.abc import Sequence

from latchtrace.model.events import Reason
from latchtrace.model.results import Finding, VerdictKind
from latchtrace.rules.engine import Judged, run_rules
from latchtrace.rules.examples import Example, ExampleResult
from latchtrace.rules.judgement import Ruling
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def compare(rule: Rule, example: Example, world: World) -> tuple[ExampleResult, ...]:
    """One result for each rule id the example speaks of."""
    judged = run_rules([rule], [world])
    return tuple(_result(rule, example, judged, rule_id) for rule_id in example.expect)


def outcome(judged: Judged, rule_id: str) -> str:
    """What a rule said of a world: `fail`, `pass`, `inconclusive gap`, `not-exercised`, `not-applicable`, `crashed`."""
    if any(notice.kind == "rule-failed" for notice in judged.notices):
        return "crashed"
    if any(one.rule_id == rule_id and one.ruling == Ruling.FAIL for _, _, one in judged.judgements):
        return "fail"
    verdict = next(one for one in judged.verdicts if one.rule == rule_id)
    if verdict.reason == Reason.NOT_EXERCISED and not verdict.exercised:
        return "not-exercised"
    if verdict.verdict == VerdictKind.INCONCLUSIVE:
        return f"inconclusive {verdict.reason or ''}".strip()
    return str(verdict.verdict)


def _result(rule: Rule, example: Example, judged: Judged, rule_id: str) -> ExampleResult:
    expected, got = example.expect[rule_id], outcome(judged, rule_id)
    found = [one for one in judged.findings if one.rule == rule_id]
    differences = []
    if expected != got and (expected, got.partition(" ")[0]) != ("inconclusive", "inconclusive"):
        told = _told(judged, rule_id, found, got)
        differences.append(f"expected {expected}, got {got}{told}")
    named = {closure for one in found for closure in one.closures}
    if expected == "fail" and example.closures is not None and named != set(example.closures):
        differences.append(f"expected closures {_listed(example.closures)}, got {_listed(sorted(named))}")
    return ExampleResult(rule_id, rule.file, example.line, example.shows, expected, got, tuple(differences))


def _told(judged: Judged, rule_id: str, found: Sequence[Finding], got: str) -> str:
    """More about what came out, for the one who has to find the difference."""
    if got == "crashed":
        return f": {judged.notices[0].message}"
    if got == "fail":
        return "".join(f"; {one.message}" for one in found)
    detail = next(one.detail for one in judged.verdicts if one.rule == rule_id)
    return f" ({detail})" if detail else ""


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) or "none"
