"""Whatever is done to a vehicle file, its mistakes are told with their place, and nothing else happens."""

from __future__ import annotations

import random
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from latchtrace.errors import Problem, UserFileError
from latchtrace.model.network import Database
from latchtrace.model.userfile import parse_user_text
from latchtrace.model.vehicle import Vehicle
from latchtrace.vehicle.file import read_vehicle
from support.made_vehicle import HEAD, QUAY, with_roles

TEXT = with_roles(
    """\
latch: {signal: QuayCar.State, values: {0: unlocked, 0x1: locked, 2: {left: unlocked, others: locked}, 3-7: unknown}}
ajar.left: {signal: QuayDoors.Left, values: {0: open, 1: shut}}
request.remote-button:
  signal: QuayKey.Button
  shows: event
  values: {0: none, 1: lock, 2: unlock}
  when: {QuayKey.Kind: [0, 2-3]}
  details: {slot: QuayKey.Slot, closure: {signal: QuayKey.Count, values: {1: left, 2-9: right}}}
request.other:barn: {not-visible: it is in the barn}
request.inside-handle:
  - {signal: QuayPanel.Key, values: {0: none, 1: release}, closure: left, holds: 150 ms}
  - {signal: QuayPanel.Presses, shows: counter, does: release, modulus: 5}
command: {signal: QuayMotor.Drive, values: {0: none, 1: lock, 2: {doors: unlock}}}
action-report:
  signal: QuayReport.Number
  shows: counter
  details:
    action: {signal: QuayReport.Action, values: {1: lock}}
    origin: {signal: QuayReport.Cause, values: {1: remote-button}}
speed: {signal: QuayRoad.Miles, values: {0xFFFF: unknown}}
ignition: {signal: QuayRoad.Ignition, values: {0: off, 1: on}}
reception: not-fitted""",
    HEAD,
    "parameters:\n  relock.delay: {value: 30 s, origin: book}\n  keys.max: 4\n",
)
LINES = TEXT.split("\n")
WORDS = [
    "", "0", "-1", "99999999999999999999", "0xFFFFFFFFFFFFFFFF", "3-1", "0-18446744073709551615", "none", "unknown",
    "lock", "locked", "others", "left", "not-fitted", "not-visible", "signal", "values", "shows", "counter", "event",
    "100 ms", "1e9", "QuayKey.Button", "QuayRoad.Ratio", "QuayKey", ".", "{}", "[]", "[[]]", "{a: {b: c}}", "null", "~",
    "true", "ä ö", "'", "|", "\t", "🚗", "&a", "*a", "!!python/object:os.system", "- x", "? y", ": z", "# c",
]  # fmt: skip


def outcome(text: str) -> Vehicle | tuple[Problem, ...]:
    def load(_: Path) -> Database:
        return QUAY

    try:
        return read_vehicle(parse_user_text(text.encode("utf-8", "surrogatepass"), "car.yaml"), Path("car.yaml"), load)
    except UserFileError as error:
        return error.problems


def check(text: str) -> None:
    found = outcome(text)
    if isinstance(found, Vehicle):
        return
    assert found
    lines = text.count("\n") + text.count("\r") + text.count("\x85") + text.count("\u2028") + text.count("\u2029") + 1
    for problem in found:
        assert problem.file == "car.yaml"
        assert 1 <= problem.line <= lines + 1
        assert problem.column >= 1
        assert problem.what
        assert "\n" not in str(problem)
        assert len(problem.what) < 400


def test_the_whole_file_is_sound_to_begin_with() -> None:
    assert isinstance(outcome(TEXT), Vehicle)


def tokens(line: str) -> list[str]:
    """A line in pieces that a person may get wrong one at a time."""
    pieces, word = [], ""
    for letter in line:
        if letter in " {}[]:,":
            pieces += [word, letter] if word else [letter]
            word = ""
        else:
            word += letter
    return [*pieces, word] if word else pieces


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**9))
def test_a_piece_put_in_the_place_of_another_never_breaks_the_reading(seed: int) -> None:
    chance = random.Random(seed)
    lines = list(LINES)
    for _ in range(chance.randint(1, 3)):
        at = chance.randrange(len(lines))
        pieces = tokens(lines[at])
        if not pieces:
            continue
        place = chance.randrange(len(pieces))
        what = chance.choice(("replace", "drop", "double", "swap", "cut"))
        if what == "replace":
            pieces[place] = chance.choice(WORDS)
        elif what == "drop":
            del pieces[place]
        elif what == "double":
            pieces.insert(place, pieces[place])
        elif what == "swap":
            other = chance.randrange(len(pieces))
            pieces[place], pieces[other] = pieces[other], pieces[place]
        else:
            pieces = pieces[:place]
        lines[at] = "".join(pieces)
    check("\n".join(lines))


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(LINES)), st.integers(0, len(LINES)), st.booleans())
def test_lines_lost_or_written_twice_never_break_the_reading(first: int, second: int, twice: bool) -> None:
    lo, hi = min(first, second), max(first, second)
    middle = LINES[lo:hi] * 2 if twice else []
    check("\n".join([*LINES[:lo], *middle, *LINES[hi:]]))


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(TEXT) - 1), st.text(max_size=4))
def test_letters_put_anywhere_never_break_the_reading(at: int, letters: str) -> None:
    check(TEXT[:at] + letters + TEXT[at:])


FIELDS = [
    "version", "name", "dbc", "channels", "closures", "lock_groups", "functions", "messages", "roles", "parameters",
    "timestamp_uncertainty",
]  # fmt: skip
SHAPES = st.recursive(
    st.sampled_from(WORDS[:36]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(WORDS[:36]), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(FIELDS),
    SHAPES,
)
def test_any_shape_at_any_field_never_breaks_the_reading(field: str, shape: object) -> None:
    import json

    kept = [block for block in TEXT.split("\n") if block]
    blocks: list[list[str]] = []
    for line in kept:
        if line[0] != " ":
            blocks.append([])
        blocks[-1].append(line)
    kept = [line for block in blocks if not block[0].startswith(field + ":") for line in block]
    check("\n".join(kept) + f"\n{field}: {json.dumps(shape, ensure_ascii=False)}\n")


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(["latch.left", "request.keypad", "command", "speed", "action-report", "ignition", "ajar"]), SHAPES
)
def test_any_shape_at_a_role_never_breaks_the_reading(role: str, shape: object) -> None:
    import json

    check(with_roles(f"{role}: {json.dumps(shape, ensure_ascii=False)}"))
