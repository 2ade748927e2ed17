"""Examples in rule files: their lines, their car, what must come out, and every mistake with its place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from latchtrace import api
from latchtrace.errors import UsageError, UserFileError
from latchtrace.model.events import EventKind, Reason
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.pipeline import judge_examples
from latchtrace.rules import engine
from latchtrace.rules.check import check_text, shipped_rules
from latchtrace.rules.example_car import LITTLE_CAR, Car
from latchtrace.rules.example_lines import parse_lines
from latchtrace.rules.example_timeline import example_timeline
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World

RULE = """version: 1
rule: tried
severity: fault
function: chain
title: A rule of a test
message: It happened.
means: Nothing.
pattern: precedence
observe: {what: action}
require: {what: request, action: $action}
within: 2 s
examples:
"""
EXAMPLE = """  - shows: asked and served
    expect: pass
    lines: |
      10     request keypad unlock
      10.1   command unlock
"""


def told(examples: str) -> list[str]:
    """Every mistake in the examples but those about missing ones."""
    problems = check_text((RULE + examples).encode(), "tried.yaml").problems
    return [str(problem) for problem in problems if "shows no" not in problem.what]


def outcomes(examples: str) -> list[tuple[str, str]]:
    """What was expected and what came out."""
    return [(one.expected, one.got) for one in judge_examples(check_text((RULE + examples).encode(), "tried.yaml"))]


def test_a_sound_example_is_judged() -> None:
    assert told(EXAMPLE) == []
    assert outcomes(EXAMPLE) == [("pass", "pass")]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("      10.1   comand unlock", "tried.yaml:17:14: examples[0].lines: 'comand' is no thing that can happen; "
         "did you mean 'command'?"),
        ("      10.1   command unlok", "17:22: examples[0].lines: 'unlok' is no action; did you mean 'unlock'?"),
        ("      soon   command unlock", "17:7: examples[0].lines: 'soon' is no time; begin with seconds"),
        ("      11..10 command unlock", "17:7: examples[0].lines: '11..10' ends before it starts"),
        ("      10     latch front-lft locked", "17:20: examples[0].lines: 'front-lft' is no closure; "
         "did you mean 'front-left'?"),
        ("      10     latch all shut", "17:24: examples[0].lines: 'shut' is no latch state"),
        ("      10     latch bonnet locked", "'bonnet' is no closure"),
        ("      10     latch all", "17:23: examples[0].lines: ends where latch state should follow"),
        ("      10     request keypad unlock until", "ends where a time should follow"),
        ("      10     request keypad unlock until 9", "ends before it begins"),
        ("      10     request keypad unlock tomorrow", "'tomorrow' is no continuation"),
        ("      10     request keypad unlock slot", "17:40: examples[0].lines: ends where the slot's "
         "number should follow"),
        ("      10     request keypad unlock slot two", "17:41: examples[0].lines: 'two' is no whole number; "
         "write one such as 257 or 0x101"),
        ("      10     request keypad unlock slot 1 slot 2", "17:43: examples[0].lines: 'slot' is no continuation"),
        ("      10     request keypad unlock conter 2", "did you mean 'counter'?"),
        ("      10     validation refused counter -1", "'-1' is no whole number"),
        ("      10     validation refused counter 0x", "'0x' is no whole number"),
        ("      10     validation refused until 11", "17:33: examples[0].lines: 'until' is no continuation; "
         "write one of slot, counter, code"),
        ("      10     validation refused slot 1 counter 2 code 3 4", "'4' is not understood here"),
        ("      10     speed 20", "ends where unit should follow"),
        ("      10     speed fast km/h", "'fast' is no speed"),
        ("      10     command unlock doors now", "17:35: examples[0].lines: 'now' is not understood here"),
        ("      gap 12", "'12' is no span; write FROM..TO"),
        ("      loss request.kepyad 1..2", "'request.kepyad' is no role; did you mean 'request.keypad'?"),
        ("      end 5", "16:7: examples[0].lines: comes after the end of the recording; move `end`"),
        ("      99999999999 ignition on", "is too late"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_line_is_told_with_line_and_column(line: str, expected: str) -> None:
    text = EXAMPLE.replace("      10.1   command unlock", line)
    found = told(text)
    assert len(found) == 1, found
    assert expected in found[0]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("expect: pass", "expect: perhaps", "tried.yaml:14:5: examples[0].expect: 'perhaps' is nothing a rule can say"),
        ("expect: pass", "expect: inconclusive gaps", "'gaps' is no reason; did you mean 'gap'?"),
        ("expect: pass", "expect: pass gap", "'pass gap' says too much; write pass alone"),
        ("expect: pass", "expect: {other: pass}", "'other' is not known here"),
        ("expect: pass", "kind: passing", "examples[0].expect: needs what must come out"),
        ("shows: asked and served", "shows: ''", "needs 'shows' in words"),
        ("    expect", "    kind: funny\n    expect", "'funny' is no kind of example"),
        ("    expect", "    kind: failing\n    expect", "is failing, but nothing is expected to come out so"),
        ("    expect", "    closures: [rear-lft]\n    expect", "did you mean 'rear-left'?"),
        ("    expect", "    roles: {request.kepyad: silent}\n    expect", "did you mean 'request.keypad'?"),
        ("    expect", "    roles: {command: gone}\n    expect", "says nothing of a role"),
        ("    expect", "    roles: {command: not-visible}\n    expect",
         "18:7: examples[0].lines: tells of command, which this car's network does not show (not-visible)"),
        ("    expect", "    parameters: {relock.dely: 30 s}\n    expect", "did you mean 'relock.delay'?"),
        ("    expect", "    parameters: {relock.delay: soon}\n    expect", "'soon' is not a duration"),
        ("    expect", "    parameters: {relock.policy: stop}\n    expect", "'stop' is none of cancel, restart"),
        ("    expect", "    parameters: {rolling.bits: 65}\n    expect", "65 is out of range; write a number not"),
        ("    expect", "    parameters: {keys.max: 0}\n    expect", "0 is out of range; write a number not below 1"),
        ("    expect", "    functions: {auto-relock: perhaps}\n    expect", "says nothing of a function"),
        ("    expect", "    colour: red\n    expect", "'colour' is not known here"),
    ],
)  # fmt: skip
def test_a_mistake_in_an_example_is_told_with_its_place(old: str, new: str, expected: str) -> None:
    found = told(EXAMPLE.replace(old, new, 1))
    assert any(expected in line for line in found), found


def test_boundary_examples_that_come_out_alike_are_a_mistake() -> None:
    assert any("all come out as pass" in line for line in told(EXAMPLE + "    kind: boundary\n"))


def events(text: str, kind: EventKind, car: Car = LITTLE_CAR) -> list[tuple[str, str, Interval, bool]]:
    """The events a timeline of these lines holds of one kind."""
    lines, mistakes = parse_lines(text)
    assert not mistakes
    found = example_timeline(lines, car).events
    return [(one.subject, one.value, one.at, one.change) for one in found if one.kind == kind]


def at(seconds: float) -> Interval:
    return Interval.at(round(seconds * SECOND))


def test_the_little_car_stands_locked_and_shut() -> None:
    assert {value for _, value, _, _ in events("1 ignition on", EventKind.LATCH)} == {"locked"}
    assert {value for _, value, _, _ in events("1 ignition on", EventKind.AJAR)} == {"shut"}


def test_a_line_at_the_beginning_says_how_the_car_stands() -> None:
    found = events("0 latch all unlocked", EventKind.LATCH)
    assert {(value, change) for _, value, _, change in found} == {("unlocked", False)}


def test_a_later_line_is_a_change_within_its_interval() -> None:
    found = events("10..10.1 latch rear-left unlocked", EventKind.LATCH)
    assert found[-1] == ("rear-left", "unlocked", Interval(10 * SECOND, 10 * SECOND + SECOND // 10), True)


def test_the_same_state_once_more_is_no_event() -> None:
    assert len(events("10 ignition off\n11 ignition on\n12 ignition on", EventKind.STATE)) == 3


def test_over_a_gap_states_are_lost_and_seen_again() -> None:
    found = [one for one in events("13 latch rear-left unlocked\ngap 12..15", EventKind.LATCH) if one[0] == "rear-left"]
    assert found[1:] == [("rear-left", "unknown", at(12), False), ("rear-left", "unlocked", at(15), False)]


def test_what_happens_inside_a_gap_is_not_seen() -> None:
    assert events("13 request keypad lock\ngap 12..15", EventKind.REQUEST) == []
    assert len(events("15 request keypad lock\ngap 12..15", EventKind.REQUEST)) == 1


def test_a_role_that_is_not_visible_is_not_shown() -> None:
    car = Car({"latch": "not-visible", "request.keypad": "silent"}, {}, {})
    lines, _ = parse_lines("1 ignition on")
    timeline = example_timeline(lines, car)
    assert timeline.coverage["latch.rear-left"].status == RoleStatus.NOT_VISIBLE
    assert timeline.coverage["request.keypad"].seen is None
    assert not [one for one in timeline.events if one.kind == EventKind.LATCH]


def test_loss_blinds_one_role_alone() -> None:
    lines, _ = parse_lines("loss validation 3..4")
    coverage = example_timeline(lines, LITTLE_CAR).coverage
    assert [blind.reason for blind in coverage["validation"].blind] == [Reason.LOSS]
    assert not coverage["command"].blind


def test_a_held_request_ends_with_its_line_or_with_the_recording() -> None:
    lines, _ = parse_lines("3 request interior-switch lock until 8\nend 6")
    (request,) = [one for one in example_timeline(lines, LITTLE_CAR).events if one.kind == EventKind.REQUEST]
    assert request.end == at(6)


@pytest.mark.parametrize(
    ("line", "details"),
    [
        ("request remote-button unlock slot 2 counter 257", {"slot": 2, "counter": 257}),
        ("request remote-button unlock until 11 counter 0x101 at rear-left", {"closure": "rear-left", "counter": 257}),
        ("request remote-button unlock", {}),
        ("validation refused slot 2 counter 300 code 0x4D2A", {"slot": 2, "counter": 300, "code": 0x4D2A}),
        ("validation accepted counter 0", {"counter": 0}),
    ],
)
def test_what_the_frame_of_a_key_tells_of_it_is_a_detail_of_the_event(line: str, details: dict[str, int | str]) -> None:
    lines, mistakes = parse_lines(f"10 {line}")
    assert not mistakes
    (event,) = [
        one
        for one in example_timeline(lines, LITTLE_CAR).events
        if one.kind in (EventKind.REQUEST, EventKind.VALIDATION)
    ]
    assert dict(event.details) == details
    assert event.end == (at(11) if "until" in line else None)


def test_differences_are_told_in_words() -> None:
    text = EXAMPLE.replace("expect: pass", "expect: inconclusive gap")
    (result,) = judge_examples(check_text((RULE + text).encode(), "tried.yaml"))
    assert (result.line, result.differences) == (13, ("expected inconclusive gap, got pass",))


def test_closures_of_a_finding_are_compared() -> None:
    text = """  - shows: nobody asked
    expect: fail
    closures: [rear-left]
    lines: |
      10.1   command unlock doors
"""
    (result,) = judge_examples(check_text((RULE + text).encode(), "tried.yaml"))
    assert result.differences == ("expected closures rear-left, got front-left, front-right, rear-left, rear-right",)


def test_all_examples_of_the_shipped_rules_come_out_as_they_must() -> None:
    results = api.rules_test()
    assert len({one.rule for one in results}) == 19
    assert [one for one in results if one.differences] == []


def test_the_examples_of_one_rule_alone_can_be_judged() -> None:
    assert {one.rule for one in api.rules_test((), "relock-late")} == {"relock-late"}


def test_a_rule_no_file_holds_is_wrong_usage() -> None:
    with pytest.raises(UsageError, match="none of these files holds a rule 'other'"):
        api.rules_test([shipped_rules() / "latch-slow.yaml"], "other")


def test_mistakes_come_before_examples(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(RULE + EXAMPLE, encoding="utf-8")
    with pytest.raises(UserFileError, match="shows no failing example"):
        api.rules_test([path])


def test_a_pattern_that_crashes_is_a_failure_of_that_rule_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def crash(_: Rule, __: World) -> Iterator[Judgement]:
        raise ZeroDivisionError("planted")

    patterns = {**engine.PATTERNS, "response": engine.Pattern(crash)}
    monkeypatch.setattr(engine, "PATTERNS", patterns)
    results = api.rules_test()
    wrong = {one.rule for one in results if one.differences}
    assert wrong == {"closures-disagree"}
    told = next(one.differences[0] for one in results if one.differences)
    assert "got crashed: rule closures-disagree" in told
    assert "planted" in told
