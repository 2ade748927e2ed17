"""Where knowledge of a message breaks off: recorder gaps, lost frames, and messages that stopped coming."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s
from latchtrace.model.network import MessageSpec, SignalSpec
from latchtrace.model.time import NO_TIME, SECOND, Interval
from latchtrace.model.vehicle import MessageUse
from latchtrace.network.decoding import presence, signal_columns
from latchtrace.network.lanes import Lane
from latchtrace.network.planning import loss_counter, sending_period, silence_limit

DEAD_AFTER = 10
"""Periods without a frame after which the last value of a cyclic message says nothing any more (common practice)."""

SHUT_DOWN = 5 * SECOND
"""How long before the network sleeps a node may have stopped sending (common practice, no source)."""

START_UP = 2 * SECOND
"""How long after wake-up a node may start sending, what changed in the sleep included (common practice, no source)."""

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Holes:
    """The recorder gaps and sleeps of one channel in one segment, each merged and in order, and its end."""

    gaps: tuple[Interval, ...]
    sleeps: tuple[Interval, ...]
    watermark: int

    def starts(self, spans: Sequence[Interval]) -> Int64s:
        """Where spans start, as a column."""
        return np.array([span.lo for span in spans], np.int64)

    def ends(self, spans: Sequence[Interval]) -> Int64s:
        """Where spans end, as a column."""
        return np.array([span.hi for span in spans], np.int64)


def merged(spans: Iterable[Interval]) -> tuple[Interval, ...]:
    """Spans in order, those that overlap by more than a moment made one."""
    result: list[Interval] = []
    for span in sorted(spans):
        if result and span.lo < result[-1].hi:
            result[-1] = result[-1].hull(span)
        else:
            result.append(span)
    return tuple(result)


def without(span: Interval, holes: Sequence[Interval]) -> list[Interval]:
    """The parts of a span outside of holes; moments at a hole's ends stay."""
    parts: list[Interval] = []
    lo = span.lo
    for hole in holes:
        if hole.hi <= lo or hole.lo >= span.hi:
            continue
        if hole.lo > lo:
            parts.append(Interval(lo, hole.lo))
        lo = max(lo, hole.hi)
    if lo < span.hi:
        parts.append(Interval(lo, span.hi))
    return parts


@dataclass(frozen=True, slots=True)
class Eras:
    """Stretches of a lane over which the message was followed without a break.

    `number` gives each row's era (from 0, never falling); `first_row` the lane index of each era's first row;
    `lost_at` when the knowledge of each era ended (the last one's only if it ended before the segment did).
    """

    number: Int64s
    first_row: tuple[int, ...]
    lost_at: tuple[int | None, ...]


@dataclass(frozen=True, slots=True)
class Story:
    """How the frames of one message came: eras with and without counting out silent messages, and what is missing.

    `lossy` marks rows before which the alive counter shows lost frames.
    """

    eras: Eras
    eras_kept: Eras
    silences: tuple[Interval, ...]
    lossy: Bools


def tell(spec: MessageSpec, use: MessageUse, lane: Lane, holes: Holes, last: int | None) -> Story:
    """Work out breaks and missing frames of one message; `last` is when its last frame came, where known."""
    lossy, lost = _counter_losses(spec, use, lane, holes)
    silent = _silent_parts(spec, use, lane, holes, last)
    deaths = _deaths(spec, use, silent)
    missing = [Interval.seen(part.lo, part.hi) for _, part in silent]
    return Story(
        eras=_eras(lane, holes, deaths),
        eras_kept=_eras(lane, holes, {}),
        silences=tuple(sorted({*missing, *lost})),
        lossy=lossy,
    )


def _silent_parts(
    spec: MessageSpec, use: MessageUse, lane: Lane, holes: Holes, last: int | None
) -> list[tuple[int, Interval]]:
    """(row after it, span) of awake, recorded stretches longer than the silence limit without a frame.

    The row is the lane's length for a silence at the end.
    """
    limit = silence_limit(spec, use)
    if limit is None or not len(lane):
        return []
    known = lane.previous != NO_TIME
    late = np.flatnonzero(known & (lane.t - np.where(known, lane.previous, lane.t) > limit))
    spans = [(int(i), Interval(int(lane.previous[i]), int(lane.t[i]))) for i in late]
    if last is not None and holes.watermark - last > limit:
        spans.append((len(lane), Interval(last, holes.watermark)))
    covered = merged([*holes.gaps, *holes.sleeps])
    parts = [(i, part) for i, span in spans for part in without(span, covered)]
    ends = [(i, part, i == len(lane) and part.hi >= holes.watermark) for i, part in parts]
    return [(i, part) for i, part, at_end in ends if part.width > limit and not _orderly(part, holes, at_end)]


def _orderly(part: Interval, holes: Holes, at_end: bool) -> bool:
    """Whether it is the way into a sleep or out of it: nodes stop and start one after another.

    At the end of the capture a sleep may have followed that it no longer shows.
    """
    before = part.width <= SHUT_DOWN and (at_end or any(sleep.lo == part.hi for sleep in holes.sleeps))
    after = part.width <= START_UP and any(sleep.hi == part.lo for sleep in holes.sleeps)
    return before or after


def _deaths(spec: MessageSpec, use: MessageUse, silent: Sequence[tuple[int, Interval]]) -> dict[int, int]:
    """For rows that end a silence of over ten periods: when the value before stopped counting."""
    period = sending_period(spec, use)
    deaths: dict[int, int] = {}
    for i, part in silent:
        if period and part.width > DEAD_AFTER * period:
            deaths.setdefault(i, part.lo + DEAD_AFTER * period)
    return deaths


def _eras(lane: Lane, holes: Holes, deaths: dict[int, int]) -> Eras:
    rows = len(lane)
    if not rows:
        return Eras(np.zeros(0, np.int64), (), ())
    passed = np.searchsorted(holes.ends(holes.gaps), lane.t, side="right")
    breaks = lane.previous == NO_TIME
    breaks[1:] |= passed[1:] != passed[:-1]
    breaks[[i for i in deaths if i < rows]] = True
    breaks[0] = True
    first = np.flatnonzero(breaks).tolist()
    lost_at: list[int | None] = []
    for i in first[1:]:
        moments = [deaths[i]] if i in deaths else []
        if passed[i] != passed[i - 1]:
            moments.append(max(holes.gaps[int(passed[i - 1])].lo, int(lane.t[i - 1])))
        lost_at.append(min(moments, default=int(lane.t[i - 1])))
    lost_at.append(_lost_at_end(lane, holes, int(passed[-1]), deaths.get(rows)))
    return Eras(np.cumsum(breaks, dtype=np.int64) - 1, tuple(first), tuple(lost_at))


def _lost_at_end(lane: Lane, holes: Holes, passed: int, death: int | None) -> int | None:
    moments = [] if death is None else [death]
    if passed < len(holes.gaps):
        moments.append(max(holes.gaps[passed].lo, int(lane.t[-1])))
    return min(moments, default=None)


def _counter_losses(spec: MessageSpec, use: MessageUse, lane: Lane, holes: Holes) -> tuple[Bools, list[Interval]]:
    """Rows before which the alive counter jumps by more than one, and the spans the lost frames fall in.

    A counter may start anew after a gap or a sleep: those steps do not count. A count that stays is a repeat.
    """
    lossy = np.zeros(len(lane), np.bool_)
    counter = loss_counter(spec, use)
    if counter is None or len(lane) < 2:
        return lossy, []
    modulus = use.counter_modulus or 1 << min(len(counter.bits), 62)
    at, counts = _counts(spec, counter, lane, modulus)
    jumped = (counts[1:] - counts[:-1]) % modulus > 1
    holes_passed = _passed(holes, lane.t[at])
    fresh = lane.previous[at[1:]] == NO_TIME
    after = at[1:][jumped & (holes_passed[1:] == holes_passed[:-1]) & ~fresh]
    lossy[after] = True
    return lossy, [Interval.seen(int(lane.previous[i]), int(lane.t[i])) for i in after]


def _counts(spec: MessageSpec, counter: SignalSpec, lane: Lane, modulus: int) -> tuple[npt.NDArray[np.intp], Int64s]:
    """The rows that show a count, and the counts; values from the modulus up mean something else."""
    at = np.flatnonzero(presence(spec, counter, lane.payload, lane.length).carried)
    bits, _ = signal_columns(counter, lane.payload[at])
    counting = bits < modulus
    return at[counting], bits[counting].astype(np.int64)


def _passed(holes: Holes, t: Int64s) -> Int64s:
    """How many gaps and sleeps have ended by each moment."""
    gaps = np.searchsorted(holes.ends(holes.gaps), t, side="right")
    sleeps = np.searchsorted(holes.ends(holes.sleeps), t, side="right")
    return (gaps + sleeps).astype(np.int64)
