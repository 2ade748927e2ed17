"""Lock events as columns: a million of them cost what arrays cost, and one is made when it is looked at."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import overload

import numpy as np
import numpy.typing as npt

from latchtrace.model.coding import Codes, Coding, Flags
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.time import Interval

Times = npt.NDArray[np.int64]
Rows = npt.NDArray[np.int64]
Objects = npt.NDArray[np.object_]

KINDS = tuple(EventKind)
"""The number of a kind is its place here."""


@dataclass(slots=True)
class EventTable(Sequence[LockEvent]):
    """Lock events in order of `hi`, as columns of equal length.

    `subject`, `value` and `signal` are numbers of `coding`; an event that does not last ends when it happens;
    `details` holds what LockEvent says of them. `made` remembers the events that were looked at.
    """

    coding: Coding
    kind: npt.NDArray[np.int8]
    subject: Codes
    value: Codes
    lo: Times
    hi: Times
    end_lo: Times
    end_hi: Times
    lasts: Flags
    change: Flags
    row: Rows
    signal: Codes
    details: Objects
    made: Objects

    @classmethod
    def of(cls, events: Iterable[LockEvent], coding: Coding | None = None) -> EventTable:
        """The table of events written down one by one, in their order."""
        listed = list(events)
        if isinstance(events, EventTable) and coding in (None, events.coding):
            return events
        coding = coding or Coding()
        numbers = {kind: number for number, kind in enumerate(KINDS)}
        lo, hi, row = (np.fromiter(map(attrgetter(name), listed), np.int64, len(listed)) for name in _TIMES)
        end_lo, end_hi = lo.copy(), hi.copy()
        lasts = np.array([event.end is not None for event in listed], np.bool_)
        for i in np.flatnonzero(lasts).tolist():
            end = listed[i].end or listed[i].at
            end_lo[i], end_hi[i] = end.lo, end.hi
        codes = {name: coding.codes(map(attrgetter(name), listed)) for name in ("subject", "value", "signal")}
        return cls(
            coding=coding,
            kind=np.array([numbers[event.kind] for event in listed], np.int8),
            lo=lo,
            hi=hi,
            end_lo=end_lo,
            end_hi=end_hi,
            lasts=lasts,
            change=np.array([event.change for event in listed], np.bool_),
            row=row,
            details=objects(event.details for event in listed),
            made=objects(listed),
            **codes,
        )

    def __len__(self) -> int:
        return len(self.lo)

    def __iter__(self) -> Iterator[LockEvent]:
        return (self.event(i) for i in range(len(self)))

    @overload
    def __getitem__(self, i: int) -> LockEvent: ...
    @overload
    def __getitem__(self, i: slice) -> EventTable: ...
    def __getitem__(self, i: int | slice) -> LockEvent | EventTable:
        if isinstance(i, slice):
            return self.take(np.arange(len(self))[i])
        return self.event(range(len(self))[i])

    def event(self, i: int) -> LockEvent:
        """One event; the same object each time."""
        known: LockEvent | None = self.made[i]
        if known is None:
            values = self.coding.values
            known = self.made[i] = LockEvent(
                KINDS[self.kind[i]],
                str(values[self.subject[i]]),
                str(values[self.value[i]]),
                Interval(int(self.lo[i]), int(self.hi[i])),
                int(self.row[i]),
                bool(self.change[i]),
                Interval(int(self.end_lo[i]), int(self.end_hi[i])) if self.lasts[i] else None,
                str(values[self.signal[i]]),
                self.details[i] or (),
            )
        return known

    def take(self, rows: Rows) -> EventTable:
        """Some of the events."""
        return EventTable(self.coding, **{name: getattr(self, name)[rows] for name in _COLUMNS})

    def recoded(self, coding: Coding) -> EventTable:
        """The same with the numbers of another coding."""
        if coding is self.coding:
            return self
        numbers = coding.codes(self.coding.values)
        columns = {name: getattr(self, name) for name in _COLUMNS}
        columns |= {name: numbers[columns[name]] for name in ("subject", "value", "signal")} if len(self) else {}
        return EventTable(coding, **columns)

    def followed_by(self, later: EventTable) -> EventTable:
        """Both, in order."""
        later, size = later.recoded(self.coding), len(self)
        columns = {name: np.concatenate((getattr(self, name), getattr(later, name))) for name in _COLUMNS}
        joined = EventTable(self.coding, **columns)
        if size and len(later) and self.hi[-1] > later.hi[0]:
            return joined.take(np.lexsort((joined.row, joined.lo, joined.hi)))
        return joined


def objects(values: Iterable[object]) -> Objects:
    """A column of things that are no numbers."""
    listed = list(values)
    column = np.empty(len(listed), np.object_)
    column[:] = listed
    return column


_TIMES = ("at.lo", "at.hi", "row")
_NUMBERS = ("kind", "subject", "value", "lo", "hi", "end_lo", "end_hi", "lasts", "change", "row", "signal")
_COLUMNS = (*_NUMBERS, "details", "made")
