from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import latchtrace
from latchtrace.api import Analysis
from latchtrace.model.results import AnalysisResult
from support.night import hostile_result

ROOT = Path(__file__).resolve().parents[3]
HARBOUR = ROOT / "dbc_demo" / "harbour_estate.yaml"

DTYPES = {
    "episodes": {
        "id": "str",
        "action": "str",
        "origin": "str",
        "cannot_rule_out": "str",
        "key_slot": "Int64",
        "start_ns": "int64",
        "end_ns": "int64",
        "outcome": "str",
        "closures": "str",
    },
    "findings": {
        "id": "str",
        "rule": "str",
        "severity": "str",
        "by_design": "bool",
        "start_ns": "int64",
        "end_ns": "int64",
        "closures": "str",
        "episode": "str",
        "message": "str",
        "measured_lo": "Float64",
        "measured_hi": "Float64",
        "limit": "str",
        "explained_by": "str",
        "cannot_rule_out": "str",
    },
    "verdicts": {
        "rule": "str",
        "verdict": "str",
        "exercised": "int64",
        "failed": "int64",
        "inconclusive": "int64",
        "reason": "str",
    },
    "events": {
        "segment": "int64",
        "kind": "str",
        "subject": "str",
        "value": "str",
        "lo_ns": "int64",
        "hi_ns": "int64",
        "end_ns": "Int64",
        "change": "bool",
        "signal": "str",
        "file": "str",
        "line": "Int64",
    },
}


@pytest.fixture(scope="module")
def night() -> Analysis:
    return latchtrace.analyse(ROOT / "captures_demo" / "parked-night.log.zst", HARBOUR)


def types(table: pd.DataFrame) -> dict[str, str]:
    return {str(name): str(kind) for name, kind in table.dtypes.items()}


def bare(result: AnalysisResult) -> Analysis:
    return Analysis(replace(result, timelines=(), episodes=(), findings=(), verdicts=()))


@pytest.mark.parametrize("name", sorted(DTYPES))
def test_a_table_has_its_columns_and_types_with_rows_and_without(name: str, night: Analysis) -> None:
    assert types(getattr(night, name)) == DTYPES[name]
    empty = getattr(bare(night.result), name)
    assert types(empty) == DTYPES[name]
    assert len(empty) == 0


def test_the_findings_of_the_night_are_two_self_unlocks_each_with_its_relock(night: Analysis) -> None:
    findings = night.findings
    assert list(findings["rule"]) == ["command-without-request", "relock-without-door-opening"] * 2
    assert list(findings["severity"]) == ["fault", "warning"] * 2
    assert list(findings["explained_by"]) == ["", "F1", "", "F3"]
    assert (findings["start_ns"] < findings["end_ns"]).all()
    relocks = findings[findings["rule"] == "relock-without-door-opening"]
    assert ((relocks["measured_lo"] > 29.9e9) & (relocks["measured_hi"] < 30.1e9)).all()
    assert findings["measured_lo"].isna().sum() == 2
    assert (findings["closures"] == "front-left, front-right, rear-left, rear-right, tailgate").all()


def test_the_episodes_of_the_night_have_action_origin_and_key(night: Analysis) -> None:
    episodes = night.episodes.set_index("id")
    assert len(episodes) == 12
    assert list(episodes.loc[["E5", "E6"], "origin"]) == ["none", "relock-timer"]
    assert episodes.loc["E2", "key_slot"] == 1
    assert episodes["key_slot"].isna()["E5"]
    assert (episodes["outcome"] == "done").all()


def test_the_verdicts_have_one_row_for_each_rule(night: Analysis) -> None:
    verdicts = night.verdicts.set_index("rule")
    assert verdicts.index.is_unique
    assert len(verdicts) == len(latchtrace.api.rules_catalogue())
    assert verdicts.loc["command-without-request", "failed"] == 2
    assert verdicts.loc["relock-missing", "reason"] == "not-exercised"


def test_the_events_are_in_time_order_and_those_that_prove_a_finding_name_file_and_line(night: Analysis) -> None:
    events = night.events
    assert events["hi_ns"].is_monotonic_increasing
    assert (events["lo_ns"] <= events["hi_ns"]).all()
    proof = {(one.t, one.line) for one in night.result.findings[0].proof if not one.absence}
    placed = events.dropna(subset=["line"])
    assert proof <= set(zip(placed["hi_ns"], placed["line"], strict=True))
    assert set(placed["file"]) == {"parked-night.log.zst"}


def test_a_notebook_shows_whole_messages_and_lets_no_text_of_the_user_act() -> None:
    hostile = Analysis(hostile_result())
    shown = hostile._repr_html_()
    tags = {tag.lower() for tag in re.findall(r"</?([a-zA-Z!][a-zA-Z0-9]*)", shown)}
    assert tags <= {"h3", "h4", "table", "thead", "tbody", "tr", "th", "td"}
    assert "<script" in str(hostile.result.findings) + hostile.result.vehicle.name


def test_a_notebook_cuts_no_message_short(night: Analysis) -> None:
    shown = night._repr_html_()
    assert all(finding.message in shown for finding in night.result.findings)
    assert shown.startswith("<h3>Harbour estate: 4 findings</h3>")
