"""Sequences, counts and stability in small worlds written down by hand."""

from __future__ import annotations

import pytest

from latchtrace.errors import UserFileError
from latchtrace.model.events import Reason
from latchtrace.model.results import Finding
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.engine import run_rules
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.world import World
from support.worlds import HEAD, item, judged, milliseconds, world

SEQUENCE = """pattern: sequence
observe: {what: request}
steps:
  - {what: action, action: $action, within: 500 ms}
  - {what: movement, state: locked, from: 100 ms, within: 2 s}
"""
COUNT = """pattern: count
observe: {what: request}
count: {what: request, action: $action}
from: -10 s
within: 0
at-most: 2
"""
STABILITY = """pattern: stability
observe: {what: request}
state: [{state: ignition, is: on}]
from: 1 s
within: 5 s
"""


def rulings(found: list[Judgement]) -> list[str]:
    return [one.ruling.value for one in found]


def findings(rule: str, where: World, message: str) -> list[Finding]:
    head = HEAD.replace("It happened.", f"'{message}'")
    return list(run_rules([parse_rule(head + rule, "tried.yaml")], [where]).findings)


def lock(at: Interval | float) -> Item:
    return item("request", at, action="lock")


# sequence


def steps(*times: Interval | float) -> list[Item]:
    """A request at 10 s and the steps that followed it."""
    things = [lock(10.0)]
    if times:
        things.append(item("action", times[0], action="lock"))
    return [*things, *(item("movement", at, state="locked") for at in times[1:])]


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ((10.5, 10.6), "pass"),
        ((10.5, 12.5), "pass"),
        ((10.501, 10.7), "fail"),
        ((10.5, 12.501), "fail"),
        ((10.5, 10.599), "fail"),
        ((10.5, 10.55, 11.0), "pass"),
        ((10.5,), "fail"),
        ((), "fail"),
    ],
)
def test_every_step_keeps_its_closed_limits_after_the_step_before(times: tuple[float, ...], expected: str) -> None:
    assert rulings(judged(SEQUENCE, world(*steps(*times)))) == [expected]


def test_a_later_start_of_a_step_may_save_the_sequence() -> None:
    things = [*steps(10.1, 12.4), item("action", 10.45, action="lock")]
    assert rulings(judged(SEQUENCE, world(*things))) == ["pass"]


def test_a_complete_sequence_measures_its_whole_time() -> None:
    (found,) = judged(SEQUENCE, world(*steps(milliseconds(10_100, 10_200), 11.0)))
    assert found.measured == Interval.at(SECOND)


@pytest.mark.parametrize(("times", "missing"), [((), "action, action $action"), ((10.2,), "movement, state locked")])
def test_a_finding_names_the_first_step_that_was_missing(times: tuple[float, ...], missing: str) -> None:
    (found,) = findings(SEQUENCE, world(*steps(*times)), "No {missing}: {limit}.")
    step, limit = (1, "500 ms") if not times else (2, "2 s")
    assert found.message == f"No {missing}: step {step} ({missing}) within {limit}."


def test_a_step_that_may_have_been_late_leaves_a_sequence_undecided() -> None:
    (found,) = judged(SEQUENCE, world(*steps(milliseconds(10_400, 10_600), 11.0)))
    assert (found.ruling.value, found.doubts) == ("undecided", ((Reason.STRADDLES, ""),))


def test_a_step_a_gap_could_hide_leaves_a_sequence_undecided_only_where_it_would_be_in_time() -> None:
    hidden = world(*steps(10.2), blind={"latch.front-left": [(12.2, 13.0)]})
    (found,) = judged(SEQUENCE, hidden)
    assert (found.ruling.value, found.doubts) == ("undecided", ((Reason.GAP, "latch.front-left"),))
    too_late = world(*steps(10.2), blind={"latch.front-left": [(12.201, 13.0)]})
    assert rulings(judged(SEQUENCE, too_late)) == ["fail"]


def test_hidden_steps_may_follow_one_another() -> None:
    assert rulings(judged(SEQUENCE, world(*steps(), blind={"": [(10.3, 10.7)]}))) == ["undecided"]
    assert rulings(judged(SEQUENCE, world(*steps(), blind={"command": [(10.3, 10.7)]}))) == ["fail"]


def test_the_end_of_the_recording_leaves_a_sequence_undecided() -> None:
    (found,) = judged(SEQUENCE, world(*steps(10.2), end=12.0))
    assert found.doubts == ((Reason.ENDED, "latch.front-left"),)


def test_a_sequence_must_be_complete_before_the_scope_closes() -> None:
    scope = "scope: {before: [{state: ignition, is: on}]}\n"
    for closes, expected in ((12.0, "pass"), (11.0, "fail")):
        where = world(*steps(10.2, 11.0), states={"ignition": [(0.0, "off"), (closes, "on")]})
        assert rulings(judged(SEQUENCE + scope, where)) == [expected]


# count


@pytest.mark.parametrize(
    ("times", "failed"),
    [((10.0, 15.0, 20.0), [20.0]), ((10.0, 15.0, 20.001), []), ((10.0, 20.0, 30.0), []), ((10.0, 11.0), [])],
)
def test_a_count_takes_what_lies_in_its_closed_window_and_the_occasion_itself(
    times: tuple[float, ...], failed: list[float]
) -> None:
    found = judged(COUNT, world(*map(lock, times)))
    assert [one.item.at.lo / SECOND for one in found if one.ruling.value == "fail"] == failed


def test_only_what_is_selected_counts() -> None:
    things = [lock(10.0), item("request", 11.0, action="unlock"), lock(12.0)]
    assert rulings(judged(COUNT, world(*things))) == ["pass"] * 3


def test_a_burst_is_one_finding_told_at_its_first_with_how_many() -> None:
    times = [10.0, 11.0, 12.0, 13.0, 14.0, 60.0, 61.0, 62.0]
    found = findings(COUNT, world(*map(lock, times)), "{count} requests, {limit}.")
    assert [(one.at.lo / SECOND, one.message) for one in found] == [
        (12.0, "5 requests, at most 2."),
        (62.0, "3 requests, at most 2."),
    ]


def test_what_may_lie_in_the_window_leaves_a_count_undecided() -> None:
    things = [lock(milliseconds(9_900, 10_100)), lock(15.0), lock(20.0)]
    found = judged(COUNT, world(*things))
    assert rulings(found)[-1] == "undecided"
    assert found[-1].doubts == ((Reason.STRADDLES, ""),)
    assert dict(found[-1].told)["count"] == "2 to 3"


def test_a_gap_in_the_window_hides_any_number() -> None:
    blind = {"request.remote-button": [(16.0, 17.0)]}
    found = judged(COUNT, world(lock(20.0), blind=blind))
    assert found[-1].doubts == ((Reason.GAP, "remote-button"),)
    assert dict(found[-1].told)["count"] == "at least 1"
    sure = judged(COUNT, world(lock(18.0), lock(19.0), lock(20.0), blind=blind))
    assert rulings(sure)[-1] == "fail"


def test_sources_the_network_does_not_show_raise_no_suspicion_of_too_many() -> None:
    where = world(lock(20.0), statuses={"request.remote-button": RoleStatus.NOT_VISIBLE})
    (found,) = judged(COUNT, where)
    assert (found.ruling.value, found.suspect) == ("undecided", False)


@pytest.mark.parametrize(("answers", "expected"), [([11.0], "fail"), ([11.0, 15.0], "pass"), ([11.0, 15.1], "fail")])
def test_at_least_asks_for_so_many_in_the_window(answers: list[float], expected: str) -> None:
    rule = "pattern: count\nobserve: {what: request}\ncount: {what: action}\nwithin: 5 s\nat-least: 2\n"
    things = [lock(10.0), *(item("action", at) for at in answers)]
    assert rulings(judged(rule, world(*things))) == [expected]
    assert rulings(judged(rule, world(*things[:2], end=14.9))) == ["undecided"]


def test_what_lies_outside_the_scope_does_not_count() -> None:
    scope = "scope: {after: [{state: ignition, is: on}]}\n"
    where = world(*map(lock, (10.0, 15.0, 18.0, 20.0)), states={"ignition": [(0.0, "off"), (15.0, "on")]})
    found = judged(COUNT + scope, where)
    assert [(one.item.at.lo / SECOND, one.ruling.value) for one in found] == [
        (15.0, "pass"),
        (18.0, "pass"),
        (20.0, "fail"),
    ]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("at-most: 2\n", ""), "needs 'at-most' or 'at-least'"),
        (("at-most: 2", "at-most: 2 s"), "is no whole number"),
        (("at-most: 2", "at-most: 2\nat-least: 3"), "is more than at-most"),
        (("count: {what: request", "count: {what: requst"), "is nothing a rule can watch"),
    ],
)
def test_a_count_says_how_many(change: tuple[str, str], message: str) -> None:
    with pytest.raises(UserFileError, match=message):
        parse_rule(HEAD + COUNT.replace(*change), "tried.yaml")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ((", within: 500 ms", ""), r"steps\[0\].*needs 'within'"),
        (("state: locked", "state: lokced"), r"steps\[1\].state: 'lokced' is no value"),
        (("from: 100 ms", "form: 100 ms"), "'form' is no fact of movement"),
        (("within: 2 s", "within: 2 km/h"), "where a time is needed"),
    ],
)
def test_the_mistakes_of_steps_are_told_with_their_place(change: tuple[str, str], message: str) -> None:
    with pytest.raises(UserFileError, match=message):
        parse_rule(HEAD + SEQUENCE.replace(*change), "tried.yaml")


# stability


@pytest.mark.parametrize(
    ("off", "expected"), [(None, "pass"), (10.999, "fail"), (11.0, "fail"), (15.0, "fail"), (15.001, "pass")]
)
def test_a_state_must_hold_all_through_the_closed_window(off: float | None, expected: str) -> None:
    changes: list[tuple[Interval | float, str]] = [(0.0, "on"), *([(off, "off")] if off else [])]
    assert rulings(judged(STABILITY, world(lock(10.0), states={"ignition": changes}))) == [expected]


def test_a_finding_tells_where_the_state_broke_and_how_long_after() -> None:
    where = world(lock(10.0), states={"ignition": [(0.0, "on"), (12.5, "off"), (13.0, "on")]})
    (found,) = findings(STABILITY, where, "Broke after {measured}.")
    assert (found.at, found.message) == (Interval.at(12_500_000_000), "Broke after 2.5 s.")


def test_a_window_the_recording_does_not_hold_is_undecided_unless_the_state_broke_before() -> None:
    on = {"ignition": [(0.0, "on")]}
    (found,) = judged(STABILITY, world(lock(10.0), states=on, end=14.0))
    assert (found.ruling.value, found.doubts) == ("undecided", ((Reason.ENDED, ""),))
    broken = {"ignition": [(0.0, "on"), (13.0, "off")]}
    assert rulings(judged(STABILITY, world(lock(10.0), states=broken, end=14.0))) == ["fail"]


def test_a_state_lost_in_the_window_is_undecided() -> None:
    lost = {"ignition": [(0.0, "on"), (12.0, "unknown"), (13.0, "on")]}
    where = world(lock(10.0), states=lost, blind={"ignition": [(12.0, 13.0)]})
    (found,) = judged(STABILITY, where)
    assert (found.ruling.value, found.doubts) == ("undecided", ((Reason.GAP, "ignition"),))


def test_a_state_that_breaks_after_the_scope_closed_breaks_nothing() -> None:
    scope = "scope: {before: [{closure: any, ajar: open}]}\n"
    ajar = [(0.0, "shut"), (12.0, "open")]
    for off, expected in ((11.9, "fail"), (12.0, "pass")):
        where = world(lock(10.0), states={"ignition": [(0.0, "on"), (off, "off")], "ajar.front-left": ajar})
        assert rulings(judged(STABILITY + scope, where)) == [expected]


def test_a_state_may_be_of_the_closure_it_is_about() -> None:
    rule = STABILITY.replace("{state: ignition, is: on}", "{closure: $closure, ajar: shut}")
    rule = rule.replace("observe: {what: request}", "observe: {what: movement}")
    where = world(
        item("movement", 10.0, closure="front-left"), states={"ajar.front-left": [(0.0, "shut"), (12.0, "open")]}
    )
    assert rulings(judged(rule, where)) == ["fail"]
