"""Scopes of rules that observe occasions: what counts inside, what lies outside, and what the capture cannot tell."""

from __future__ import annotations

import pytest

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling
from latchtrace.rules.rule import Rule
from latchtrace.rules.schema import parse_rule
from support.worlds import HEAD, item, judged, milliseconds, world

ON, OFF = "[{state: ignition, is: on}]", "[{state: ignition, is: off}]"
ABSENCE = "pattern: absence\nobserve: {what: request}\nnever: [{fact: action, is: lock}]\n"
RESPONSE = "pattern: bounded-response\nobserve: {what: request}\nexpect: {what: action}\nwithin: 5 s\n"
NEVER = "pattern: bounded-absence\nobserve: {what: request}\nnever: {what: action}\nwithin: 5 s\n"
PRECEDENCE = "pattern: precedence\nobserve: {what: action}\nrequire: {what: request}\nwithin: 20 s\n"
DRIVE = {"ignition": [(0.0, "off"), (10.0, "on"), (20.0, "off")]}
WHILE_ON = f"scope: {{after: {ON}, until: {OFF}}}\n"


def rulings(found: list[Judgement]) -> list[str]:
    return [one.ruling.value for one in found]


def lock(at: Interval | float) -> Item:
    return item("request", at, action="lock")


@pytest.mark.parametrize(
    ("scope", "inside"),
    [
        (f"{{after: {ON}}}", [10.0, 15.0, 20.0, 25.0, 35.0]),
        (f"{{before: {ON}}}", [5.0, 9.999]),
        (f"{{between: {ON}, and: {OFF}}}", [10.0, 15.0]),
        (f"{{after: {ON}, until: {OFF}}}", [10.0, 15.0, 31.0, 35.0]),
    ],
)
def test_an_occasion_counts_only_while_the_scope_is_open(scope: str, inside: list[float]) -> None:
    times = [5.0, 9.999, 10.0, 15.0, 20.0, 25.0, 35.0] + ([31.0] if 31.0 in inside else [])
    ignition = [(0.0, "off"), (10.0, "on"), (20.0, "off"), (30.0, "on")]
    found = judged(f"{ABSENCE}scope: {scope}\n", world(*map(lock, times), states={"ignition": ignition}))
    failed = [one.at.lo / 1e9 for one in found if one.ruling is Ruling.FAIL]
    assert sorted(failed) == sorted(inside)


def test_a_scope_that_has_not_closed_when_the_recording_ends_may_never_close() -> None:
    states = {"ignition": [(0.0, "off"), (10.0, "on")]}
    (found,) = judged(f"{ABSENCE}scope: {{between: {ON}, and: {OFF}}}\n", world(lock(15.0), states=states))
    assert (found.ruling, found.doubts) == (Ruling.UNDECIDED, ((Reason.ENDED, ""),))


def test_an_occasion_while_the_scope_opens_at_some_moment_is_undecided() -> None:
    changes: list[tuple[Interval | float, str]] = [(0.0, "off"), (milliseconds(9_900, 10_100), "on")]
    states = {"ignition": changes}
    found = judged(f"{ABSENCE}scope: {{after: {ON}}}\n", world(lock(10.0), states=states))
    assert (rulings(found), found[0].doubts) == (["undecided"], ((Reason.STRADDLES, ""),))


def test_a_scope_no_frame_shows_leaves_the_rule_undecided_and_raises_no_suspicion() -> None:
    hidden = {"ignition": RoleStatus.NOT_VISIBLE}
    (found,) = judged(ABSENCE + WHILE_ON, world(lock(10.0), statuses=hidden))
    assert (found.ruling, found.suspect) == (Ruling.UNDECIDED, False)
    assert found.doubts == ((Reason.NOT_VISIBLE, "ignition"),)


def test_after_a_gap_it_is_the_gap_that_leaves_open_whether_the_scope_is() -> None:
    states = {"ignition": [(0.0, "off"), (10.0, "unknown"), (12.0, "off")]}
    where = world(lock(30.0), states=states, blind={"ignition": [(10.0, 12.0)]})
    (found,) = judged(f"{ABSENCE}scope: {{after: {ON}}}\n", where)
    assert (found.ruling, found.doubts) == (Ruling.UNDECIDED, ((Reason.GAP, "ignition"),))


@pytest.mark.parametrize(("answer", "expected"), [(19.999, "pass"), (20.0, "fail"), (21.0, "fail"), (None, "fail")])
def test_an_answer_must_come_before_the_scope_closes(answer: float | None, expected: str) -> None:
    things = [lock(18.0), *([item("action", answer)] if answer else [])]
    assert rulings(judged(RESPONSE + WHILE_ON, world(*things, states=DRIVE))) == [expected]


def test_an_answer_that_may_have_come_after_the_close_is_undecided() -> None:
    things = [lock(18.0), item("action", milliseconds(19_950, 20_050))]
    (found,) = judged(RESPONSE + WHILE_ON, world(*things, states=DRIVE))
    assert (found.ruling, found.doubts) == (Ruling.UNDECIDED, ((Reason.STRADDLES, ""),))


def test_a_gap_after_the_close_hides_no_answer_that_counts() -> None:
    where = world(lock(18.0), states=DRIVE, blind={"command": [(20.0, 22.0)]})
    assert rulings(judged(RESPONSE + WHILE_ON, where)) == ["fail"]
    where = world(lock(18.0), states=DRIVE, blind={"command": [(19.9, 22.0)]})
    assert rulings(judged(RESPONSE + WHILE_ON, where)) == ["undecided"]


@pytest.mark.parametrize(("came", "expected"), [(19.999, "fail"), (20.0, "pass"), (22.0, "pass")])
def test_what_is_forbidden_may_come_after_the_close(came: float, expected: str) -> None:
    assert rulings(judged(NEVER + WHILE_ON, world(lock(18.0), item("action", came), states=DRIVE))) == [expected]


@pytest.mark.parametrize(("asked", "expected"), [(9.999, "fail"), (10.0, "pass"), (15.0, "pass")])
def test_what_is_required_before_must_come_after_the_opening(asked: float, expected: str) -> None:
    assert rulings(judged(PRECEDENCE + WHILE_ON, world(lock(asked), item("action", 18.0), states=DRIVE))) == [expected]


def test_a_scope_open_from_the_start_may_have_opened_any_time_before() -> None:
    where = world(item("action", 5.0), states={"ignition": [(0.0, "on")]})
    (found,) = judged(PRECEDENCE + WHILE_ON, where)
    assert (found.ruling, found.doubts[0][0]) == (Ruling.UNDECIDED, Reason.UNKNOWN_BEFORE)


@pytest.mark.parametrize(("locked", "expected"), [(19.5, "pass"), (20.0, "fail"), (None, "fail")])
def test_an_expected_state_must_hold_when_the_scope_closes_before_the_deadline(
    locked: float | None, expected: str
) -> None:
    rule = "pattern: bounded-response\nobserve: {what: request}\nexpect: {closure: every, latch: locked}\nwithin: 5 s\n"
    latch: list[tuple[Interval | float, str]] = [(0.0, "unlocked"), *([(locked, "locked")] if locked else [])]
    where = world(lock(18.0), states={**DRIVE, "latch.front-left": latch})
    assert rulings(judged(rule + WHILE_ON, where)) == [expected]


def test_a_delay_still_running_when_the_scope_closes_is_a_missing_answer() -> None:
    rule = """version: 1
function: chain
pattern: delay-classes
observe: {what: request}
expect: {what: action}
late-after: 3 s
missing-after: 8 s
classes:
  late: {rule: late, severity: fault, title: Late, message: Late., means: Late.}
  missing: {rule: missing, severity: fault, title: Missing, message: Missing., means: Missing.}
"""

    def classes(answer: float) -> dict[str, str]:
        from latchtrace.rules.engine import PATTERNS

        compiled = parse_rule(rule + WHILE_ON, "delay.yaml")
        where = world(lock(15.0), item("action", answer), states=DRIVE)
        return {one.rule_id: one.ruling.value for one in PATTERNS[compiled.pattern].judge(compiled, where)}

    assert classes(19.0) == {"late": "fail", "missing": "pass"}
    assert classes(21.0) == {"late": "pass", "missing": "fail"}


def test_a_scope_asks_for_states_only() -> None:
    from latchtrace.errors import UserFileError

    with pytest.raises(UserFileError, match="'happened' is no state"):
        parsed("{after: [{happened: {what: request}, within: [-1 s, 0]}]}")
    with pytest.raises(UserFileError, match="is no scope"):
        parsed(f"{{until: {ON}}}")
    assert parsed(f"{{after: [{{not: {ON}}}]}}").scope is not None


def parsed(scope: str) -> Rule:
    return parse_rule(f"{HEAD}{ABSENCE}scope: {scope}\n", "tried.yaml")
