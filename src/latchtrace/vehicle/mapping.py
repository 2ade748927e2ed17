"""Turns signal tracks into what the locks did: the timeline of lock events, and how well each role is shown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from latchtrace.model.events import LockEvent, Timeline
from latchtrace.model.network import SignalRef, SignalTrack, Tracks, Validity
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Reading, RoleStatus, SendType, Shows, Vehicle
from latchtrace.vehicle.columns import UNLISTED, Oddities, Reader, codes_of
from latchtrace.vehicle.coverage import Coverer
from latchtrace.vehicle.happenings import Happenings
from latchtrace.vehicle.kinds import KINDS
from latchtrace.vehicle.states import state_events


@dataclass(frozen=True, slots=True)
class WantedSignal:
    """A signal whose track the timeline needs; `every` where each frame counts, not only changes."""

    ref: SignalRef
    every: bool


def wanted_signals(vehicle: Vehicle) -> tuple[WantedSignal, ...]:
    """Every signal the mapped roles read, with the conditions, details and alive counters beside them."""
    wanted: dict[SignalRef, bool] = {}
    for role in vehicle.roles.values():
        for reading in role.readings:
            every = reading.shows == Shows.EVENT
            for ref in _signals(vehicle, reading):
                wanted[ref] = wanted.get(ref, False) or every
    return tuple(WantedSignal(ref, every) for ref, every in sorted(wanted.items(), key=lambda item: str(item[0])))


def _signals(vehicle: Vehicle, reading: Reading) -> Iterator[SignalRef]:
    yield reading.signal
    for ref, _ in reading.when:
        yield ref
    for detail in reading.details:
        yield detail.signal
    use = vehicle.messages.get(reading.signal.message)
    if use is not None and use.counter and use.send in (SendType.EVENT, SendType.ON_CHANGE):
        yield SignalRef(use.message, use.counter, reading.signal.channel)


def timeline(vehicle: Vehicle, tracks: Tracks) -> Timeline:
    """All lock events of one segment in time order, the numeric tracks, and the coverage of every role.

    Raw values without a label read as unknown and are counted in the notices.
    """
    oddities = Oddities()
    events: list[LockEvent] = []
    unclear: dict[str, list[Interval]] = {}
    numeric: dict[str, SignalTrack] = {}
    group = default_group(vehicle)
    for role in vehicle.roles.values():
        if role.status != RoleStatus.MAPPED:
            continue
        readers = [Reader(role.name, reading, tracks, oddities) for reading in role.readings]
        if KINDS[role.kind].numeric:
            numeric.update((role.name, number) for reader in readers if (number := numeric_track(reader)) is not None)
            continue
        if KINDS[role.kind].state:
            events.extend(state_events(role, readers))
            continue
        for reader in readers:
            use = vehicle.messages.get(reader.reading.signal.message)
            happenings = Happenings(role, reader, use, group)
            events.extend(happenings.events())
            unclear.setdefault(role.name, []).extend(happenings.unclear)
    return Timeline(
        segment=tracks.segment,
        span=tracks.span,
        events=tuple(sorted(events, key=_order)),
        numeric=numeric,
        coverage=Coverer(vehicle, tracks, unclear).all(),
        gaps=tuple(sorted({span for _, span in tracks.blind})),
        sleeps=tuple(sorted({span for _, span in tracks.sleeps})),
        notices=oddities.notices(),
    )


def default_group(vehicle: Vehicle) -> str:
    """The lock group a command speaks of that names none: `all`, else the first one."""
    return "all" if "all" in vehicle.lock_groups else next(iter(vehicle.lock_groups), "all")


DECIMALS = 6
"""Decimals a numeric value is kept with; no speed is sent finer."""


def numeric_track(reader: Reader) -> SignalTrack | None:
    """The reading's track in km/h, with values that mean "not available" marked absent.

    Rounded so that a value at a limit is not beyond it by the error of a binary fraction.
    """
    track, reading = reader.track, reader.reading
    if track is None:
        return None
    value = np.round(track.value * reading.factor, DECIMALS)
    validity = track.validity
    if reading.labels is not None and len(track):
        named = codes_of(track.raw, dict.fromkeys(reading.labels.by_raw, 0)) != UNLISTED
        validity = np.where(named & (validity == Validity.KNOWN), np.uint8(Validity.ABSENT), validity)
    return replace(track, value=value, validity=validity)


def _order(event: LockEvent) -> tuple[int, int, int, str, str, str]:
    return event.at.hi, event.at.lo, event.row, event.kind, event.subject, event.value
