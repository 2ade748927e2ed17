"""The standing of a rolling counter: the published acceptance window, and what a capture leaves open."""

from __future__ import annotations

import pytest

from latchtrace.model.events import Blind, Reason
from latchtrace.model.time import SECOND, Interval
from latchtrace.rules.trackers.rolling_code import (
    EVERY,
    Attempt,
    Limits,
    Result,
    Standing,
    Step,
    follow,
    follow_keys,
)
from support.rolling_decoder import Decoder

TYPICAL = Limits(window=16, resync_window=32768, bits=16)
WINDOW_16K = Limits(window=16, resync_window=16384, bits=16)
ACCEPTS = {"next", "in-window", "resynchronised"}


def attempt(second: float, counter: int | None, result: str = "unknown") -> Attempt:
    return Attempt(Interval.at(round(second * SECOND)), counter, Result(result))


def presses(*told: tuple[int | None, str] | int) -> list[Attempt]:
    """One press a second; a number alone is one whose answer is not shown."""
    pairs = [(one, "unknown") if isinstance(one, int) else one for one in told]
    return [attempt(i + 1, counter, result) for i, (counter, result) in enumerate(pairs)]


def steps(*told: tuple[int | None, str] | int, limits: Limits = TYPICAL, unseen: tuple[Blind, ...] = ()) -> list[Step]:
    return list(follow(presses(*told), unseen, limits))


def blind(lo: float, hi: float, reason: Reason = Reason.GAP) -> Blind:
    return Blind(Interval(round(lo * SECOND), round(hi * SECOND)), reason)


# Code-hopping encoder and decoder datasheets: HCS410 4.3.1, HCS515 3.4, HCS500 3.5, HCS360 7.3 ("within a window of
# say 16", "double operation window of say 32K", "Blocked (32K Codes)"). The text of HCS500 3.5 says 32K, its figure
# 3-2 says 16K: the last entry. That an accepted press forgets the held one is a choice of ours; 0x8100 against 0x0100
# lies exactly on the border, which no datasheet decides: here `resync_window` does.
PUBLISHED = {
    "6.1 the next one": (TYPICAL, 0x0100, [(0x0101, "next")], 0x0101),
    "6.2 at the edge of the window": (TYPICAL, 0x0100, [(0x0110, "in-window")], 0x0110),
    "6.3 just beyond it": (TYPICAL, 0x0100, [(0x0111, "beyond-window")], 0x0100),
    "6.4 two in a row": (TYPICAL, 0x0100, [(0x0150, "beyond-window"), (0x0151, "resynchronised")], 0x0151),
    "6.5 two, then one in a row": (
        TYPICAL,
        0x0100,
        [(0x0150, "beyond-window"), (0x0152, "beyond-window"), (0x0153, "resynchronised")],
        0x0153,
    ),
    "6.6 the same again": (TYPICAL, 0x0100, [(0x0101, "next"), (0x0101, "repeat")], 0x0101),
    "6.7 an old one": (TYPICAL, 0x0100, [(0x00FF, "behind")], 0x0100),
    "6.8 round the end": (TYPICAL, 0xFFFE, [(0xFFFF, "next"), (0x0000, "next"), (0x0001, "next")], 0x0001),
    "6.9 the window round the end": (TYPICAL, 0xFFF8, [(0x0008, "in-window")], 0x0008),
    "6.9 beyond it round the end": (TYPICAL, 0xFFF8, [(0x0009, "beyond-window")], 0xFFF8),
    "6.10 below half of the range": (TYPICAL, 0x0100, [(0x80FF, "beyond-window")], 0x0100),
    "6.10 exactly half of the range": (TYPICAL, 0x0100, [(0x8100, "beyond-window")], 0x0100),
    "6.10 above half of the range": (TYPICAL, 0x0100, [(0x8101, "behind")], 0x0100),
    "6.10 exactly half, the border on the other side": (Limits(16, 32767, 16), 0x0100, [(0x8100, "behind")], 0x0100),
    "6.11 16K, its edge": (WINDOW_16K, 0x0100, [(0x4100, "beyond-window")], 0x0100),
    "6.11 16K, beyond": (WINDOW_16K, 0x0100, [(0x4101, "behind")], 0x0100),
    "6.12 one inside the window between": (
        TYPICAL,
        0x0100,
        [(0x0150, "beyond-window"), (0x0105, "in-window"), (0x0151, "beyond-window")],
        0x0105,
    ),
}


@pytest.mark.parametrize("row", PUBLISHED)
@pytest.mark.parametrize("shown", [True, False], ids=["answers shown", "answers not shown"])
def test_a_published_acceptance_holds(row: str, shown: bool) -> None:
    limits, stored, told, finally_stored = PUBLISHED[row]
    answers = [("accepted" if name in ACCEPTS else "refused") if shown else "unknown" for _, name in told]
    found = steps(
        (stored, "accepted"), *((counter, answer) for (counter, _), answer in zip(told, answers, strict=True)),
        limits=limits,
    )[1:]  # fmt: skip
    assert [str(step.standing) for step in found] == [name for _, name in told]
    assert [step.expected for step in found] == [name in ACCEPTS for _, name in told]
    assert found[-1].stored_after == finally_stored
    assert {step.agrees for step in found} == {True if shown else None}


@pytest.mark.parametrize("row", PUBLISHED)
def test_the_reference_decoder_of_these_tests_does_what_is_published(row: str) -> None:
    limits, stored, told, finally_stored = PUBLISHED[row]
    assert limits.window is not None and limits.resync_window is not None
    decoder = Decoder(stored, limits.window, limits.resync_window, 65536)
    assert [decoder.press(counter)[0] for counter, _ in told] == [name for _, name in told]
    assert decoder.stored == finally_stored


# 6.13: presses out of the recorder's sight are legal, so nothing is certain until the stored value is seen again.
@pytest.mark.parametrize("counter", [0x0100, 0x0101, 0x0110, 0x0111, 0x0150, 0x8101, 0x00FF])
def test_after_a_gap_nothing_is_certain(counter: int) -> None:
    found = steps((0x0100, "accepted"), (counter, "refused"), unseen=(blind(1.2, 1.8),))[1]
    assert (found.standing, found.reason, found.possible) == (Standing.UNKNOWN, Reason.GAP, EVERY)
    assert (found.lead, found.expected, found.agrees) == (None, None, None)
    assert (found.stored_before, found.stored_after, found.last_stored) == (None, None, 0x0100)


def test_after_a_gap_an_accepted_press_makes_all_certain_again() -> None:
    found = steps((0x100, "accepted"), (0x150, "accepted"), (0x151, "refused"), unseen=(blind(1.2, 1.8),))
    assert (found[1].standing, found[1].agrees) == (Standing.UNKNOWN, None)
    assert (found[2].standing, found[2].lead, found[2].agrees) == (Standing.NEXT, 1, False)


def test_two_in_a_row_over_a_gap_are_not_two_in_a_row() -> None:
    found = steps((0x100, "accepted"), (0x150, "refused"), (0x151, "refused"), unseen=(blind(2.2, 2.8),))
    assert (found[1].standing, found[2].standing, found[2].reason) == ("beyond-window", "unknown", Reason.GAP)


@pytest.mark.parametrize(
    ("lo", "hi", "certain"),
    [
        (0, 0.9, True),  # before the first
        (0, 1, True),  # the first is what ended it
        (0, 1.1, False),
        (1.1, 1.9, False),
        (1.5, 1.5, False),
        (1.9, 3, False),
        (2, 3, True),  # begins with the second
        (2.1, 3, True),
    ],
)
def test_only_what_could_come_between_two_presses_hides_the_stored_counter(lo: float, hi: float, certain: bool) -> None:
    found = steps((0x100, "accepted"), 0x101, unseen=(blind(lo, hi, Reason.LOSS),))[1]
    assert (found.standing, found.reason) == (
        (Standing.NEXT, None) if certain else (Standing.UNKNOWN, Reason.LOSS)
    )  # fmt: skip


def test_presses_are_ordered_by_when_they_were_seen() -> None:
    wide = [
        Attempt(Interval(SECOND, 3 * SECOND), 0x100, Result.ACCEPTED),
        Attempt(Interval(3 * SECOND, 4 * SECOND), 0x101),
    ]
    assert follow(wide, [blind(1.5, 2.5)], TYPICAL)[1].standing == Standing.NEXT
    assert follow(wide, [blind(2.5, 3.5)], TYPICAL)[1].reason == Reason.GAP


def test_a_gap_inside_a_longer_one_does_not_end_it() -> None:
    spans = (blind(1.2, 5), blind(1.3, 1.5, Reason.LOSS))
    found = steps((0x100, "accepted"), (0x101, "accepted"), 0x102, (0x103, "accepted"), 0x104, unseen=spans)
    assert [step.standing for step in found[2:]] == ["unknown", "unknown", "unknown"]
    assert {step.reason for step in found[1:]} == {Reason.GAP}


def test_the_first_press_of_a_key_has_nothing_to_stand_against() -> None:
    first, second, third = steps((7, "refused"), (8, "accepted"), (9, "accepted"), unseen=(blind(1.2, 1.8),))
    assert (first.standing, first.reason, first.stored_after) == ("unknown", Reason.UNKNOWN_BEFORE, None)
    assert (second.standing, second.reason, second.stored_after) == ("unknown", Reason.UNKNOWN_BEFORE, 8)
    assert (third.standing, third.stored_before, third.last_stored) == ("next", 8, 8)


def test_without_any_answer_nothing_is_ever_known() -> None:
    assert {step.reason for step in steps(7, 8, 9, 10)} == {Reason.UNKNOWN_BEFORE}


@pytest.mark.parametrize("counter", [None, 0x10000, -1])
def test_a_counter_that_is_not_shown_or_does_not_fit_stands_nowhere(counter: int | None) -> None:
    for result, after in (("accepted", None), ("unknown", None), ("refused", 0x100)):
        found = steps((0x100, "accepted"), (counter, result), 0x101)
        assert (found[1].standing, found[1].reason, found[1].lead) == ("unknown", Reason.NOT_VISIBLE, None)
        assert (found[1].stored_before, found[1].stored_after) == (0x100, after)
        expected = ("next", None) if result == "refused" else ("unknown", Reason.NOT_VISIBLE)
        assert (found[2].standing, found[2].reason) == expected


def test_the_first_press_accepted_with_a_counter_that_is_not_shown_hides_what_is_stored() -> None:
    found = steps((None, "accepted"), (8, "refused"))
    assert (found[1].standing, found[1].last_stored) == ("unknown", None)


def test_a_press_whose_counter_is_not_shown_does_not_hide_more_than_is_hidden() -> None:
    assert steps((None, "refused"), 8)[1].reason == Reason.UNKNOWN_BEFORE
    found = steps((0x100, "accepted"), 0x101, (None, "refused"), 0x102, unseen=(blind(1.2, 1.8),))
    assert found[3].reason == Reason.GAP


def test_a_refused_press_whose_counter_is_not_shown_may_have_been_the_first_of_two() -> None:
    found = steps((0x100, "accepted"), (None, "refused"), 0x150)[2]
    assert found.possible == {Standing.BEYOND_WINDOW, Standing.RESYNCHRONISED}
    assert (found.reason, found.lead, found.expected) == (Reason.NOT_VISIBLE, 0x50, None)


@pytest.mark.parametrize("between", [0x0100, 0x00FF])
@pytest.mark.parametrize("answer", ["refused", "unknown"])
def test_a_press_between_two_in_a_row_leaves_open_whether_they_are(between: int, answer: str) -> None:
    found = steps((0x0100, "accepted"), 0x0150, (between, answer), 0x0151, 0x0152)
    assert found[3].possible == {Standing.BEYOND_WINDOW, Standing.RESYNCHRONISED}
    assert (found[3].reason, found[3].expected) == (Reason.UNKNOWN_BEFORE, None)
    assert found[4].possible == {Standing.NEXT, Standing.RESYNCHRONISED}
    assert (found[4].expected, found[4].lead, found[4].stored_after) == (True, None, 0x0152)


def test_the_same_press_again_is_not_the_second_of_two_in_a_row() -> None:
    found = steps((0x0100, "accepted"), 0x0150, 0x0150, 0x0151)
    assert [step.standing for step in found[1:]] == ["beyond-window", "beyond-window", "resynchronised"]


def test_the_answer_tells_which_of_two_it_was() -> None:
    told: list[tuple[int | None, str] | int] = [(0x0100, "accepted"), 0x0150, 0x00FF]
    refused, accepted = steps(*told, (0x0151, "refused"), 0x0152), steps(*told, (0x0151, "accepted"), 0x0152)
    assert (refused[4].standing, refused[4].stored_before) == ("resynchronised", 0x0100)
    assert (accepted[4].standing, accepted[4].stored_before) == ("next", 0x0151)


def test_what_the_decoder_accepts_is_stored_whatever_was_thought() -> None:
    for counter, standing in ((0x150, "beyond-window"), (0x100, "repeat"), (0xFF, "behind")):
        found = steps((0x100, "accepted"), (counter, "accepted"), counter + 1)
        assert (found[1].standing, found[1].agrees, found[1].stored_after) == (standing, False, counter)
        assert found[2].standing == "next"


def test_what_the_decoder_refuses_is_not_stored_whatever_was_thought() -> None:
    found = steps((0x100, "accepted"), (0x101, "refused"), 0x102)
    assert (found[1].standing, found[1].agrees, found[1].worked) == ("next", False, False)
    assert (found[2].standing, found[2].lead, found[2].stored_before) == ("in-window", 2, 0x100)


def test_after_a_refusal_that_nothing_explains_it_is_open_what_is_held() -> None:
    found = steps((0x100, "accepted"), (0x101, "refused"), 0x150)[2]
    assert found.possible == {Standing.BEYOND_WINDOW, Standing.RESYNCHRONISED}
    assert found.reason == Reason.UNKNOWN_BEFORE


# Which limit decides what, where one is not stated.
@pytest.mark.parametrize(
    ("limits", "counter", "possible"),
    [
        (Limits(None, 32768, 16), 0x0100, {"repeat"}),
        (Limits(None, 32768, 16), 0x0101, {"next"}),
        (Limits(None, 32768, 16), 0x0102, {"in-window", "beyond-window"}),
        (Limits(None, 32768, 16), 0x8100, {"in-window", "beyond-window"}),
        (Limits(None, 32768, 16), 0x8101, {"behind"}),
        (Limits(16, None, 16), 0x0110, {"in-window"}),
        (Limits(16, None, 16), 0x0111, {"beyond-window"}),
        (Limits(16, None, 16), 0x80FF, {"beyond-window"}),
        (Limits(16, None, 16), 0x8100, {"beyond-window", "behind"}),
        (Limits(16, None, 16), 0x8101, {"behind"}),
        (Limits(None, None, 16), 0x80FF, {"in-window", "beyond-window"}),
        (Limits(None, None, 16), 0x8100, {"in-window", "beyond-window", "behind"}),
        (Limits(None, None, 16), 0x8101, {"behind"}),
        (Limits(16, 32768, None), 0x0110, {"in-window"}),
        (Limits(16, 32768, None), 0x0111, {"beyond-window"}),
        (Limits(16, 32768, None), 0x8101, {"behind"}),
        (Limits(16, 32768, None), 0x00FF, {"next", "in-window", "beyond-window", "behind"}),
        (Limits(16, None, None), 0x0111, {"beyond-window", "behind"}),
        (Limits(), 0x0101, {"next"}),
        (Limits(), 0x0100, {"repeat"}),
        (Limits(0, 100, 16), 0x0101, {"beyond-window"}),
        (Limits(16, 8, 16), 0x010C, {"in-window"}),
        (Limits(16, 8, 16), 0x0111, {"behind"}),
    ],
)
def test_a_limit_that_is_not_stated_leaves_open_what_it_would_decide(
    limits: Limits, counter: int, possible: set[str]
) -> None:
    found = steps((0x0100, "accepted"), counter, limits=limits)[1]
    assert {str(one) for one in found.possible} == possible
    assert found.reason == (None if len(possible) == 1 else Reason.LIMIT_NOT_STATED)


def test_without_a_second_window_two_in_a_row_may_or_may_not_be_accepted() -> None:
    found = steps((0x100, "accepted"), 0x150, 0x151, limits=Limits(16, None, 16))[2]
    assert found.possible == {Standing.BEYOND_WINDOW, Standing.RESYNCHRONISED}
    assert (found.reason, found.lead) == (Reason.LIMIT_NOT_STATED, 0x51)


def test_without_the_bits_the_press_after_the_highest_held_one_may_be_its_next() -> None:
    found = steps((0x10, "accepted"), (0xFF, "refused"), (0x00, "unknown"), limits=Limits(16, 32768, None))[2]
    assert Standing.RESYNCHRONISED in found.possible


def test_what_a_missing_limit_leaves_open_stays_open_with_its_reason() -> None:
    found = steps((0x100, "accepted"), 0x140, 0x142, limits=Limits(None, 32768, 16))
    assert [(step.standing, step.reason) for step in found[1:]] == [("unknown", Reason.LIMIT_NOT_STATED)] * 2
    assert (found[2].stored_before, found[2].lead, found[2].last_stored) == (None, None, 0x100)


def test_presses_that_stand_differently_in_different_states_carry_the_reason_of_these() -> None:
    found = steps((0x100, "accepted"), 0x140, 0x100, limits=Limits(None, 32768, 16))[2]
    assert found.possible == {Standing.REPEAT, Standing.BEHIND}
    assert found.reason == Reason.LIMIT_NOT_STATED


def test_an_accepted_press_ends_the_reason_too() -> None:
    told: list[tuple[int | None, str] | int] = [(0x90, "accepted"), (0x0100, "accepted"), 0x0150, 0x00FF, 0x0151]
    assert steps(*told, unseen=(blind(1.2, 1.8),))[4].reason == Reason.UNKNOWN_BEFORE


def test_too_many_possible_states_count_as_nothing_known() -> None:
    told = [(0x100, "accepted"), *range(0x110, 0x110 + 3 * 300, 3)]
    found = steps(*told, (0x2000, "accepted"), 0x2001, limits=Limits(None, 32768, 16))
    assert (found[-3].possible, found[-3].reason) == (EVERY, Reason.LIMIT_NOT_STATED)
    assert found[-1].standing == "next"


@pytest.mark.parametrize("bits", [0, -1, 65, 10**9])
def test_a_counter_of_no_possible_length_is_refused(bits: int) -> None:
    with pytest.raises(ValueError, match="state 1 to 64"):
        Limits(bits=bits)


def test_each_key_has_a_stored_counter_of_its_own() -> None:
    told: list[tuple[int | str | None, Attempt]] = [
        (1, attempt(1, 0x100, "accepted")),
        ("two", attempt(2, 0x900, "accepted")),
        (1, attempt(3, 0x101, "accepted")),
        ("two", attempt(4, 0x950, "refused")),
    ]
    found = follow_keys(told, [], TYPICAL)
    assert [step.standing for step in found[1]] == ["unknown", "next"]
    assert [(step.standing, step.lead) for step in found["two"]] == [("unknown", None), ("beyond-window", 0x50)]


@pytest.mark.parametrize(
    ("answer", "expected"), [("accepted", "unknown"), ("unknown", "unknown"), ("refused", "next")]
)  # fmt: skip
def test_a_press_of_no_known_key_may_be_any_key_s(answer: str, expected: str) -> None:
    told = [(1, attempt(1, 0x100, "accepted")), (None, attempt(2, 0x101, answer)), (1, attempt(3, 0x101))]
    found = follow_keys(told, [], TYPICAL)[1]
    assert len(found) == 2
    assert found[1].standing == expected
    assert found[1].reason == (Reason.NOT_VISIBLE if expected == "unknown" else None)


def test_presses_of_no_known_key_alone_are_nobody_s() -> None:
    assert follow_keys([(None, attempt(1, 7, "accepted"))], [], TYPICAL) == {}
    assert follow([], [blind(1, 2)], TYPICAL) == ()


def test_no_counter_shows_in_what_is_printed() -> None:
    found = steps((54321, "accepted"), (54399, "refused"))
    text = repr(found) + str(found[1])
    assert "54321" not in text
    assert "54399" not in text
    assert "lead=78" in text
