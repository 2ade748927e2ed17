"""Temporal operators over three-valued signals against their definitions, read out instant by instant."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.time import Interval, Truth
from latchtrace.rules import signals
from latchtrace.rules.signals import Events, Signal, Spans

LENGTH = 24
FAR = 40
"""Beyond this every signal of these tests is the same for ever, so "without end" need not look farther."""

values = st.lists(st.sampled_from(list(Truth)), min_size=LENGTH, max_size=LENGTH)
bounds = st.tuples(st.integers(0, 6), st.one_of(st.none(), st.integers(0, 8))).map(
    lambda pair: (pair[0], None if pair[1] is None else pair[0] + pair[1])
)
Trace = list[Truth]


def signal(trace: Trace) -> Signal:
    """The trace at instants 0, 1, …; UNKNOWN before and after."""
    return signals.from_steps(list(enumerate(trace)), 0, len(trace) - 1)


def value(trace: Trace, t: int) -> Truth:
    """The same, one instant."""
    return trace[t] if 0 <= t < len(trace) else Truth.UNKNOWN


def any_of(found: list[Truth]) -> Truth:
    """Or."""
    return max(found, key=lambda one: one.value, default=Truth.NO)


def all_of(found: list[Truth]) -> Truth:
    """And."""
    return min(found, key=lambda one: one.value, default=Truth.YES)


def same(made: Signal, expected: Callable[[int], Truth]) -> None:
    """Equal at every instant around the traces."""
    for t in range(-FAR // 2, LENGTH + FAR // 2):
        assert (t, made.at(t)) == (t, expected(t))


@given(values)
def test_a_signal_holds_its_steps_and_is_unknown_outside(trace: Trace) -> None:
    same(signal(trace), lambda t: value(trace, t))


@given(values, values)
def test_logic_is_kleenes_at_every_instant(p: Trace, q: Trace) -> None:
    same(signals.conjunction(signal(p), signal(q)), lambda t: value(p, t) & value(q, t))
    same(signals.disjunction(signal(p), signal(q)), lambda t: value(p, t) | value(q, t))
    same(signals.implication(signal(p), signal(q)), lambda t: ~value(p, t) | value(q, t))


@given(values, bounds)
def test_future_and_past_operators_follow_their_definitions(p: Trace, window: tuple[int, int | None]) -> None:
    lo, hi = window
    later = range(lo, (FAR * 2 if hi is None else hi) + 1)
    same(signals.eventually(signal(p), lo, hi), lambda t: any_of([value(p, t + d) for d in later]))
    same(signals.always(signal(p), lo, hi), lambda t: all_of([value(p, t + d) for d in later]))
    same(signals.once(signal(p), lo, hi), lambda t: any_of([value(p, t - d) for d in later]))
    same(signals.historically(signal(p), lo, hi), lambda t: all_of([value(p, t - d) for d in later]))


@given(values, values, bounds)
def test_until_follows_its_definition(p: Trace, q: Trace, window: tuple[int, int | None]) -> None:
    lo, hi = window
    later = range(lo, (FAR * 2 if hi is None else hi) + 1)

    def expected(t: int) -> Truth:
        return any_of([value(q, t + d) & all_of([value(p, t + e) for e in range(d)]) for d in later])

    same(signals.until(signal(p), signal(q), lo, hi), expected)


@given(values, values)
def test_weak_until_is_until_or_for_ever(p: Trace, q: Trace) -> None:
    made = signals.weak_until(signal(p), signal(q))
    strong, ever = signals.until(signal(p), signal(q)), signals.always(signal(p))
    same(made, lambda t: strong.at(t) | ever.at(t))


@given(values, st.integers(-5, LENGTH), st.integers(0, 8))
def test_over_a_span_only_what_holds_throughout_is_certain(p: Trace, lo: int, width: int) -> None:
    inside = {value(p, t) for t in range(lo, lo + width + 1)}
    expected = inside.pop() if len(inside) == 1 else Truth.UNKNOWN
    assert signal(p).over(Interval(lo, lo + width)) is expected


@given(values, values, bounds)
def test_knowing_less_never_decides_otherwise(p: Trace, mask: Trace, window: tuple[int, int | None]) -> None:
    """A gap turns YES and NO into UNKNOWN at most, through every operator."""
    lo, hi = window
    hidden = [Truth.UNKNOWN if cover is Truth.UNKNOWN else one for one, cover in zip(p, mask, strict=True)]
    for operator in (signals.eventually, signals.always, signals.once, signals.historically):
        whole, less = operator(signal(p), lo, hi), operator(signal(hidden), lo, hi)
        for t in range(-5, LENGTH + 5):
            assert less.at(t) in (whole.at(t), Truth.UNKNOWN)


happenings = st.lists(
    st.tuples(st.integers(0, LENGTH), st.integers(0, 4), st.booleans()).map(lambda e: (e[0], e[0] + e[1], e[2])),
    max_size=5,
).map(sorted)


@given(happenings, st.lists(st.tuples(st.integers(0, LENGTH), st.integers(0, 3)), max_size=2), bounds)
def test_an_event_is_certain_in_a_window_that_holds_its_whole_span(
    happened: list[tuple[int, int, bool]], holes: list[tuple[int, int]], window: tuple[int, int | None]
) -> None:
    lo, hi = window[0], FAR * 2 if window[1] is None else window[1]
    hidden = Spans.of((a, a + width) for a, width in holes)
    events = Events(
        np.array([one[0] for one in happened], np.int64),
        np.array([one[1] for one in happened], np.int64),
        np.array([one[2] for one in happened], np.bool_),
        hidden,
    )

    def expected(a: int, b: int) -> Truth:
        if any(sure and a <= first and last <= b for first, last, sure in happened):
            return Truth.YES
        near = any(first <= b and last >= a for first, last, _ in happened)
        unseen = any(a <= y and x <= b for x, y in zip(hidden.lo.tolist(), hidden.hi.tolist(), strict=True))
        return Truth.UNKNOWN if near or unseen else Truth.NO

    same(events.eventually(*window), lambda t: expected(t + lo, t + hi))
    same(events.once(*window), lambda t: expected(t - hi, t - lo))
