"""Reports what a capture shows of each role of a vehicle file, for checking the file against a car."""

from __future__ import annotations

from collections.abc import Sequence

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.frames import CaptureReport
from latchtrace.model.network import Tracks
from latchtrace.model.vehicle import Role, RoleStatus, Vehicle
from latchtrace.model.vehicle_report import RoleReport
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
