"""Scenario files are read strictly, and every mistake has its line and column."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from latchtrace.errors import UserFileError
from latchtrace.model.time import HOUR, MILLISECOND, MINUTE, SECOND
from latchtrace.simulation.fields import instant, moment
from latchtrace.simulation.scenario import load_scenario, scenario_schema
from latchtrace.simulation.steps import PLANTS, STEPS
from support.scenarios import DEMO, DEMO_NAMES, scenario_text


def mistakes(text: str, folder: Path) -> list[tuple[int, int, str]]:
    path = folder / "s.yaml"
    path.write_text(text)
    with pytest.raises(UserFileError) as caught:
        load_scenario(path)
    return [(problem.line, problem.column, problem.what) for problem in caught.value.problems]


GOOD = scenario_text("at: 5 s, remote: unlock")


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "what"),
    [
        ("version: 1", "version: 2", 1, 1, "is 2, and this latchtrace reads version 1"),
        ("car: harbour", "car: barge", 3, 1, "'barge' is not one of harbour, orchard"),
        ("seed: 1", "seed: one", 4, 1, "'one' is not a whole number"),
        ("T03:04:05+00:00", "T03:04:05", 5, 1, "has no offset"),
        ("2024-01-02T", "2024-01-32T", 5, 1, "is not a date and time"),
        ("duration: 10 min", "duration: ten minutes", 6, 1, "is not a duration"),
        ("at: 5 s,", "at: 5,", 8, 6, "is not a duration"),
        ("at: 5 s,", "", 8, 5, "needs either at or after"),
        ("at: 5 s,", "at: 5 s, after: 3 s,", 8, 5, "needs either at or after"),
        ("at: 5 s,", "at: 11 min,", 8, 5, "lies after the end"),
        ("remote: unlock", "remote: open", 8, 15, "'open' is not one of lock, unlock"),
        ("remote: unlock", "wait: yes", 8, 5, "names nothing to do"),
        ("remote: unlock", "remote: unlock, switch: lock", 8, 5, "does 2 things at once"),
        ("remote: unlock", "remote: unlock, key: 99", 8, 31, "'99' is not a whole number from 1 to 15"),
        ("remote: unlock", "remote: [unlock]", 8, 15, "must be one value"),
        ("remote: unlock", "plant: goblin", 8, 15, "is nothing that can be planted"),
        ("remote: unlock", "plant: relock-delay", 8, 5, "lacks the field delay"),
        ("remote: unlock", "plant: self-unlock, closure: tailgate", 8, 35, "is not a field known here"),
        ("{at: 5 s, remote: unlock}", "unlock", 8, 5, "is not a step"),
        ("  - {at: 5 s, remote: unlock}", "  at: 5 s", 7, 1, "is missing or is not a list"),
        ("timeline:", "wire: {lose: 1}\ntimeline:", 7, 8, "is not a share"),
        ("timeline:", "wire: {gaps: [{at: 5 s}]}\ntimeline:", 7, 15, "lacks the field lasts"),
        ("timeline:", "begin: {speed: 20 km/h}\ntimeline:\n  - {at: 5 s, ignition: off}", 0, 0, ""),
    ],
)
def test_a_mistake_is_told_with_its_line_and_column(
    old: str, new: str, line: int, column: int, what: str, tmp_path: Path
) -> None:
    if not line:
        (tmp_path / "s.yaml").write_text(GOOD.replace(old, new, 1))
        assert load_scenario(tmp_path / "s.yaml").speed == 20
        return
    (found,) = mistakes(GOOD.replace(old, new, 1), tmp_path)
    assert found[:2] == (line, column)
    assert what in found[2]


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = GOOD.replace("car: harbour", "car: barge").replace("unlock}", "open}").replace("seed: 1", "seed: x")
    assert [found[0] for found in mistakes(text, tmp_path)] == [3, 4, 8]


def test_a_misspelt_field_is_told_and_so_is_the_one_it_stands_for(tmp_path: Path) -> None:
    told = mistakes(GOOD.replace("duration:", "durations:"), tmp_path)
    assert [what.partition(" (")[0] for _, _, what in told] == ["lacks the field duration", "is not a field known here"]
    assert told[1][:2] == (6, 1)


def test_steps_must_be_in_order_of_time(tmp_path: Path) -> None:
    (found,) = mistakes(scenario_text("at: 9 s, remote: unlock", "at: 5 s, remote: lock"), tmp_path)
    assert found[0] == 9
    assert "before the step above" in found[2]


def test_after_counts_from_the_step_before(tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(scenario_text("at: 9 s, remote: unlock", "after: 500 ms, remote: lock"))
    assert [step.at for step in load_scenario(tmp_path / "s.yaml").steps] == [9 * SECOND, 9500 * MILLISECOND]


def test_times_are_read_as_durations_or_clock_readings() -> None:
    assert moment("90 min") == moment("+01:30:00") == moment("1:30:00") == 90 * MINUTE
    assert moment("+00:00:01.25") == 1250 * MILLISECOND
    assert moment("+30:00:00") == 30 * HOUR
    assert instant("1970-01-01T01:00:00.5+01:00") == 500 * MILLISECOND


@pytest.mark.parametrize("text", ["+1:60:00", "1:2:3", "-5 s", "5", ""])
def test_other_times_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a duration"):
        moment(text)


@settings(max_examples=150, deadline=None)
@given(st.recursive(st.text("ab:{}[]-,# &*!\n", max_size=12), lambda inner: st.lists(inner, max_size=4), max_leaves=12))
def test_no_text_whatever_leads_to_anything_but_placed_mistakes(tmp_path_factory: Any, parts: Any) -> None:
    path = tmp_path_factory.mktemp("s") / "s.yaml"
    path.write_text(GOOD.replace("unlock", str(parts) if isinstance(parts, list) else parts), newline="")
    try:
        load_scenario(path)
    except UserFileError as error:
        assert all(problem.line >= 1 and problem.column >= 1 for problem in error.problems)


@given(
    st.dictionaries(
        st.sampled_from([*STEPS, "plant", "at", "after", "key", "closure", "from"]),
        st.sampled_from([*PLANTS, "5 s", "lock", "on", "[]", "{}"]),
    )
)
@settings(max_examples=150, deadline=None)
def test_no_step_whatever_leads_to_anything_but_placed_mistakes(tmp_path_factory: Any, step: dict[str, str]) -> None:
    path = tmp_path_factory.mktemp("s") / "s.yaml"
    path.write_text(scenario_text(", ".join(f"{name}: {value}" for name, value in step.items())))
    try:
        load_scenario(path)
    except UserFileError as error:
        assert all(problem.line >= 1 for problem in error.problems)


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_the_published_schema_accepts_the_demo_scenarios(name: str) -> None:
    Draft202012Validator.check_schema(scenario_schema())
    text = (DEMO / f"{name}.scenario.yaml").read_text()
    Draft202012Validator(scenario_schema()).validate(yaml.load(text, yaml.BaseLoader))


def test_the_published_schema_is_the_one_the_reader_goes_by() -> None:
    text = (files("latchtrace") / "data" / "schemas" / "scenario.schema.json").read_text("utf-8")
    assert json.loads(text) == scenario_schema()


def test_the_published_schema_refuses_what_the_reader_refuses() -> None:
    for wrong in ["at: 5 s, remote: open", "at: 5 s, plant: goblin", "at: 5, remote: lock", "at: 5 s"]:
        data = yaml.load(scenario_text(wrong), yaml.BaseLoader)
        assert not Draft202012Validator(scenario_schema()).is_valid(data)


def test_a_file_that_is_not_there_is_a_mistake_of_its_own(tmp_path: Path) -> None:
    with pytest.raises(UserFileError, match="cannot be read"):
        load_scenario(tmp_path / "none.yaml")
