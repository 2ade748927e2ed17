"""Three-valued step signals over whole nanoseconds, and the temporal operators that rule patterns are made of.

A signal is NO, UNKNOWN or YES at every instant, for ever in both directions: what was not recorded is UNKNOWN, so a
verdict at the end of a capture is undecided where the rest could change it, as in LTL3 (Bauer, Leucker & Schallhart,
ACM TOSEM 20(4), 2011). Operators are those of metric temporal logic with closed bounds, in Kleene's logic: an operator
is YES (NO) where it is so whatever the UNKNOWN instants were. All are monotone, so they work level by level: once on
the instants that are surely true, once on those that are possibly true.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from latchtrace.model.time import Interval, Truth

Times = npt.NDArray[np.int64]
Levels = npt.NDArray[np.int8]
Flags = npt.NDArray[np.bool_]

FOREVER = 2**62
"""Stands for the end (and, negative, the beginning) of time; bounds and captures stay far inside it."""

_SURE, _POSSIBLE = 2, 1


@dataclass(frozen=True, slots=True)
class Spans:
    """Disjoint closed spans of instants in order: `lo` and `hi` of equal length, with lo[i] <= hi[i] < lo[i+1] - 1."""

    lo: Times
    hi: Times

    @classmethod
    def of(cls, pairs: Iterable[tuple[int, int]]) -> Spans:
        """Spans from any pairs; those that touch or overlap become one, empty ones vanish."""
        kept = sorted((lo, hi) for lo, hi in pairs if lo <= hi)
        lo = np.array([pair[0] for pair in kept], np.int64)
        hi = np.array([pair[1] for pair in kept], np.int64)
        return merged(lo, hi)

    def __len__(self) -> int:
        return len(self.lo)


def merged(lo: Times, hi: Times) -> Spans:
    """Spans from columns sorted by `lo`; those that touch or overlap become one, empty ones vanish."""
    full = lo <= hi
    lo, hi = lo[full], hi[full]
    if not len(lo):
        return Spans(lo, hi)
    reach = np.maximum.accumulate(hi)
    first = np.concatenate(([True], lo[1:] > reach[:-1] + 1))
    at = np.flatnonzero(first)
    last = np.concatenate((at[1:] - 1, [len(lo) - 1]))
    return Spans(lo[at], reach[last])


def union(spans: Spans, lo: Times, hi: Times) -> Spans:
    """Spans and more of them."""
    return _ordered(np.concatenate((spans.lo, lo)), np.concatenate((spans.hi, hi)))


@dataclass(frozen=True, slots=True)
class Signal:
    """A truth value for every instant: `level[i]` (0 NO, 1 UNKNOWN, 2 YES) from `start[i]` until the next start.

    `start[0]` is the beginning of time. Neighbouring levels differ.
    """

    start: Times
    level: Levels

    def spans(self, at_least: int) -> Spans:
        """Where the level is at least this."""
        on = self.level >= at_least
        edges = np.flatnonzero(np.diff(on)) + 1
        bounds = np.concatenate(([0], edges))
        chosen = bounds[on[bounds]]
        ends = np.concatenate((self.start[edges] - 1, [FOREVER]))[on[bounds]]
        return Spans(self.start[chosen], ends.astype(np.int64))

    def at(self, moment: int) -> Truth:
        """The value at one instant."""
        return Truth(int(self.level[np.searchsorted(self.start, moment, side="right") - 1]))

    def over(self, span: Interval) -> Truth:
        """The value at some instant of the span that is not known more exactly: YES or NO only where all agree."""
        low, high = self.range(np.array([span.lo], np.int64), np.array([span.hi], np.int64))
        return Truth(int(low[0])) if low[0] == high[0] else Truth.UNKNOWN

    def range(self, lo: Times, hi: Times) -> tuple[Levels, Levels]:
        """Lowest and highest level within each closed span [lo, hi]."""
        first = np.searchsorted(self.start, lo, side="right") - 1
        last = np.searchsorted(self.start, hi, side="right")
        padded = np.append(self.level, self.level[-1])
        pairs = np.stack((first, last), axis=1).ravel()
        low = np.minimum.reduceat(padded, pairs)[::2]
        high = np.maximum.reduceat(padded, pairs)[::2]
        return low.astype(np.int8), high.astype(np.int8)


def constant(value: Truth) -> Signal:
    """The same for ever."""
    return Signal(np.array([-FOREVER], np.int64), np.array([value.value], np.int8))


def from_spans(sure: Spans, possible: Spans) -> Signal:
    """YES inside `sure`, UNKNOWN inside the rest of `possible`, NO elsewhere."""
    edges = np.unique(np.concatenate(([-FOREVER], sure.lo, sure.hi + 1, possible.lo, possible.hi + 1)))
    edges = edges[edges <= FOREVER]
    level = np.maximum(_inside(edges, possible) * _POSSIBLE, _inside(edges, sure) * _SURE).astype(np.int8)
    return _compact(edges, level)


def from_possible(yes: Spans, no: Spans) -> Signal:
    """From where it may be so and where it may be otherwise: YES or NO where only one is possible, else UNKNOWN."""
    edges = np.unique(np.concatenate(([-FOREVER], yes.lo, yes.hi + 1, no.lo, no.hi + 1)))
    edges = edges[edges <= FOREVER]
    may, may_not = _inside(edges, yes), _inside(edges, no)
    return _compact(edges, (1 + may - may_not).astype(np.int8))


def from_steps(steps: Sequence[tuple[int, Truth]], begin: int, end: int) -> Signal:
    """A step-held recording from `begin` to `end` (both included); UNKNOWN before and after."""
    times = np.array([t for t, _ in steps], np.int64)
    return from_columns(times, np.array([value.value for _, value in steps], np.int8), begin, end)


def from_columns(times: Times, levels: Levels, begin: int, end: int) -> Signal:
    """The same from columns: `levels[i]` holds from `times[i]` (in order) on."""
    start, level = [np.maximum(times, begin)], [levels]
    if not len(times) or times[0] > begin:
        start.insert(0, np.array([begin], np.int64))
        level.insert(0, np.array([Truth.UNKNOWN.value], np.int8))
    ends = np.array([-FOREVER], np.int64), np.array([end + 1], np.int64)
    unknown = np.array([Truth.UNKNOWN.value], np.int8)
    return _compact(np.concatenate((ends[0], *start, ends[1])), np.concatenate((unknown, *level, unknown)))


def _inside(moments: Times, spans: Spans) -> npt.NDArray[np.int8]:
    at = np.searchsorted(spans.lo, moments, side="right") - 1
    if not len(spans):
        return np.zeros(len(moments), np.int8)
    return ((at >= 0) & (moments <= spans.hi[at])).astype(np.int8)


def _compact(start: Times, level: Levels) -> Signal:
    """Drop what a later step of the same instant overrides, and steps that change nothing."""
    last = np.append(start[1:] != start[:-1], True)
    start, level = start[last], level[last]
    keep = np.concatenate(([True], level[1:] != level[:-1]))
    return Signal(start[keep], level[keep])


# logic


def negation(signal: Signal) -> Signal:
    """Not."""
    return Signal(signal.start, (2 - signal.level).astype(np.int8))


def conjunction(*signals: Signal) -> Signal:
    """And, of any number (of none: YES)."""
    return _joined(signals, np.minimum, Truth.YES)


def disjunction(*signals: Signal) -> Signal:
    """Or, of any number (of none: NO)."""
    return _joined(signals, np.maximum, Truth.NO)


def implication(premise: Signal, conclusion: Signal) -> Signal:
    """If the premise, then the conclusion."""
    return disjunction(negation(premise), conclusion)


def _joined(signals: Sequence[Signal], combine: np.ufunc, neutral: Truth) -> Signal:
    if not signals:
        return constant(neutral)
    start = np.unique(np.concatenate([signal.start for signal in signals]))
    level = signals[0].level[np.searchsorted(signals[0].start, start, side="right") - 1]
    for signal in signals[1:]:
        level = combine(level, signal.level[np.searchsorted(signal.start, start, side="right") - 1])
    return _compact(start, level)


def mirrored(signal: Signal) -> Signal:
    """The signal read backwards in time, so that operators of the future become those of the past."""
    sure, possible = (signal.spans(level) for level in (_SURE, _POSSIBLE))
    return from_spans(_flipped(sure), _flipped(possible))


def _flipped(spans: Spans) -> Spans:
    return Spans(-spans.hi[::-1], -spans.lo[::-1])


# time; bounds in nanoseconds, closed, None for "without end"


def eventually(signal: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """F[lo,hi]: at some instant from `lo` to `hi` later."""
    reach = FOREVER if hi is None else hi
    return _shifted(signal, -reach, -lo)


def always(signal: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """G[lo,hi]: at every instant from `lo` to `hi` later."""
    return negation(eventually(negation(signal), lo, hi))


def once(signal: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """O[lo,hi]: at some instant from `hi` to `lo` earlier."""
    return _shifted(signal, lo, FOREVER if hi is None else hi)


def historically(signal: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """H[lo,hi]: at every instant from `hi` to `lo` earlier."""
    return negation(once(negation(signal), lo, hi))


def _shifted(signal: Signal, before: int, after: int) -> Signal:
    """Each true span grown: its start moved by `before`, its end by `after`."""
    grown = []
    for at_least in (_SURE, _POSSIBLE):
        spans = signal.spans(at_least)
        grown.append(merged(_moved(spans.lo, before), _moved(spans.hi, after)))
    return from_spans(grown[0], grown[1])


def _moved(times: Times, by: int) -> Times:
    """Times moved, the ends of time staying where they are."""
    fixed = (times <= -FOREVER) | (times >= FOREVER)
    return np.where(fixed, times, np.clip(times + np.int64(by), -FOREVER, FOREVER))


def until(holds: Signal, reached: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """Holds U[lo,hi] reached: `reached` at some instant from `lo` to `hi` later, and `holds` at all before it."""
    reach = FOREVER if hi is None else hi
    found = [_until(holds.spans(level), reached.spans(level), lo, reach) for level in (_SURE, _POSSIBLE)]
    return from_spans(found[0], found[1])


def since(holds: Signal, began: Signal, lo: int = 0, hi: int | None = None) -> Signal:
    """Holds S[lo,hi] began: `began` at some instant from `hi` to `lo` earlier, and `holds` at all after it."""
    return mirrored(until(mirrored(holds), mirrored(began), lo, hi))


def weak_until(holds: Signal, reached: Signal) -> Signal:
    """Holds W reached: `holds` until `reached`, or for ever."""
    return disjunction(until(holds, reached), always(holds))


def _until(holds: Spans, reached: Spans, lo: int, hi: int) -> Spans:
    """Where until holds, from the spans where its parts do."""
    starts, ends = [], []
    if lo == 0:
        starts.append(reached.lo)
        ends.append(reached.hi)
    # a span of `holds` with the part of a span of `reached` that lies in it or just behind it
    first = np.searchsorted(reached.hi, holds.lo, side="left")
    last = np.searchsorted(reached.lo, _moved(holds.hi, 1), side="right")
    count = np.maximum(last - first, 0)
    which = np.repeat(np.arange(len(holds)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + np.repeat(first, count)
    begin = np.maximum(reached.lo[within], holds.lo[which])
    stop = np.minimum(reached.hi[within], _moved(holds.hi, 1)[which])
    starts.append(np.maximum(holds.lo[which], _moved(begin, -hi)))
    ends.append(np.minimum(_moved(stop, -lo), _moved(holds.hi, 1)[which] if lo == 0 else holds.hi[which]))
    lows, highs = np.concatenate(starts), np.concatenate(ends)
    order = np.argsort(lows, kind="stable")
    return merged(lows[order], highs[order])


# events: things that happened at one instant that is known to lie within a span


@dataclass(frozen=True, slots=True)
class Events:
    """Things that happened, each at one instant within [lo, hi]; `sure` False where it may not be one of those meant.

    `hidden` are spans in which more of them could have happened unseen. Sorted by `lo`.
    """

    lo: Times
    hi: Times
    sure: npt.NDArray[np.bool_]
    hidden: Spans

    def eventually(self, lo: int = 0, hi: int | None = None) -> Signal:
        """F[lo,hi]: one of them happens from `lo` to `hi` later."""
        reach = FOREVER if hi is None else hi
        return self._reached(-reach, -lo)

    def once(self, lo: int = 0, hi: int | None = None) -> Signal:
        """O[lo,hi]: one of them happened from `hi` to `lo` earlier."""
        return self._reached(lo, FOREVER if hi is None else hi)

    def _reached(self, before: int, after: int) -> Signal:
        """YES where the whole span of a sure one lies in the window, UNKNOWN where part of one does, or could."""
        sure = _ordered(_moved(self.hi[self.sure], before), _moved(self.lo[self.sure], after))
        possible = _ordered(
            np.concatenate((_moved(self.lo, before), _moved(self.hidden.lo, before))),
            np.concatenate((_moved(self.hi, after), _moved(self.hidden.hi, after))),
        )
        return from_spans(sure, possible)


def _ordered(lo: Times, hi: Times) -> Spans:
    order = np.argsort(lo, kind="stable")
    return merged(lo[order], hi[order])
