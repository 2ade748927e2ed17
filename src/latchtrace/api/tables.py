"""An analysis as pandas DataFrames, and as what a notebook shows."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

import pandas as pd

from latchtrace.model.events import LockEvent, Timeline
from latchtrace.model.results import AnalysisResult, Evidence, Seen


def _table(rows: list[tuple[object, ...]], columns: list[str], kinds: Mapping[str, str]) -> pd.DataFrame:
    """A table whose columns have the same type with rows and without; those not named are text."""
    return pd.DataFrame(rows, columns=columns).astype({name: kinds.get(name, "str") for name in columns})


def episodes(result: AnalysisResult) -> pd.DataFrame:
    """One row an episode."""
    columns = ["id", "action", "origin", "cannot_rule_out", "key_slot", "start_ns", "end_ns", "outcome", "closures"]
    rows: list[tuple[object, ...]] = [
        (
            one.id,
            one.action,
            one.origin,
            ", ".join(one.cannot_rule_out),
            one.key_slot,
            one.at.lo,
            one.end,
            str(one.outcome),
            ", ".join(one.group),
        )
        for one in result.episodes
    ]
    return _table(rows, columns, {"key_slot": "Int64", "start_ns": "int64", "end_ns": "int64"})


def findings(result: AnalysisResult) -> pd.DataFrame:
    """One row a finding; measured values in nanoseconds."""
    columns = [
        "id",
        "rule",
        "severity",
        "by_design",
        "start_ns",
        "end_ns",
        "closures",
        "episode",
        "message",
        "measured_lo",
        "measured_hi",
        "limit",
        "explained_by",
        "cannot_rule_out",
    ]
    rows: list[tuple[object, ...]] = [
        (
            one.id,
            one.rule,
            str(one.severity),
            one.by_design,
            one.at.lo,
            one.at.hi,
            ", ".join(one.closures),
            one.episode,
            one.message,
            one.measured.lo if one.measured else None,
            one.measured.hi if one.measured else None,
            one.limit,
            one.explained_by,
            ", ".join(one.cannot_rule_out),
        )
        for one in result.findings
    ]
    numbers = {"by_design": "bool", "start_ns": "int64", "end_ns": "int64", "measured_lo": "Float64"}
    return _table(rows, columns, {**numbers, "measured_hi": "Float64"})


def verdicts(result: AnalysisResult) -> pd.DataFrame:
    """One row a rule."""
    columns = ["rule", "verdict", "exercised", "failed", "inconclusive", "reason"]
    rows: list[tuple[object, ...]] = [
        (one.rule, str(one.verdict), one.exercised, one.failed, one.inconclusive, str(one.reason or ""))
        for one in result.verdicts
    ]
    return _table(rows, columns, {"exercised": "int64", "failed": "int64", "inconclusive": "int64"})


def events(result: AnalysisResult) -> pd.DataFrame:
    """One row a lock event; file and line where evidence was resolved for it."""
    columns = ["segment", "kind", "subject", "value", "lo_ns", "hi_ns", "end_ns", "change", "signal", "file", "line"]
    places = {ref.row: proof for ref, proof in result.evidence.items() if isinstance(ref, Seen)}
    rows = [_event(one, event, places.get(event.row)) for one in result.timelines for event in one.events]
    numbers = {"segment": "int64", "lo_ns": "int64", "hi_ns": "int64", "end_ns": "Int64", "line": "Int64"}
    return _table(rows, columns, {**numbers, "change": "bool"})


def _event(timeline: Timeline, event: LockEvent, proof: Evidence | None) -> tuple[object, ...]:
    return (
        timeline.segment,
        str(event.kind),
        event.subject,
        event.value,
        event.at.lo,
        event.at.hi,
        event.end.hi if event.end else None,
        event.change,
        event.signal,
        proof.file if proof else "",
        proof.line if proof else None,
    )


def notebook(result: AnalysisResult) -> str:
    """A heading, the findings and the episodes as HTML tables, everything escaped and nothing cut short."""
    heading = f"<h3>{escape(result.vehicle.name)}: {len(result.findings)} findings</h3>"
    with pd.option_context("display.max_colwidth", None):
        found = findings(result)[["id", "severity", "rule", "message"]].to_html(index=False, escape=True)
        chains = episodes(result)[["id", "action", "origin", "outcome", "closures"]].to_html(index=False, escape=True)
    return f"{heading}{found}<h4>Episodes</h4>{chains}"
