"""Patterns that watch a state, in scopes: what a gap, an end or an uncertain opening leaves open."""

from __future__ import annotations

import pytest

from latchtrace.model.events import Reason
from latchtrace.rules.judgement import Judgement
from support.worlds import States, judged, milliseconds, world

OPEN = "state: [{closure: any, ajar: open}]\n"
AFTER_ON = "scope: {after: [{state: ignition, is: on}]}\n"
WHILE_ON = "scope: {after: [{state: ignition, is: on}], until: [{state: ignition, is: off}]}\n"
BEFORE_ON = "scope: {before: [{state: ignition, is: on}]}\n"
ON_AT_TEN: States = {"ignition": [(0.0, "off"), (10.0, "on")]}


def rulings(found: list[Judgement]) -> list[str]:
    return [one.ruling.value for one in found]


def states(ignition: States, *ajar: tuple[float, str]) -> States:
    return {**ignition, "ajar.front-left": list(ajar)}


def test_a_gap_later_in_the_scope_leaves_a_state_undecided_even_where_the_scope_is_open_from_the_start() -> None:
    ignition: States = {"ignition": [(0.0, "on")]}
    given = states(ignition, (0.0, "open"), (30.0, "unknown"), (31.0, "open"))
    where = world(states=given, blind={"ajar.front-left": [(30.0, 31.0)]})
    assert rulings(judged(f"pattern: universality\n{OPEN}{AFTER_ON}", where)) == ["undecided"]
    assert rulings(judged(f"pattern: bounded-recurrence\n{OPEN}{AFTER_ON}every: 100 ms\n", where)) == ["undecided"]


def test_a_state_first_seen_a_moment_after_the_recording_began_leaves_nothing_open() -> None:
    given = states({"ignition": [(0.1, "on")]}, (0.1, "open"))
    assert rulings(judged(f"pattern: universality\n{OPEN}{AFTER_ON}", world(states=given))) == ["pass"]
    given = states({"ignition": [(0.1, "off"), (50.0, "on")]}, (0.2, "open"))
    assert rulings(judged(f"pattern: universality\n{OPEN}{BEFORE_ON}", world(states=given))) == ["pass"]


@pytest.mark.parametrize(
    ("ajar", "expected"),
    [
        ([(0.0, "shut"), (20.0, "open")], "pass"),
        ([(0.0, "shut")], "undecided"),
        ([(0.0, "open"), (5.0, "shut")], "undecided"),
    ],
)
def test_a_scope_without_end_is_judged_from_where_it_was_seen_to_open(
    ajar: list[tuple[float, str]], expected: str
) -> None:
    found = judged(f"pattern: existence\n{OPEN}{AFTER_ON}", world(states=states(ON_AT_TEN, *ajar)))
    assert rulings(found) == [expected]


def test_a_state_that_came_only_when_the_scope_may_have_closed_is_undecided() -> None:
    ignition: States = {"ignition": [(0.0, "off"), (milliseconds(9_000, 11_000), "on")]}
    rule = f"pattern: existence\n{OPEN}{BEFORE_ON}"
    for opened, expected in ((8.5, "pass"), (10.0, "undecided"), (11.0, "fail")):
        where = world(states=states(ignition, (0.0, "shut"), (opened, "open")))
        assert rulings(judged(rule, where)) == [expected]


def test_a_scope_that_may_have_opened_at_all_is_undecided() -> None:
    given: States = {
        "ignition": [(0.0, "off"), (milliseconds(10_000, 12_000), "on"), (20.0, "off")],
        "speed-lock-enabled": [(0.0, "on"), (11.0, "off")],
        "ajar.front-left": [(0.0, "shut")],
    }
    both = "{all: [{state: ignition, is: on}, {state: speed-lock-enabled, is: on}]}"
    rule = f"pattern: existence\n{OPEN}scope: {{after: [{both}], until: [{{not: [{both}]}}]}}\n"
    (found,) = judged(rule, world(states=given))
    assert (found.ruling.value, found.doubts) == ("undecided", ((Reason.STRADDLES, ""),))


def test_stays_before_a_scope_closes_are_judged() -> None:
    given = states(ON_AT_TEN, (0.0, "shut"), (3.0, "open"), (4.0, "shut"), (20.0, "open"), (20.5, "shut"))
    rule = f"pattern: minimum-duration\n{OPEN}{BEFORE_ON}at-least: 2 s\n"
    assert rulings(judged(rule, world(states=given))) == ["fail"]


def test_stays_after_a_scope_opened_are_judged_and_none_before() -> None:
    given = states(ON_AT_TEN, (0.0, "shut"), (3.0, "open"), (4.0, "shut"), (20.0, "open"), (20.5, "shut"))
    rule = f"pattern: minimum-duration\n{OPEN}{AFTER_ON}at-least: 2 s\n"
    (found,) = judged(rule, world(states=given))
    assert (found.ruling.value, found.item.at.lo) == ("fail", 20_000_000_000)


def test_a_scope_opened_and_closed_again_is_judged_each_time() -> None:
    ignition: States = {"ignition": [(0.0, "off"), (10.0, "on"), (20.0, "off"), (30.0, "on"), (40.0, "off")]}
    where = world(states=states(ignition, (0.0, "shut"), (15.0, "open"), (16.0, "shut")))
    assert rulings(judged(f"pattern: existence\n{OPEN}{WHILE_ON}", where)) == ["pass", "fail"]
