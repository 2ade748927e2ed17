"""When a key was desynchronised: since when, by how much, which presses failed, and how it came back."""

from __future__ import annotations

import pytest

from latchtrace.model.events import Blind, Reason
from latchtrace.model.time import SECOND, Interval
from latchtrace.rules.trackers.desynchronised import Spell, Way, desynchronised
from latchtrace.rules.trackers.rolling_code import Attempt, Limits, Result, follow

TYPICAL = Limits(window=16, resync_window=32768, bits=16)


def at(second: int) -> Interval:
    return Interval.at(second * SECOND)


def spells(
    *told: tuple[int | None, str] | int, limits: Limits = TYPICAL, gap: tuple[float, float] | None = None
) -> tuple[Spell, ...]:
    """Of a key last accepted with 0x100 at second 0, one press a second; a number alone: the answer is not shown."""
    pairs = [(one, "unknown") if isinstance(one, int) else one for one in told]
    seen = [
        Attempt(at(i), counter, Result(result)) for i, (counter, result) in enumerate([(0x100, "accepted"), *pairs])
    ]
    blind = [Blind(Interval(*(round(one * SECOND) for one in gap)), Reason.GAP)] if gap else []
    return desynchronised(follow(seen, blind, limits), limits)


def test_it_begins_with_the_first_press_refused_beyond_the_window_and_lasts_until_one_is_accepted() -> None:
    (found,) = spells(
        (0x101, "accepted"), (0x150, "refused"), (0x152, "refused"), (0x155, "refused"), (0x156, "accepted"),
        (0x157, "accepted"),
    )  # fmt: skip
    assert found == Spell(
        since=at(2),
        lead=0x4F,
        last_lead=0x54,
        failed=(2, 3, 4),
        refused=True,
        back=5,
        until=at(5),
        way=Way.TWO_IN_A_ROW,
    )


@pytest.mark.parametrize(("counter", "out"), [(0x110, False), (0x111, True), (0x8100, True), (0x8101, False)])
def test_only_a_lead_beyond_the_window_and_not_beyond_the_second_one_is_desynchronised(counter: int, out: bool) -> None:
    found = spells((counter, "refused"))
    assert bool(found) == out
    assert not found or (found[0].way, found[0].back, found[0].until) == (None, None, None)


def test_a_press_accepted_with_a_larger_lead_came_back_by_a_procedure() -> None:
    (found,) = spells((0x150, "refused"), (0x160, "accepted"))
    assert (found.way, found.back, found.failed) == (Way.PROCEDURE, 2, (1,))


def test_a_press_accepted_inside_the_window_is_an_older_one() -> None:
    (found,) = spells((0x150, "refused"), (0x105, "accepted"))
    assert found.way == Way.WITHIN_WINDOW


def test_without_answers_it_is_told_as_the_decoder_must_have_done() -> None:
    (found,) = spells(0x150, 0x151)
    assert (found.refused, found.failed, found.back, found.way) == (False, (1,), 2, Way.TWO_IN_A_ROW)


def test_one_answer_that_is_shown_is_enough_to_show_the_refusal() -> None:
    (found,) = spells(0x150, (0x160, "refused"))
    assert (found.failed, found.refused) == ((1, 2), True)


def test_the_second_of_two_in_a_row_refused_is_one_more_that_failed() -> None:
    (found,) = spells((0x150, "refused"), (0x151, "refused"))
    assert (found.failed, found.last_lead) == ((1, 2), 0x51)


def test_an_old_press_in_between_is_no_failure_of_it() -> None:
    (found,) = spells((0x150, "refused"), (0x0F0, "refused"), (0x100, "refused"), (0x152, "refused"))
    assert (found.failed, found.unsure) == ((1, 4), ())


def test_over_a_gap_it_goes_on_but_is_no_longer_sure() -> None:
    (found,) = spells((0x150, "refused"), (0x160, "refused"), (0x161, "accepted"), (0x162, "accepted"), gap=(1.1, 1.9))
    assert (found.failed, found.unsure, found.back, found.way) == ((1,), (2,), 3, Way.UNKNOWN)


def test_a_press_whose_counter_is_not_shown_is_unsure() -> None:
    (found,) = spells((0x150, "refused"), (None, "refused"), (0x162, "accepted"))
    assert (found.failed, found.unsure, found.way) == ((1,), (2,), Way.UNKNOWN)


def test_a_press_between_two_in_a_row_leaves_the_way_open() -> None:
    (found,) = spells((0x150, "refused"), (0x0FF, "refused"), (0x151, "accepted"))
    assert found.way == Way.UNKNOWN


def test_a_press_that_is_old_in_every_state_is_not_unsure() -> None:
    (found,) = spells((0x150, "refused"), (0x0FF, "refused"), 0x151, (0x100, "refused"), (0x190, "refused"))
    assert (found.failed, found.unsure, found.lead, found.last_lead) == ((1, 5), (3,), 0x50, 0x50)


def test_without_a_certain_lead_nothing_is_told() -> None:
    assert spells(0x0FF, (0x150, "refused"), limits=Limits(16, 32768, None)) == ()


def test_after_a_gap_before_it_nothing_is_told() -> None:
    assert spells((0x150, "refused"), (0x151, "refused"), gap=(0.1, 0.9)) == ()


def test_two_times_are_told_one_by_one() -> None:
    first, second = spells((0x150, "refused"), (0x151, "accepted"), (0x190, "refused"))
    assert (first.back, second.failed, second.lead, second.back) == (2, (3,), 0x3F, None)


def test_the_window_alone_is_enough_to_tell_it() -> None:
    limits = Limits(16, None, 16)
    (found,) = spells((0x150, "refused"), (0x170, "refused"), (0x171, "accepted"), limits=limits)
    assert (found.lead, found.failed, found.way) == (0x50, (1, 2), Way.TWO_IN_A_ROW)
    (other,) = spells((0x150, "refused"), (0x170, "accepted"), limits=limits)
    assert other.way == Way.PROCEDURE


def test_without_the_window_nothing_is_told() -> None:
    assert spells((0x150, "refused"), (0x170, "refused"), limits=Limits(None, 32768, 16)) == ()


def test_a_key_in_step_is_never_desynchronised() -> None:
    assert spells((0x101, "accepted"), (0x101, "refused"), (0x0FF, "refused"), 0x10F, (0x110, "refused")) == ()
    assert desynchronised((), TYPICAL) == ()


def test_round_the_end_two_in_a_row_bring_it_back_too() -> None:
    limits = Limits(16, None, 8)
    seen = [(0xD0, "accepted"), (0xFF, "refused"), (0x00, "accepted")]
    steps = follow([Attempt(at(i), counter, Result(result)) for i, (counter, result) in enumerate(seen)], [], limits)
    (found,) = desynchronised(steps, limits)
    assert (found.lead, found.way) == (0x2F, Way.TWO_IN_A_ROW)


def test_nothing_it_tells_is_a_counter() -> None:
    (found,) = spells((0x100 + 20, "refused"), (0x100 + 30, "refused"), (0x100 + 31, "accepted"))
    numbers = (found.lead, found.last_lead, *found.failed, *found.unsure, found.back)
    assert numbers == (20, 30, 1, 2, 3)
