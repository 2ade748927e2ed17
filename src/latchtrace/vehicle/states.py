"""Turns readings of lasting states (latches, ajar contacts, ignition, settings) into lock events."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from latchtrace.model.events import LockEvent
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Role
from latchtrace.vehicle.columns import Reader, Row
from latchtrace.vehicle.kinds import KINDS, UNKNOWN
from latchtrace.vehicle.roles import closures_of


def state_events(role: Role, readers: Sequence[Reader]) -> Iterator[LockEvent]:
    """One event for each subject whose state changes, is first seen, becomes unknown or is lost."""
    rows = [(row, reader) for reader in readers for row in reader.labelled_rows().changes()]
    rows.sort(key=lambda both: (both[0].at.hi, both[0].row))
    current: dict[str, str] = {}
    for row, reader in rows:
        subjects = closures_of(role, reader.reading)
        for subject, label in _pairs(role, row, subjects):
            before = current.get(subject, UNKNOWN)
            current[subject] = label
            if label != before:
                yield _event(role, reader, row, subject, label, before)


def _pairs(role: Role, row: Row, subjects: Sequence[str]) -> list[tuple[str, str]]:
    if row.pairs is None:
        return [(subject, UNKNOWN) for subject in subjects]
    return [(subject or role.subject, label) for subject, label in row.pairs]


def _event(role: Role, reader: Reader, row: Row, subject: str, label: str, before: str) -> LockEvent:
    """A change is known only between two known states; all else is a state seen, or one no longer known."""
    kind = KINDS[role.kind]
    change = UNKNOWN not in (label, before) and not row.first
    at = Interval.at(row.at.lo) if row.lost else Interval.at(row.at.hi) if row.first else row.at
    return LockEvent(
        kind=kind.event,
        subject=subject if kind.by_closure else role.kind,
        value=label,
        at=at,
        row=-1 if row.lost else row.row,
        change=change,
        signal=str(reader.reading.signal),
    )
