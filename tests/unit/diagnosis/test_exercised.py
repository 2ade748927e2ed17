from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

import latchtrace
from latchtrace.diagnosis.exercised import exercised_table, protocols
from latchtrace.model.results import AnalysisResult, Exercised, Verdict, VerdictKind

ROOT = Path(__file__).resolve().parents[3]
Rows = Mapping[tuple[str, str], Exercised]


RULES = {"request-ignored": "chain", "relock-late": "auto-relock"}


@pytest.fixture(scope="module")
def night() -> AnalysisResult:
    capture = ROOT / "captures_demo" / "parked-night.log.zst"
    return latchtrace.analyse(capture, ROOT / "dbc_demo" / "harbour_estate.yaml").result


def rows(result: AnalysisResult, verdicts: tuple[Verdict, ...] = ()) -> Rows:
    table = exercised_table(result.vehicle, result.episodes, verdicts, RULES)
    return {(one.function, one.stimulus): one for one in table}


def test_the_night_exercised_the_key_the_switch_the_relock_and_the_speed_as_often_as_it_did(
    night: AnalysisResult,
) -> None:
    assert {name: one.times for name, one in rows(night).items()} == {
        ("chain", "lock by remote key"): 3,
        ("chain", "unlock by remote key"): 2,
        ("chain", "lock by interior switch"): 0,
        ("chain", "unlock by interior switch"): 2,
        ("chain", "lock or unlock by the key cylinder"): 0,
        ("auto-relock", "unlock from outside, nothing opened"): 2,
        ("speed-lock", "speed rises through the locking speed, unlocked"): 1,
    }


def test_what_was_not_exercised_has_steps_and_cautions_and_no_verdict(night: AnalysisResult) -> None:
    for one in rows(night, (Verdict("request-ignored", VerdictKind.PASS, 9),)).values():
        if one.times == 0:
            assert one.steps
            assert one.cautions
            assert one.verdict is VerdictKind.INCONCLUSIVE
        else:
            assert one.steps == one.cautions == ()


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ([VerdictKind.PASS], VerdictKind.PASS),
        ([VerdictKind.PASS, VerdictKind.INCONCLUSIVE], VerdictKind.INCONCLUSIVE),
        ([VerdictKind.INCONCLUSIVE, VerdictKind.FAIL, VerdictKind.PASS], VerdictKind.FAIL),
        ([], VerdictKind.INCONCLUSIVE),
    ],
)
def test_a_function_is_as_bad_as_its_worst_exercised_rule(
    kinds: list[VerdictKind], expected: VerdictKind, night: AnalysisResult
) -> None:
    verdicts = tuple(Verdict("request-ignored", kind, 1) for kind in kinds)
    other = Verdict("relock-late", VerdictKind.FAIL, 1)
    idle = Verdict("request-ignored", VerdictKind.FAIL, 0)
    assert rows(night, (*verdicts, other, idle))["chain", "lock by remote key"].verdict is expected


def test_a_function_that_is_not_fitted_has_no_row(night: AnalysisResult) -> None:
    vehicle = replace(night.vehicle, functions={"speed-lock": False})
    table = exercised_table(vehicle, night.episodes, (), RULES)
    assert {one.function for one in table} == {"chain", "auto-relock"}


def test_a_stimulus_whose_role_the_network_does_not_show_has_no_row(night: AnalysisResult) -> None:
    roles = {name: role for name, role in night.vehicle.roles.items() if name != "request.key-cylinder"}
    table = exercised_table(replace(night.vehicle, roles=roles), night.episodes, (), RULES)
    assert "lock or unlock by the key cylinder" not in {one.stimulus for one in table}


def test_every_step_of_every_protocol_is_a_whole_sentence() -> None:
    for protocol in protocols().values():
        texts = [*protocol.get("steps", ()), *protocol["cautions"]]
        texts += [step for stimulus in protocol["stimuli"] for step in stimulus["steps"]]
        assert texts
        assert all(text[0].isupper() and text.endswith(".") for text in texts), texts


@pytest.mark.parametrize(
    ("function", "words"),
    [
        ("auto-relock", ("spare key outside", "window open", "Nobody and no animal stays inside", "network awake")),
        ("speed-lock", ("second person", "never look at it while driving")),
        ("chain", ("fingers",)),
    ],
)
def test_each_function_has_the_cautions_of_its_danger(function: str, words: tuple[str, ...]) -> None:
    text = " ".join(protocols()[function]["cautions"])
    assert all(word in text for word in words)
