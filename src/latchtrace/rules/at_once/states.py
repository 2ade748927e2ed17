"""States and numbers over many spans at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from latchtrace.model.coding import Flags
from latchtrace.model.events import EventKind, Reason
from latchtrace.model.eventtable import Times
from latchtrace.model.history import History
from latchtrace.model.network import Validity
from latchtrace.model.time import Interval, Truth
from latchtrace.rules import signals
from latchtrace.rules.at_once.many import OPEN, Levels, decided
from latchtrace.rules.blindness import overlapping
from latchtrace.rules.signals import Signal, Spans
from latchtrace.rules.world import World

Numbers = npt.NDArray[np.float64]


def state_levels(
    world: World, kind: EventKind, subject: str, values: Sequence[str], span: tuple[Times, Times]
) -> Levels:
    """Whether a state was one of the values all through each closed span, or none of them."""
    history, (lo, hi) = world.history, span
    events = world.state_columns(kind, subject)
    if not len(events.hi):
        return np.full(len(lo), OPEN, np.int8)
    lo, hi = np.maximum(lo, history.span.lo), np.maximum(hi, history.span.lo)
    first = np.searchsorted(events.hi, lo, side="right") - 1
    known = (first >= 0) & (events.next_begin[first + 1] > hi) & (hi <= history.span.hi)
    known &= ~overlapping([Interval(*span) for span in _ended(world, kind, subject)], lo, hi)
    held = world.coding.holding(values)[events.codes[np.maximum(first, 0)]]
    lost = world.coding.holding(("unknown",))[events.codes[np.maximum(first, 0)]]
    return decided(known & held & ~lost, known & ~held & ~lost)


def number_range(history: History, role: str, span: tuple[Times, Times]) -> tuple[Flags, Numbers, Numbers]:
    """Where a number is known all through each closed span, and its lowest and highest value there."""
    track, (lo, hi) = history.timeline.numeric.get(role), span
    if track is None or not len(track):
        nothing = np.zeros(len(lo), np.float64)
        return np.zeros(len(lo), np.bool_), nothing, nothing
    first = np.searchsorted(track.t_hi, lo, side="right") - 1
    last = np.searchsorted(track.t_lo, hi, side="right")
    known = (first >= 0) & (last > first) & (hi <= history.span.hi)
    ended = [blind.span for blind in history.coverage(role).blind[-4:] if blind.reason == Reason.ENDED]
    known &= ~overlapping(ended, lo, hi)
    first = np.maximum(first, 0)
    last = np.maximum(last, first + 1)
    lost = np.concatenate(([0], np.cumsum(track.validity != Validity.KNOWN)))
    known &= lost[last] == lost[first]
    pairs = np.stack((first, last), axis=1).ravel()
    padded = np.append(track.value, track.value[-1])
    return known, np.minimum.reduceat(padded, pairs)[::2], np.maximum.reduceat(padded, pairs)[::2]


def state_signal(world: World, kind: EventKind, subject: str, values: Sequence[str]) -> Signal:
    """Whether a state is one of the values, at every instant of the recording."""
    span, known = world.history.span, world.state_columns(kind, subject)
    if not len(known.hi):
        return signals.constant(Truth.UNKNOWN)
    # a state may hold from when it may have begun until the next one surely holds
    until = np.append(known.hi[1:] - 1, span.hi)
    held, lost = (world.coding.holding(chosen)[known.codes] for chosen in (values, ("unknown",)))
    before, after = (-signals.FOREVER, int(known.hi[0]) - 1), (span.hi + 1, signals.FOREVER)
    outside = Spans.of([before, after, *_ended(world, kind, subject)])
    yes, no = held | lost, ~held | lost
    return signals.from_possible(
        signals.union(outside, known.began[yes], until[yes]), signals.union(outside, known.began[no], until[no])
    )


def _ended(world: World, kind: EventKind, subject: str) -> list[tuple[int, int]]:
    """Spans in which a change would only be shown by a frame after the recording's end."""
    roles = (f"{kind}.{subject}", str(kind)) if kind != EventKind.STATE else (subject,)
    coverage = world.history.timeline.coverage
    known = next((coverage[role] for role in roles if role in coverage), None)
    blind = known.blind[-4:] if known is not None else ()
    return [(one.span.lo, one.span.hi) for one in blind if one.reason == Reason.ENDED]
