from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import latchtrace
from latchtrace import api
from latchtrace.errors import CaptureError, LatchtraceError, UsageError, UserFileError

ROOT = Path(__file__).resolve().parents[3]
DEMO = ROOT / "captures_demo"
HARBOUR = ROOT / "dbc_demo" / "harbour_estate.yaml"
ORCHARD = ROOT / "dbc_demo" / "orchard_hatch.yaml"
TEST = DEMO / "relock-test.log.zst"


@pytest.mark.parametrize(("name", "vehicle"), [("relock-test", HARBOUR), ("second-network-day", ORCHARD)])
def test_the_same_capture_gives_the_same_bytes_twice_and_they_keep_the_schema(name: str, vehicle: Path) -> None:
    capture = DEMO / f"{name}.log.zst"
    first, second = (latchtrace.analyse(capture, vehicle).to_json() for _ in range(2))
    assert first == second
    schema = json.loads(files("latchtrace").joinpath("data", "schemas", "analysis.schema.json").read_text("utf-8"))
    Draft202012Validator(schema).validate(json.loads(first))
    assert str(ROOT) not in first


def test_key_codes_are_in_the_document_only_where_asked_for() -> None:
    analysis = latchtrace.analyse(TEST, HARBOUR)
    codes = {event.detail("code") for one in analysis.result.timelines for event in one.events} - {None}
    assert codes
    assert analysis.to_json() != analysis.to_json(show_codes=True)


def test_captures_are_a_path_or_text_or_a_list_of_them() -> None:
    alone, listed = latchtrace.analyse(str(TEST), str(HARBOUR)), latchtrace.analyse([TEST], HARBOUR)
    assert alone.to_json() == listed.to_json()


def test_start_and_end_narrow_what_is_looked_at() -> None:
    part = latchtrace.analyse(TEST, HARBOUR, start="+60", end="+00:02:00")
    span = part.result.timelines[0].span
    assert 0 < span.hi - span.lo <= 60_000_000_000
    assert len(part.episodes) < len(latchtrace.analyse(TEST, HARBOUR).episodes)


def test_verify_measures_ten_trials_of_which_two_were_cancelled() -> None:
    test = latchtrace.verify("auto-relock", TEST, HARBOUR)
    assert (len(test.trials), test.passes, test.cancelled, test.fails, test.inconclusives) == (10, 8, 2, 0, 0)
    assert test.measured is not None
    assert 29e9 < test.measured.lo < test.measured.hi < 31e9


def test_progress_is_told_in_bytes_up_to_all_of_them() -> None:
    told: list[tuple[int, int]] = []
    latchtrace.analyse(TEST, HARBOUR, progress=lambda done, total: told.append((done, total)))
    assert told
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert all(done <= total for done, total in told)


@pytest.mark.parametrize(
    ("arguments", "keywords", "error", "words"),
    [
        (([], HARBOUR), {}, UsageError, "no capture is named"),
        (("nowhere.log", HARBOUR), {}, CaptureError, "nowhere.log"),
        ((TEST, "nowhere.yaml"), {}, UserFileError, "nowhere.yaml:1:1"),
        ((TEST, HARBOUR), {"timezone": "Nowhere/Town"}, UsageError, "not a known time zone"),
        ((TEST, HARBOUR), {"start": "noon"}, UsageError, "'noon' is not a time"),
        ((TEST, HARBOUR), {"start": "+60", "end": "+50"}, UsageError, "is not before"),
        ((TEST, HARBOUR), {"marks": "nowhere.yaml"}, UserFileError, "nowhere.yaml"),
        ((TEST, HARBOUR), {"rules": "nowhere"}, UsageError, "is not a folder"),
    ],
)
def test_misuse_is_one_line_that_says_what_where_and_how_to_mend_it(
    arguments: tuple[object, ...], keywords: dict[str, str], error: type[LatchtraceError], words: str
) -> None:
    with pytest.raises(error, match=words) as caught:
        latchtrace.analyse(*arguments, **keywords)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_a_function_that_cannot_be_tested_is_refused_with_those_that_can() -> None:
    with pytest.raises(UsageError, match="use one of auto-relock"):
        api.verify("child-lock", TEST, HARBOUR)
    with pytest.raises(UsageError, match="use one of auto-relock"):
        api.protocol("child-lock", HARBOUR)


def test_a_protocol_needs_no_capture_and_has_steps_cautions_and_the_limit() -> None:
    steps = api.protocol("auto-relock", HARBOUR)
    assert steps.trials == ()
    assert "spare key" in " ".join(steps.cautions)
    assert steps.limit.startswith("30 s ± 1 s (Harbour estate locking description")
    assert len(steps.steps) >= 4


def test_a_vehicle_check_gives_mistakes_as_values_and_roles_with_a_capture(tmp_path: Path) -> None:
    wrong = tmp_path / "car.yaml"
    wrong.write_text("version: 1\nnmae: x\n")
    assert any("nmae" in str(problem) for problem in api.vehicle_check(wrong).problems)
    check = api.vehicle_check(HARBOUR, TEST)
    assert check.problems == ()
    assert {role.role for role in check.roles} >= {"command", "latch.front-left", "speed"}


def test_a_new_vehicle_file_from_a_demo_network_has_no_mistake(tmp_path: Path) -> None:
    made = tmp_path / "car.yaml"
    made.write_text(api.vehicle_new([ROOT / "dbc_demo" / "orchard_comfort.dbc"]))
    assert api.vehicle_check(made).problems == ()


def test_an_unknown_name_of_the_package_is_refused() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'analyze'"):
        latchtrace.analyze  # noqa: B018
