from __future__ import annotations

from latchtrace.model.clock import Clock
from latchtrace.views.inview import in_view
from latchtrace.views.lanes import swimlane
from support.night import ZERO, moment, night_result

LANES, TIMES = swimlane(night_result()), Clock(ZERO)


def test_lists_what_begins_in_view_in_time_order_with_its_findings() -> None:
    view = in_view(LANES, TIMES, moment(4355), moment(4370))
    assert [(row.lane, row.what) for row in view.rows][:4] == [
        ("Command", "unlock"),
        ("Relock timer", "until it locked itself"),
        ("Finding F1", "Fault: Command without request"),
        ("Driver's door", "unlocked"),
    ]
    assert [row.t for row in view.rows] == sorted(row.t for row in view.rows)
    assert view.total == len(view.rows)


def test_tells_what_held_where_the_view_begins() -> None:
    before = dict(in_view(LANES, TIMES, moment(140), moment(141)).before)
    assert before["Driver's door"] == "unlocked"
    assert before["Driver's door, ajar contact"] == "open"
    assert before["Ignition"] == "off"


def test_a_state_is_not_known_before_it_was_seen() -> None:
    assert set(dict(in_view(LANES, TIMES, moment(-9), moment(0)).before).values()) == {"not known"}


def test_counts_what_it_leaves_out() -> None:
    view = in_view(LANES, TIMES, moment(0), moment(12_000), most=10)
    assert len(view.rows) == 10
    assert view.total == in_view(LANES, TIMES, moment(0), moment(12_000)).total > 60
    assert view.rows == in_view(LANES, TIMES, moment(0), moment(12_000)).rows[:10]


def test_a_state_seen_for_the_first_time_is_no_entry() -> None:
    assert in_view(LANES, TIMES, moment(0), moment(1)).total == 0


def test_how_long_a_thing_lasted_keeps_its_uncertainty() -> None:
    (row,) = [row for row in in_view(LANES, TIMES, moment(137), moment(138)).rows if row.what == "open"]
    assert row.lasts == "between 7.6 s and 7.8 s"
