from __future__ import annotations

import json
from datetime import UTC
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from latchtrace.diagnosis.marks import MOST_LIKELY, load_marks, mark_notices
from latchtrace.errors import UserFileError
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.results import Episode, Finding, Outcome, Severity
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.userfile import parse_user_text

ZERO = 1_700_000_000 * SECOND
SCHEMA = json.loads(files("latchtrace").joinpath("data", "schemas", "marks.schema.json").read_text("utf-8"))


def written(folder: Path, text: str) -> str:
    file = folder / "marks.yaml"
    file.write_text(text, encoding="utf-8")
    return str(file)


def mistakes(folder: Path, text: str) -> list[tuple[int, int, str]]:
    with pytest.raises(UserFileError) as caught:
        load_marks(written(folder, text), UTC)
    return [(problem.line, problem.column, problem.field) for problem in caught.value.problems]


def kept(text: str) -> bool:
    """Whether the schema accepts the file as it is read."""
    return bool(Draft202012Validator(SCHEMA).is_valid(parse_user_text(text.encode(), "marks.yaml").data))


GOOD = """\
version: 1
marks:
  - {at: +60, action: unlock}
  - {at: "2023-11-14T22:13:30+00:00", uncertainty: 500 ms, action: opened the door, note: "no lamp: odd"}
  - at: +00:00:05.25
    action: 5
  - {at: 22:15, action: heard it lock}
"""


def test_marks_are_placed_in_the_time_of_the_capture_in_order_with_their_uncertainty(tmp_path: Path) -> None:
    events = load_marks(written(tmp_path, GOOD), UTC).place(ZERO, 0)
    assert [(event.subject, (event.at.lo - ZERO) / SECOND, (event.at.hi - ZERO) / SECOND) for event in events] == [
        ("5", 3.25, 7.25),
        ("opened the door", 9.5, 10.5),
        ("unlock", 58, 62),
        ("heard it lock", 98, 102),
    ]
    assert events[1].value == "no lamp: odd"
    assert {event.kind for event in events} == {EventKind.MARK}


def test_a_wrong_clock_of_the_recorder_moves_clock_times_and_not_those_from_the_start(tmp_path: Path) -> None:
    marks = load_marks(written(tmp_path, GOOD), UTC)
    plain, moved = marks.place(ZERO, 0), marks.place(ZERO, 3 * SECOND)
    shift = {event.subject: event.at.lo for event in plain}
    assert {event.subject: (event.at.lo - shift[event.subject]) // SECOND for event in moved} == {
        "5": 0,
        "unlock": 0,
        "opened the door": -3,
        "heard it lock": -3,
    }


def test_a_clock_time_without_a_zone_is_a_mistake_that_says_so(tmp_path: Path) -> None:
    with pytest.raises(UserFileError, match="no time zone is stated"):
        load_marks(written(tmp_path, GOOD), None)


def test_every_mistake_of_a_file_is_told_at_once_with_its_place(tmp_path: Path) -> None:
    text = """\
version: one
colour: red
marks:
  - {at: noon, action: unlock, uncertainty: a while}
  - {at: +1}
  - unlock
  - {at: +2, action: unlock, who: me}
  - {at: +3, action: [unlock], uncertainty: [1 s]}
  - {at: +4, action: ""}
"""
    assert mistakes(tmp_path, text) == [
        (1, 1, "version"),
        (2, 1, "colour"),
        (4, 6, "marks[0].at"),
        (4, 32, "marks[0].uncertainty"),
        (5, 5, "marks[1]"),
        (6, 5, "marks[2]"),
        (7, 30, "marks[3].who"),
        (8, 14, "marks[4].action"),
        (8, 32, "marks[4].uncertainty"),
        (9, 14, "marks[5].action"),
    ]


@pytest.mark.parametrize("text", ["[]", "version: 1", "version: 1\nmarks: []", "version: 1\nmarks: soon"])
def test_a_file_without_a_mark_is_a_mistake(text: str, tmp_path: Path) -> None:
    assert "marks" in [field for _, _, field in mistakes(tmp_path, text)]
    assert not kept(text)


def test_the_published_schema_is_a_schema_and_describes_every_field() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    fields: dict[str, Any] = SCHEMA["properties"]["marks"]["items"]["properties"]
    assert all(field["description"] for field in fields.values())


FIELDS = {
    "at": ["+60", "+00:01:00", "-2.5", "22:13", "22:13:20.5", '"2023-11-14T22:13:30Z"', "noon", "60", "+1:2", "25:00"],
    "uncertainty": ["2 s", "500ms", "1.5 min", "2", "-1 s", "1 week", "[1 s]"],
    "action": ["unlock", '""', "5", "yes", "[unlock]", "{a: b}"],
    "note": ["odd", '""', "[a]"],
    "who": ["me"],
}


@given(st.fixed_dictionaries({}, optional={name: st.sampled_from(values) for name, values in FIELDS.items()}))
def test_the_schema_accepts_what_the_reader_reads_and_nothing_else(mark: dict[str, str]) -> None:
    text = "version: 1\nmarks:\n  - {" + ", ".join(f"{name}: {value}" for name, value in mark.items()) + "}\n"
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as folder:
        try:
            load_marks(written(Path(folder), text), UTC)
            read = True
        except UserFileError:
            read = False
    assert read == kept(text), text


def mark(second: float, action: str = "unlock") -> LockEvent:
    at = Interval.at(ZERO + int(second * SECOND)).widen(MOST_LIKELY)
    return LockEvent(EventKind.MARK, action, "", at)


EPISODE = Episode("E1", "unlock", "remote-button", Interval(ZERO + 10 * SECOND, ZERO + 10 * SECOND), ZERO, Outcome.DONE)
FINDING = Finding("F1", "relock-early", Severity.FAULT, Interval.at(ZERO + 30 * SECOND), "Too early.")


@pytest.mark.parametrize(
    ("second", "says"),
    [
        (30, "F1, Too early."),
        (10, "E1, unlock by remote-button"),
        (7.9, "no action of the locks"),
        (12.1, "no action of the locks"),
        (8, "E1, unlock"),
        (12, "E1, unlock"),
    ],
)
def test_a_mark_is_told_with_what_the_network_shows_within_its_uncertainty(second: float, says: str) -> None:
    (notice,) = mark_notices([mark(second)], [FINDING], [EPISODE], ZERO)
    assert notice.kind == "mark"
    assert notice.message.startswith("your mark 'unlock' at ")
    assert says in notice.message
