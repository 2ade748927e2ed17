"""When the speed lock is due: at a rise through the locking speed, or when the last closure is shut after it."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from latchtrace.model.events import EventKind
from latchtrace.model.history import History
from latchtrace.model.network import Validity
from latchtrace.model.results import EvidenceRef, Seen
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Vehicle
from latchtrace.rules.world import TARGET, Item, frame_of, not_yet


def speed_rises(history: History, vehicle: Vehicle) -> Iterator[Item]:
    """When the speed lock is due, with everything shut: from threshold - tolerance up to threshold + tolerance.

    The car's own threshold was reached at some moment of that rise. The state falls below threshold - hysteresis.
    """
    track = history.timeline.numeric.get("speed")
    threshold = vehicle.parameters.get("speed_lock.threshold")
    if track is None or threshold is None:
        return
    tolerance = _number(vehicle, "speed_lock.tolerance")
    top = float(threshold.value) + tolerance
    bottom = float(threshold.value) - _number(vehicle, "speed_lock.hysteresis")
    known = track.validity == Validity.KNOWN
    level = np.where(~known, -2, np.where(track.value >= top, 1, np.where(track.value < bottom, -1, 0)))
    rows = np.flatnonzero(level != 0)
    for before, now in pairwise(rows):
        if level[before] == -1 and level[now] == 1:
            fall = next((int(track.t_lo[row]) for row in rows[rows > now] if level[row] != 1), history.span.hi)
            near = int(np.argmax(track.value[before : now + 1] >= float(threshold.value) - tolerance)) + int(before)
            rise = Interval(int(track.t_lo[near]), int(track.t_hi[now]))
            shown = f"{track.value[now]:.1f} km/h"
            yield from _due(history, vehicle, rise, fall, Seen(int(track.row[now]), str(track.ref), shown))


def _due(history: History, vehicle: Vehicle, rise: Interval, fall: int, frame: Seen) -> Iterator[Item]:
    """At the rise where everything is shut; else when the last closure is shut while still above."""
    evidence: tuple[EvidenceRef, ...] = (frame,) if frame.row >= 0 else ()
    shut_at = [
        event
        for event in history.near(EventKind.AJAR, rise.hi, fall)
        if event.value == "shut" and event.change and event.at.lo >= rise.lo
    ]
    moments = [(rise, evidence), *((event.at, (*evidence, *frame_of(event))) for event in shut_at)]
    for at, frames in moments:
        if at.hi <= fall and not _surely_ajar(history, at.hi):
            closures = not_yet(history, vehicle, at, TARGET["lock"])
            yield Item("speed-rise", at, {}, closures, evidence=frames)
            return


def _surely_ajar(history: History, moment: int) -> bool:
    return any(
        history.at_moment(EventKind.AJAR, closure, moment) == {"open"} for closure in history.subjects(EventKind.AJAR)
    )


def _number(vehicle: Vehicle, name: str) -> float:
    parameter = vehicle.parameters.get(name)
    return float(parameter.value) if parameter is not None else 0.0
