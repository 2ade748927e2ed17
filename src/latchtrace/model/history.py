"""Questions about a timeline in three-valued logic: what held when, what happened in a span, what is hidden."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

from latchtrace.model.events import Coverage, EventKind, LockEvent, Reason, Timeline
from latchtrace.model.eventtable import KINDS, EventTable, Rows
from latchtrace.model.network import Validity
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus

UNKNOWN = "unknown"


class _Index(NamedTuple):
    """The latest times of events, how uncertain a time is at most, and how long one lasts at most."""

    ends: list[int]
    widest: int
    longest: int


class History:
    """An index over one timeline. Nothing in it knows a clock: all times are the capture's."""

    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        self.span = timeline.span
        self.table = EventTable.of(timeline.events)
        self.coding = self.table.coding
        self._by_kind: dict[EventKind, EventTable] = {}
        self._events: dict[EventKind, list[LockEvent]] = {}
        self._indexes: dict[EventKind, _Index] = {}
        self._rows: dict[tuple[EventKind, str], Rows] = {}
        self._states: dict[tuple[EventKind, str], tuple[list[LockEvent], list[int]]] = {}
        self._by_source: dict[str, list[LockEvent]] = {}

    def columns(self, kind: EventKind) -> EventTable:
        """The events of a kind as columns."""
        if kind not in self._by_kind:
            self._by_kind[kind] = self.table.take(np.flatnonzero(self.table.kind == KINDS.index(kind)))
        return self._by_kind[kind]

    def rows(self, kind: EventKind, subject: str) -> Rows:
        """The rows of one subject's events among those of its kind."""
        if (kind, subject) not in self._rows:
            columns = self.columns(kind)
            self._rows[kind, subject] = np.flatnonzero(columns.subject == self.coding.code(subject))
        return self._rows[kind, subject]

    def _index(self, kind: EventKind) -> _Index:
        """When the events of a kind happened, worked out when it is first asked for."""
        if kind not in self._indexes:
            columns = self.columns(kind)
            widest = int((columns.hi - columns.lo).max(initial=0))
            longest = int((columns.end_hi - columns.hi).max(initial=0))
            self._indexes[kind] = _Index(columns.hi.tolist(), widest, longest)
        return self._indexes[kind]

    def _of_subject(self, kind: EventKind, subject: str) -> tuple[list[LockEvent], list[int]]:
        """The states of a subject in order, and their latest times."""
        if (kind, subject) not in self._states:
            rows, events = self.rows(kind, subject), self.columns(kind)
            ends: list[int] = events.hi[rows].tolist()
            self._states[kind, subject] = [events.event(row) for row in rows.tolist()], ends
        return self._states[kind, subject]

    def events(self, kind: EventKind) -> list[LockEvent]:
        """All events of a kind in order of `at.hi`."""
        if kind not in self._events:
            self._events[kind] = list(self.columns(kind))
        return self._events[kind]

    def near(self, kind: EventKind, lo: int, hi: int) -> Iterator[LockEvent]:
        """Events of a kind that may have begun within [lo, hi]."""
        events, index = self.events(kind), self._index(kind)
        for i in range(bisect_left(index.ends, lo), len(events)):
            if index.ends[i] - index.widest > hi:
                return
            if events[i].at.lo <= hi:
                yield events[i]

    def lasting(self, kind: EventKind, lo: int, hi: int) -> Iterator[LockEvent]:
        """Events of a kind that may touch [lo, hi]: those that last count until their end."""
        for event in self.near(kind, lo - self._index(kind).longest, hi):
            if (event.end or event.at).hi >= lo:
                yield event

    def last_request(self, source: str, before: int) -> LockEvent | None:
        """The last request of a source that surely began before a moment; None where there is none."""
        if not self._by_source:
            self._by_source = defaultdict(list)
            for event in self.events(EventKind.REQUEST):
                self._by_source[event.subject].append(event)
        events = self._by_source.get(source, [])
        at = bisect_left(events, before, key=lambda event: event.at.hi)
        return events[at - 1] if at else None

    def states(self, kind: EventKind, subject: str) -> list[LockEvent]:
        """All states of one subject in order."""
        return self._of_subject(kind, subject)[0]

    def subjects(self, kind: EventKind) -> list[str]:
        """Every subject of a kind that has at least one event."""
        codes = dict.fromkeys(self.columns(kind).subject.tolist())
        return [str(self.coding.values[code]) for code in codes]

    def possible(self, kind: EventKind, subject: str, at: Interval) -> frozenset[str]:
        """Every value the state may have had at some moment of `at`; contains "unknown" where nothing tells."""
        events, ends = self._of_subject(kind, subject)
        if not events or at.hi > self.span.hi:
            return frozenset({UNKNOWN})
        first = bisect_right(ends, at.lo) - 1
        values = set() if first >= 0 else {UNKNOWN}
        for event in events[max(first, 0) :]:
            begins = event.at.lo if event.change else event.at.hi
            if begins > at.hi:
                if event.at.hi > at.hi + self._index(kind).widest:
                    break
                continue
            values.add(event.value)
        if self._unfinished((f"{kind}.{subject}", str(kind)) if kind != EventKind.STATE else (subject,), at):
            values.add(UNKNOWN)
        return frozenset(values)

    def _unfinished(self, roles: Iterable[str], at: Interval) -> bool:
        """Whether a change at this time would only be shown by a frame after the capture's end."""
        known = next((self.timeline.coverage[role] for role in roles if role in self.timeline.coverage), None)
        return known is not None and any(
            blind.reason == Reason.ENDED and blind.span.overlaps(at) for blind in known.blind[-4:]
        )

    def settled_before(self, kind: EventKind, subject: str, at: Interval) -> frozenset[str]:
        """Every value the state may have had just before something at `at` began."""
        return self.possible(kind, subject, Interval.at(max(at.lo - 1, self.span.lo)))

    def coverage(self, role: str) -> Coverage:
        """How well the capture shows a role; a role the vehicle file does not state is not visible."""
        return self.timeline.coverage.get(role) or Coverage(role, RoleStatus.NOT_VISIBLE)

    def roles(self, kind: str) -> list[Coverage]:
        """The coverage of every role of a kind (`request`, `latch`, …)."""
        return [known for name, known in self.timeline.coverage.items() if name.partition(".")[0] == kind]

    def hidden(self, role: str, span: Interval) -> Reason | None:
        """Why something of this role could have happened unseen in the span; None where it could not.

        A role the vehicle does not have hides nothing.
        """
        known = self.coverage(role)
        if known.status == RoleStatus.NOT_FITTED:
            return None
        if known.status == RoleStatus.NOT_VISIBLE:
            return Reason.NOT_VISIBLE
        if known.seen is None:
            return Reason.SILENT
        for blind in known.blind:
            if blind.span.overlaps(span):
                return blind.reason
        if span.lo < self.span.lo:
            return Reason.UNKNOWN_BEFORE
        return Reason.ENDED if span.hi > self.span.hi else None

    def gap_in(self, span: Interval) -> bool:
        """Whether a recorder gap touches the span."""
        return any(gap.overlaps(span) for gap in self.timeline.gaps)

    def asleep_in(self, span: Interval) -> bool:
        """Whether the network slept for a part of the span."""
        return any(sleep.overlaps(span) for sleep in self.timeline.sleeps)

    def number(self, role: str, at: Interval) -> tuple[float, float] | None:
        """Lowest and highest value a numeric role may have had within `at`; None where nothing tells."""
        track = self.timeline.numeric.get(role)
        if track is None or not len(track) or at.lo < int(track.t_hi[0]) or at.hi > self.span.hi:
            return None
        if self._unfinished((role,), at):
            return None
        first = int(np.searchsorted(track.t_hi, at.lo, side="right")) - 1
        last = int(np.searchsorted(track.t_lo, at.hi, side="right"))
        if bool(np.any(track.validity[first:last] != Validity.KNOWN)):
            return None
        values = track.value[first:last]
        return float(values.min()), float(values.max())


def first_reason(reasons: Iterable[Reason | None]) -> Reason | None:
    """The most telling of several reasons: what the capture lost before what it never could show."""
    order = list(Reason)
    found = [reason for reason in reasons if reason is not None]
    return min(found, key=order.index) if found else None
