"""When a value began: the interval each row's change lies in, by the message's send type."""

from __future__ import annotations

import numpy as np

from latchtrace.model.frames import Int64s
from latchtrace.model.network import MessageSpec
from latchtrace.model.time import NO_TIME
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.eras import START_UP, Bools, Holes
from latchtrace.network.planning import sending_period

OFF_CYCLE = 0.8
"""A cyclic-and-on-change frame sooner than this share of the period after the one before is off its cycle."""


def change_starts(
    spec: MessageSpec,
    use: MessageUse,
    holes: Holes,
    *,
    t: Int64s,
    before: Int64s,
    previous: Int64s,
    lossy: Bools,
) -> Int64s:
    """The earliest moment each change may have happened (the latest is its frame's time t).

    `before` is the time of the last frame that showed the signal before (NO_TIME: none), `previous` that of the
    last frame of the message. Cyclic: after `before`. Event and on-change: within the latency, never at or
    before `before`. After lost frames, and for on-change frames of a start-up after a sleep, `before` alone
    bounds it.
    """
    known = before != NO_TIME
    since = np.where(known, np.minimum(before + 1, t), t)
    recent = np.where(known, np.maximum(t - max(use.latency - 1, 0), since), t - max(use.latency - 1, 0))
    if use.send is SendType.EVENT:
        return recent
    if use.send is SendType.ON_CHANGE:
        woken = _woken(holes, t, previous, max(use.latency - 1, 0))
        asleep = np.where(known, np.maximum(woken, since), np.minimum(woken, recent))
        return np.where(lossy & known, since, np.minimum(recent, asleep))
    period = sending_period(spec, use)
    if use.send is SendType.CYCLIC_AND_ON_CHANGE and period:
        spacing = t - np.where(previous == NO_TIME, t - period, previous)
        return np.where((spacing < OFF_CYCLE * period) & known, recent, since)
    return since


def _woken(holes: Holes, t: Int64s, previous: Int64s, latency: int) -> Int64s:
    """For the first frame after a sleep, soon after wake-up: the sleep's start less the latency; else t."""
    starts, ends = holes.starts(holes.sleeps), holes.ends(holes.sleeps)
    if not len(ends):
        return t
    last = np.searchsorted(ends, t, side="right") - 1
    safe = np.maximum(last, 0)
    first_after = (last >= 0) & (previous != NO_TIME) & (ends[safe] > previous)
    return np.where(first_after & (t - ends[safe] <= START_UP), starts[safe] - latency, t)
