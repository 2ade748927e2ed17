"""Reports what a capture shows of each role of a vehicle file, for checking the file against a car."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.frames import CaptureReport
from latchtrace.model.network import Onset, Tracks
from latchtrace.model.vehicle import Role, RoleStatus, Vehicle
from latchtrace.model.vehicle_report import ReadingReport, RoleReport
from latchtrace.vehicle.doubts import doubts, notes
from latchtrace.vehicle.kinds import KINDS
from latchtrace.vehicle.measure import reading_report


def role_report(
    vehicle: Vehicle, timelines: Sequence[Timeline], tracks: Sequence[Tracks], capture: CaptureReport
) -> tuple[RoleReport, ...]:
    """What the capture shows of every role, in the order of the vehicle file.

    `timelines` and `tracks` are those of all segments, in the same order.
    """
    return tuple(_role(vehicle, role, timelines, tracks, capture) for role in vehicle.roles.values())


def _role(
    vehicle: Vehicle, role: Role, timelines: Sequence[Timeline], tracks: Sequence[Tracks], capture: CaptureReport
) -> RoleReport:
    if role.status != RoleStatus.MAPPED:
        return RoleReport(role.name, role.status, role.note)
    readings = tuple(reading_report(vehicle, role.name, reading, tracks, capture) for reading in role.readings)
    events = [event for timeline in timelines for event in timeline.events if _belongs(role, event)]
    changes = [event for event in events if event.change]
    first = min(changes, key=lambda event: event.at.hi, default=None)
    if KINDS[role.kind].numeric:
        return _numeric(role, readings, timelines)
    return RoleReport(
        role=role.name,
        status=role.status,
        note=role.note,
        readings=readings,
        events=len(changes),
        first=first.at.hi if first else None,
        first_value=_said(first) if first else "",
        doubts=tuple(dict.fromkeys(doubts(role, readings, events, timelines))),
        notes=tuple(notes(role, readings, len(changes))),
    )


def _numeric(role: Role, readings: tuple[ReadingReport, ...], timelines: Sequence[Timeline]) -> RoleReport:
    """A role that is a number: what happens to it are its changes."""
    tracks = [track for timeline in timelines if (track := timeline.numeric.get(role.name)) is not None]
    moved = [(track, i) for track in tracks for i in np.flatnonzero(track.onset == Onset.CHANGED)[:1].tolist()]
    track, i = min(moved, key=lambda one: int(one[0].t_hi[one[1]]), default=(None, 0))
    return RoleReport(
        role=role.name,
        status=role.status,
        note=role.note,
        readings=readings,
        events=sum(reading.changes for reading in readings),
        first=int(track.t_hi[i]) if track else None,
        first_value=f"{track.value[i]:g} km/h" if track else "",
        doubts=tuple(doubts(role, readings, (), timelines)),
        notes=tuple(notes(role, readings, 0)),
    )


def _belongs(role: Role, event: LockEvent) -> bool:
    """Whether an event comes from this role."""
    kind = KINDS[role.kind]
    if event.kind != kind.event or event.signal not in {str(reading.signal) for reading in role.readings}:
        return False
    if event.kind in (EventKind.LATCH, EventKind.AJAR, EventKind.REQUEST):
        return role.subject in ("", event.subject)
    return event.kind != EventKind.STATE or event.subject == role.kind


def _said(event: LockEvent) -> str:
    closure = event.detail("closure")
    subject = event.subject if event.kind in (EventKind.LATCH, EventKind.AJAR) else closure or ""
    return f"{subject} {event.value}".strip()
