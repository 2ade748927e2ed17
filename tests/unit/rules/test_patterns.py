"""What each pattern says of small worlds written down by hand."""

from __future__ import annotations

import pytest

from latchtrace.model.events import Reason
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.judgement import Judgement, Ruling
from support.worlds import item, judged, milliseconds, world

PRECEDENCE = """pattern: precedence
observe: {what: action}
require: {what: request, action: $action}
within: 2 s
"""
ABSENCE = """pattern: bounded-absence
observe: {what: action, action: lock}
never: {what: opening}
from: 1 s
within: 5 s
"""
DELAY = """version: 1
function: chain
pattern: delay-classes
observe: {what: action, action: unlock}
expect: {what: action, action: lock}
cancelled-by: [{what: opening}]
early-before: 29 s
late-after: 31 s
missing-after: 60 s
classes:
  early: {rule: early, severity: fault, title: Early, message: Early., means: Early.}
  late: {rule: late, severity: fault, title: Late, message: Late., means: Late.}
  missing: {rule: missing, severity: fault, title: Missing, message: Missing., means: Missing.}
"""


def rulings(found: list[Judgement]) -> list[str]:
    """The rulings alone."""
    return [one.ruling.value for one in found]


@pytest.mark.parametrize(
    ("request_at", "expected"),
    [(8.0, "pass"), (7.999, "fail"), (10.0, "pass"), (10.001, "fail")],
)
def test_precedence_takes_a_request_up_to_exactly_the_limit_before(request_at: float, expected: str) -> None:
    things = [item("action", 10.0, action="lock"), item("request", request_at, action="lock")]
    assert rulings(judged(PRECEDENCE, world(*things))) == [expected]


def test_precedence_counts_a_held_request_until_its_end() -> None:
    things = [item("action", 10.0, action="lock"), item("request", 3.0, end=8.5, action="lock")]
    assert rulings(judged(PRECEDENCE, world(*things))) == ["pass"]


def test_precedence_is_not_satisfied_by_a_request_of_another_action() -> None:
    things = [item("action", 10.0, action="lock"), item("request", 9.5, action="unlock")]
    assert rulings(judged(PRECEDENCE, world(*things))) == ["fail"]


def test_precedence_over_a_gap_is_undecided() -> None:
    things = [item("action", 10.0, action="lock")]
    found = judged(PRECEDENCE, world(*things, blind={"request.remote-button": [(8.5, 8.6)]}))
    assert rulings(found) == ["undecided"]
    assert found[0].doubts == ((Reason.GAP, "remote-button"),)
    assert not found[0].suspect


def test_precedence_with_an_invisible_source_is_suspect_and_names_it() -> None:
    found = judged(
        PRECEDENCE,
        world(item("action", 10.0, action="lock"), statuses={"request.remote-button": RoleStatus.NOT_VISIBLE}),
    )
    assert (rulings(found), found[0].suspect) == (["undecided"], True)
    assert found[0].doubts == ((Reason.NOT_VISIBLE, "remote-button"),)


def test_precedence_before_the_capture_is_undecided() -> None:
    found = judged(PRECEDENCE, world(item("action", 1.0, action="lock")))
    assert found[0].doubts == ((Reason.UNKNOWN_BEFORE, "remote-button"),)


@pytest.mark.parametrize(
    ("opened", "expected"),
    [(10.999, "pass"), (11.0, "fail"), (15.0, "fail"), (15.001, "pass"), (None, "pass")],
)
def test_bounded_absence_forbids_its_closed_window(opened: float | None, expected: str) -> None:
    things = [item("action", 10.0, action="lock"), *([item("opening", opened)] if opened else [])]
    assert rulings(judged(ABSENCE, world(*things))) == [expected]


def test_bounded_absence_cut_by_the_end_is_undecided() -> None:
    found = judged(ABSENCE, world(item("action", 10.0, action="lock"), end=12.0))
    assert found[0].doubts == ((Reason.ENDED, "ajar.front-left"),)


def classes(*answers: float, end: float = 100.0, opened: float | None = None) -> dict[str, str]:
    """What each class says of an unlock at 10 s and these locks."""
    from latchtrace.rules.engine import PATTERNS
    from latchtrace.rules.schema import parse_rule

    things = [item("action", 10.0, action="unlock"), *(item("action", at, action="lock") for at in answers)]
    things += [item("opening", opened)] if opened is not None else []
    rule = parse_rule(DELAY, "delay.yaml")
    return {one.rule_id: one.ruling.value for one in PATTERNS[rule.pattern].judge(rule, world(*things, end=end))}


@pytest.mark.parametrize(
    ("answer", "violated"),
    [(38.999, "early"), (39.0, None), (41.0, None), (41.001, "late"), (70.0, "late"), (70.001, "missing")],
)
def test_delay_classes_are_exclusive_and_their_limits_closed(answer: float, violated: str | None) -> None:
    expected = {name: "fail" if name == violated else "pass" for name in ("early", "late", "missing")}
    assert classes(answer) == expected


def test_a_delay_cancelled_before_the_answer_is_not_exercised() -> None:
    assert set(classes(40.0, opened=20.0).values()) == {"skipped"}


def test_what_comes_after_the_answer_cancels_nothing() -> None:
    assert set(classes(40.0, opened=45.0).values()) == {"pass"}


def test_an_overdue_answer_is_missing_even_when_something_cancels_later() -> None:
    assert classes(opened=50.0)["missing"] == "fail"


def test_a_delay_the_capture_cuts_is_undecided_where_it_still_could_be_wrong() -> None:
    assert classes(end=45.0) == {"early": "pass", "late": "undecided", "missing": "undecided"}


def test_a_delay_that_straddles_a_limit_is_undecided_for_that_class_alone() -> None:
    from latchtrace.rules.engine import PATTERNS
    from latchtrace.rules.schema import parse_rule

    rule = parse_rule(DELAY, "delay.yaml")
    where = world(item("action", 10.0, action="unlock"), item("action", milliseconds(38_950, 39_050), action="lock"))
    found = {one.rule_id: one.ruling for one in PATTERNS[rule.pattern].judge(rule, where)}
    assert found == {"early": Ruling.UNDECIDED, "late": Ruling.PASS, "missing": Ruling.PASS}
