"""`rules why`: the occasion nearest to a time, what held of it, what did not, and what came near."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from latchtrace.model.clock import Clock
from latchtrace.model.time import SECOND, Interval, Truth
from latchtrace.pipeline import worlds_of
from latchtrace.reports.why_text import print_why
from latchtrace.rules.engine import PATTERNS
from latchtrace.rules.example_car import LITTLE_CAR, Car, example_vehicle, read_parameter
from latchtrace.rules.example_lines import parse_lines
from latchtrace.rules.example_timeline import all_roles, example_timeline
from latchtrace.rules.judgement import Ruling
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.why import Asked, Why, why
from support.rule_changes import examples_of, sources


def asked(rule: str, text: str, at: float, car: Car = LITTLE_CAR, rule_id: str = "") -> Why:
    """Why a shipped rule says what it says of these lines."""
    lines, mistakes = parse_lines(text)
    assert not mistakes
    worlds = worlds_of(example_vehicle(car, all_roles(lines)), [example_timeline(lines, car)])
    compiled = parse_rule(sources()[f"{rule}.yaml"], f"{rule}.yaml")
    return why(compiled, rule_id or rule, worlds, round(at * SECOND))


def printed(result: Why) -> str:
    """The same in words."""
    out = io.StringIO()
    console = Console(file=out, width=200, markup=False, highlight=False, emoji=False)
    print_why(result, Clock(0), console)
    return out.getvalue()


def part(result: Why, field: str, number: int = 0) -> Asked:
    """One thing a rule asks, by its field."""
    return [one for one in result.asked if one.field == field][number]


def relock() -> Car:
    """A car whose relock is stated."""
    names = {"relock.delay": "30 s", "relock.tolerance": "1 s", "relock.policy": "cancel"}
    return Car({}, {name: read_parameter(name, text, "the book") for name, text in names.items()}, {})


def test_a_near_miss_is_told_with_its_numbers() -> None:
    found = asked("command-without-request", "7.69 request keypad unlock\n10 command unlock", 10)
    required = part(found, "require")
    assert found.judged is not None
    assert found.judged.ruling is Ruling.FAIL
    assert required.near is not None
    assert (required.near.delay, required.near.off) == (Interval.at(-2_310_000_000), 310_000_000)
    assert required.window == (-2 * SECOND, 0)
    text = printed(found)
    assert "It fired" in text
    assert "nearest: request (source keypad; action unlock; side outside) 2.31 s before" in text
    assert "the window is 2 s before, missed by 310 ms" in text
    assert "request_window = 2 s (common practice)" in text


def test_what_came_nearer_but_differs_is_told_too() -> None:
    text = "3 request keypad unlock\n9.5 request remote-button lock\n10 command unlock"
    required = part(asked("command-without-request", text, 10), "require")
    assert required.near is not None
    assert required.near.facts["source"] == "keypad"
    assert required.other is not None
    assert required.other.facts["source"] == "remote-button"
    assert required.other.differs == ("action",)
    assert "500 ms before" in printed(asked("command-without-request", text, 10))


def test_where_nothing_of_the_kind_came_that_is_told() -> None:
    found = asked("command-without-request", "10 command unlock", 10)
    assert part(found, "require").near is None
    assert "nothing of that kind in the whole capture; the window is 2 s before" in printed(found)


def test_the_occasion_nearest_to_the_time_is_taken() -> None:
    text = "10 command unlock\n50 command lock\n90 command unlock"
    for moment, wanted in ((0, 10), (29, 10), (31, 50), (69, 50), (200, 90)):
        found = asked("command-without-request", text, moment)
        assert found.judged is not None
        assert found.judged.item.at == Interval.at(wanted * SECOND)
        assert found.occasions == 3
    assert "19 s before the time asked about" in printed(asked("command-without-request", text, 29))


def test_an_excuse_that_holds_is_named() -> None:
    found = asked("movement-without-command", "9 request key-cylinder unlock\n10 latch front-left unlocked", 10)
    assert found.judged is not None
    assert found.judged.ruling is Ruling.SKIPPED
    excuse = next(one for one in found.asked if one.field == "unless" and one.answer is Truth.YES)
    assert excuse.states == (("origin", ("key-cylinder",)),)
    assert "It was not exercised here: unless holds: {fact: origin" in printed(found)


def test_a_condition_that_does_not_hold_is_named() -> None:
    text = "10 command unlock\n15 ajar front-left open\n40 command lock"
    names = {name: value for name, value in relock().parameters.items() if name != "relock.policy"}
    other = Car({}, {**names, "relock.policy": read_parameter("relock.policy", "restart", "the book")}, {})
    found = printed(asked("relock-after-door-opening", text, 10, other))
    assert "It was not exercised here: given does not hold: {policy: relock.policy, is: cancel}" in found
    assert "relock.policy: restart" in found


def test_what_is_open_is_told_with_the_reason_and_the_role() -> None:
    car = Car({"request.key-cylinder": "not-visible"}, {}, {})
    text = printed(asked("command-without-request", "10 command unlock", 10, car))
    assert "It could not decide" in text
    assert "(key-cylinder)" in text


def test_a_number_is_told_with_its_limit() -> None:
    car = Car({}, {"speed_lock.threshold": read_parameter("speed_lock.threshold", "15 km/h", "the book")}, {})
    text = "0 ignition on\n5 speed 14.5 km/h\n10 command unlock"
    found = asked("unlock-while-moving", text, 10, car)
    never = part(found, "never")
    assert (never.answer, never.number, never.limit) == (Truth.NO, (14.5, 14.5), (15.0, None))
    assert "14.5 km/h; the limit is 15 km/h" in printed(found)


def test_what_came_although_it_never_should_is_measured_from_the_occasion() -> None:
    text = """
      5      request remote-button unlock until 5.5
      5.2    validation accepted
      5.3    command unlock
      5.5    latch all unlocked
      10     ajar rear-left open
      20     ajar rear-left shut
      35.3   command lock
      35.5   latch all locked
      100    speed 30 km/h
    """
    for moment in (5.3, 35.3):
        found = asked("relock-after-door-opening", text, moment, relock())
        assert found.judged is not None
        assert found.judged.ruling is Ruling.FAIL
        assert found.occasion is not None
        assert found.occasion.at == Interval.at(5_300_000_000)
        never = part(found, "never")
        assert never.near is not None
        assert (never.near.delay, never.near.off) == (Interval.at(30 * SECOND), 0)


def test_a_measured_delay_and_what_cancelled_it_are_told() -> None:
    text = "10 request remote-button unlock\n10 command unlock\n20 request keypad lock"
    found = printed(asked("relock-delay", text, 10, relock(), "relock-late"))
    assert "something cancelled it" in found
    assert "nearest: request (source keypad; action lock; side outside) 10 s after" in found
    late = "10 request remote-button unlock\n10 command unlock\n52 command lock"
    assert "Measured: 42 s" in printed(asked("relock-delay", late, 10, relock(), "relock-late"))


def test_states_of_closures_are_told_where_they_are_not_as_wanted() -> None:
    found = asked("latch-no-response", "10 command unlock\n10.2 latch front-left unlocked", 10)
    expected = [one for one in found.asked if one.field == "expect"]
    assert expected[0].answer in (Truth.YES, Truth.NO)
    assert "latch-no-response" in printed(found)


def test_no_occasion_tells_what_the_rule_observes_and_what_came_nearest() -> None:
    found = asked("unlock-while-moving", "0 latch all unlocked\n10 command lock", 10)
    assert found.judged is None
    assert found.unlike is not None
    assert found.unlike.differs == ("action",)
    text = printed(found)
    assert "this capture holds no occasion for it" in text
    assert "it observes {what: action, action: unlock}" in text
    assert "nearest that is no occasion: action" in text
    assert "not as wanted: action" in text


def test_nothing_at_all_is_told() -> None:
    assert "nothing of that kind happened at all" in printed(asked("opened-while-locked", "1 ignition on", 1))


def test_a_rule_that_does_not_apply_says_why() -> None:
    car = Car({"validation": "not-visible"}, {}, {})
    found = asked("command-without-validation", "10 command unlock", 10, car)
    assert found.hindrance is not None
    assert "does not apply to this vehicle and network: validation" in printed(found)


@pytest.mark.parametrize("file", sorted(sources()))
def test_every_example_of_every_shipped_rule_can_be_asked_about(file: str) -> None:
    rule = parse_rule(sources()[file], file)
    for example, world in examples_of(file):
        for rule_id in example.expect:
            for moment in (0, 10 * SECOND, 40 * SECOND):
                found = why(rule, rule_id, [world], moment)
                assert printed(found)
                if found.judged is None or found.occasion is None:
                    continue
                judged = [one for one in PATTERNS[rule.pattern].judge(rule, world) if one.rule_id in ("", rule_id)]
                nearest = min(max(one.item.at.lo - moment, moment - one.item.at.hi, 0) for one in judged)
                here = [
                    max(item.at.lo - moment, moment - item.at.hi, 0) for item in (found.judged.item, found.occasion)
                ]
                assert min(here) == nearest or (rule.never_selector is not None and min(here) < nearest)
