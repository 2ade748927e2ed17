"""The rolling-code tracker, seeing only what was recorded, never contradicts a decoder that received every press."""

from __future__ import annotations

import copy
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.model.events import Blind, Reason
from latchtrace.model.time import Interval
from latchtrace.rules.trackers.desynchronised import Spell, Way, desynchronised
from latchtrace.rules.trackers.rolling_code import EVERY, Attempt, Limits, Result, Standing, Step, follow, follow_keys
from support.rolling_decoder import Decoder

RUNS = 5000 if os.environ.get("LATCHTRACE_LONG") else 200
BETWEEN = 10
"""Time from one press to the next."""


@dataclass(frozen=True)
class Press:
    """What is done with a key, and how much of it the network shows.

    `how`: forward by `by` presses, back by `by`, or the counter `by` itself. `width` is how uncertain its time is.
    """

    how: str
    by: int
    key: int = 0
    seen: bool = True
    counter: bool = True
    answer: bool = True
    slot: bool = True
    forgets: bool = False
    width: int = 0


def often(chance: float) -> st.SearchStrategy[bool]:
    return st.floats(0, 1, exclude_max=True).map(lambda drawn: drawn < chance)


def one_press(shown: float = 0.8) -> st.SearchStrategy[Press]:
    return st.builds(
        Press,
        how=st.sampled_from(["forward", "forward", "forward", "one", "one", "back", "to"]),
        by=st.integers(0, 63),
        key=st.integers(0, 1),
        seen=often(shown + 0.1),
        counter=often(shown + 0.1),
        answer=often(shown),
        slot=often(shown + 0.1),
        forgets=st.booleans(),
        width=st.integers(0, BETWEEN - 1),
    )


@st.composite
def decoders(draw: st.DrawFn) -> Decoder:
    bits = draw(st.integers(2, 6))
    resync = draw(st.integers(1, 2 ** (bits - 1)))
    window = draw(st.integers(1, resync))
    return Decoder(draw(st.integers(0, 2**bits - 1)), window, resync, 2**bits)


def limits_of(decoder: Decoder, stated: Sequence[bool] = (True, True, True)) -> Limits:
    values = (decoder.window, decoder.resync, decoder.size.bit_length() - 1)
    return Limits(*(value if known else None for value, known in zip(values, stated, strict=True)))


@dataclass(frozen=True)
class Truth:
    """What a press really was."""

    press: Press
    counter: int
    label: str
    accepted: bool
    lead: int
    before: int
    after: int


def really(keys: Sequence[Decoder], presses: Sequence[Press]) -> list[Truth]:
    """Every press received by the decoders; the keys start in step with them."""
    at = [decoder.stored for decoder in keys]
    told = []
    for press in presses:
        decoder = keys[press.key]
        if press.how in ("forward", "one"):
            counter = at[press.key] = (at[press.key] + (1 if press.how == "one" else press.by)) % decoder.size
        else:
            counter = (at[press.key] - press.by if press.how == "back" else press.by) % decoder.size
        before, lead = decoder.stored, decoder.lead(counter)
        label, accepted = decoder.press(counter, press.forgets)
        told.append(Truth(press, counter, label, accepted, lead, before, decoder.stored))
    return told


def recorded(truths: Sequence[Truth]) -> tuple[list[tuple[int | None, Attempt]], list[Blind], list[Truth]]:
    """What the network shows of it: attempts with their slots, unseen spans, and the truths of those with a slot."""
    shown: list[tuple[int | None, Attempt]] = []
    unseen: list[Blind] = []
    kept: list[Truth] = []
    for i, truth in enumerate(truths, 1):
        press, moment = truth.press, BETWEEN * i
        if not press.seen:
            unseen.append(Blind(Interval(moment - 4, moment + 4), Reason.GAP))
            continue
        said = Result("accepted" if truth.accepted else "refused") if press.answer else Result.UNKNOWN
        attempt = Attempt(Interval(moment - press.width, moment), truth.counter if press.counter else None, said)
        shown.append((press.key if press.slot else None, attempt))
        if press.slot:
            kept.append(truth)
    return shown, unseen, kept


def stated_label(truth: Truth, limits: Limits, decoder: Decoder) -> str:
    """What it is called where the second window is not stated: a lead below half of the range is ahead."""
    if limits.resync_window is None and truth.label == "behind" and 2 * truth.lead < decoder.size:
        return "beyond-window"
    return truth.label


def no_contradiction(step: Step, truth: Truth, label: str) -> None:
    assert label in step.possible
    assert step.standing in (Standing.UNKNOWN, label)
    assert (step.reason is None) == (step.standing != Standing.UNKNOWN)
    assert step.expected in (None, truth.accepted)
    assert step.agrees is not False
    assert step.worked in (None, truth.accepted)
    assert step.lead in (None, truth.lead)
    assert step.stored_before in (None, truth.before)
    assert step.stored_after in (None, truth.after)


@settings(max_examples=RUNS, deadline=None)
@given(
    st.lists(decoders(), min_size=2, max_size=2),
    st.lists(one_press(), max_size=30),
    st.tuples(often(0.8), often(0.7), often(0.8)),
)
def test_what_is_said_of_a_recorded_press_is_what_the_decoder_did(
    keys: list[Decoder], presses: list[Press], stated: tuple[bool, bool, bool]
) -> None:
    keys[1] = Decoder(keys[1].stored % keys[0].size, keys[0].window, keys[0].resync, keys[0].size)
    limits = limits_of(keys[0], stated)
    shown, unseen, kept = recorded(really(keys, presses))
    found = follow_keys(shown, unseen, limits)
    for slot in (0, 1):
        truths = [truth for truth in kept if truth.press.key == slot]
        for step, truth in zip(found.get(slot, ()), truths, strict=True):
            no_contradiction(step, truth, stated_label(truth, limits, keys[slot]))


def visible(presses: Sequence[Press]) -> list[Press]:
    """The same presses of one key, nothing of them hidden but the answers of some; the first one is shown accepted."""
    shown = [Press(one.how, one.by, answer=one.answer, forgets=one.forgets) for one in presses]
    return [Press("one", 1), *shown]


def pasts(decoder: Decoder, truths: Sequence[Truth]) -> Iterator[set[str]]:
    """What each press may have been, by every decoder that fits what was shown until then."""
    first = truths[0]
    alive = [Decoder(first.counter, decoder.window, decoder.resync, decoder.size)]
    for truth in truths[1:]:
        labels: set[str] = set()
        after: list[Decoder] = []
        for one in alive:
            for forgets in (False, True):
                tried = copy.copy(one)
                label, accepted = tried.press(truth.counter, forgets)
                labels.add(label)
                if (not truth.press.answer or accepted == truth.accepted) and tried not in after:
                    after.append(tried)
        alive = after
        yield labels


@settings(max_examples=RUNS, deadline=None)
@given(decoders(), st.lists(one_press(0.5), max_size=25))
def test_with_all_presses_and_limits_known_what_is_open_is_exactly_what_decoders_may_differ_in(
    decoder: Decoder, presses: list[Press]
) -> None:
    limits = limits_of(decoder)
    truths = really([decoder], visible(presses))
    shown, _, _ = recorded(truths)
    steps = follow([attempt for _, attempt in shown], [], limits)
    for step, labels in zip(steps[1:], pasts(decoder, truths), strict=True):
        assert {str(one) for one in step.possible} == labels
        assert (step.standing == Standing.UNKNOWN) == (len(labels) > 1)


@settings(max_examples=RUNS, deadline=None)
@given(st.integers(2, 6), st.data())
def test_a_limit_not_stated_leaves_open_exactly_what_decoders_of_any_limit_differ_in(
    bits: int, data: st.DataObject
) -> None:
    size = 2**bits
    stored, counter = (data.draw(st.integers(0, size - 1)) for _ in range(2))
    resync = data.draw(st.none() | st.integers(1, size // 2))
    window = data.draw(st.none() | st.integers(1, resync or size // 2))
    limits = Limits(window, resync, bits)
    labels = set()
    for second in [resync] if resync else range(window or 1, size // 2 + 1):
        for first in [window] if window else range(1, second + 1):
            decoder = Decoder(stored, first, second, size)
            lead = decoder.lead(counter)
            label, accepted = decoder.press(counter)
            labels.add(
                stated_label(Truth(Press("to", 0), counter, label, accepted, lead, stored, stored), limits, decoder)
            )
    told = [Attempt(Interval.at(1), stored, Result.ACCEPTED), Attempt(Interval.at(2), counter)]
    step = follow(told, [], limits)[1]
    assert {str(one) for one in step.possible} == labels


@settings(max_examples=RUNS, deadline=None)
@given(decoders(), st.integers(0, 63), st.integers(0, 63), st.booleans())
def test_at_the_first_press_and_after_a_gap_decoders_of_different_pasts_differ(
    decoder: Decoder, first: int, second: int, gap: bool
) -> None:
    first, second = first % decoder.size, second % decoder.size
    told = [Attempt(Interval.at(10), first, Result.ACCEPTED)] if gap else []
    unseen = [Blind(Interval(12, 18), Reason.LOSS)] if gap else []
    step = follow([*told, Attempt(Interval.at(20), second)], unseen, limits_of(decoder))[-1]
    assert (step.standing, step.possible) == (Standing.UNKNOWN, EVERY)
    assert step.reason == (Reason.LOSS if gap else Reason.UNKNOWN_BEFORE)
    done = set()
    for missed in range(decoder.size):  # one unseen press, accepted, may have left any counter stored
        done.add(Decoder(missed, decoder.window, decoder.resync, decoder.size).press(second)[1])
    assert done == {True, False}


@settings(max_examples=RUNS, deadline=None)
@given(decoders(), st.lists(st.tuples(st.integers(0, 63), st.sampled_from(list(Result))), max_size=25))
def test_the_answer_outranks_whatever_is_thought(decoder: Decoder, told: list[tuple[int, Result]]) -> None:
    attempts = [Attempt(Interval.at(i), counter % decoder.size, result) for i, (counter, result) in enumerate(told)]
    steps = follow(attempts, [], limits_of(decoder))
    for step in steps:
        if step.attempt.result == Result.ACCEPTED:
            assert step.stored_after == step.attempt.counter
        elif step.attempt.result == Result.REFUSED and step.stored_before is not None:
            assert step.stored_after == step.stored_before
    for before, after in pairwise(steps):
        assert before.stored_after == after.stored_before


def true_spells(truths: Sequence[Truth]) -> list[Spell]:
    """When a key was out of step, told from what its decoder did."""
    spells: list[Spell] = []
    begun: list[int] = []
    for i, truth in enumerate(truths):
        if truth.label == "beyond-window":
            begun.append(i)
        if (truth.accepted or i == len(truths) - 1) and begun:
            way = Way.TWO_IN_A_ROW if truth.label == "resynchronised" else Way.WITHIN_WINDOW
            end = (i, moment(i), way) if truth.accepted else (None, None, None)
            spells.append(
                Spell(moment(begun[0]), truths[begun[0]].lead, truths[begun[-1]].lead, tuple(begun), (), True, *end)
            )
            begun = []
    return spells


def moment(place: int) -> Interval:
    return Interval.at(BETWEEN * (place + 1))


@settings(max_examples=RUNS, deadline=None)
@given(decoders(), st.lists(one_press(), max_size=30))
def test_with_every_answer_shown_the_times_out_of_step_are_those_of_the_decoder(
    decoder: Decoder, presses: list[Press]
) -> None:
    limits = limits_of(decoder)
    truths = really([decoder], [Press("one", 1), *(Press(one.how, one.by) for one in presses)])
    shown, _, _ = recorded(truths)
    found = desynchronised(follow([attempt for _, attempt in shown], [], limits), limits)
    true = true_spells(truths)
    if all(truth.label not in ("repeat", "behind") for truth in truths):
        assert list(found) == true
    assert [replace(one, way=None) for one in found] == [replace(one, way=None) for one in true]
