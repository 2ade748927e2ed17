"""Turns readings of what happens (requests, validations, commands, reports) into lock events."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.network import Onset, Validity
from latchtrace.model.time import MILLISECOND, Interval
from latchtrace.model.vehicle import MessageUse, Role, SendType, Shows
from latchtrace.vehicle.columns import UNLISTED, Reader
from latchtrace.vehicle.kinds import KINDS, NONE, UNKNOWN
from latchtrace.vehicle.values import Pairs

FASTEST_STEP = 50 * MILLISECOND
"""Nobody presses faster than once in this time (common practice, no published source); a counter that steps
faster was started anew."""

Details = dict[str, int | str]


class Happenings:
    """Reads one reading of a role that tells of things that happen.

    `unclear` collects spans in which something may have happened that the reading cannot tell.
    """

    def __init__(self, role: Role, reader: Reader, use: MessageUse | None, default_group: str) -> None:
        self.role = role
        self.reader = reader
        self.reading = reader.reading
        self.use = use
        self.default_group = default_group
        self.unclear: list[Interval] = []

    def events(self) -> Iterable[LockEvent]:
        """All events of the reading."""
        if self.reading.shows in (Shows.LEVEL, Shows.PULSE):
            return self._levels()
        return self._frames() if self.reading.shows == Shows.EVENT else self._steps()

    def _event(self, subject: str, label: str, at: Interval, row: int, details: Details) -> LockEvent:
        kind = KINDS[self.role.kind]
        facts: Details = {"closure": self.reading.closure} if self.reading.closure else {}
        facts |= {name: value for name, value in details.items() if name != "action" and value != UNKNOWN}
        if subject and kind.event != EventKind.COMMAND:
            facts["closure"] = subject
        return LockEvent(
            kind=kind.event,
            subject=self._subject(subject, details),
            value=label,
            at=at,
            row=row,
            signal=str(self.reading.signal),
            details=tuple(facts.items()),
        )

    def _subject(self, subject: str, details: Details) -> str:
        match KINDS[self.role.kind].event:
            case EventKind.COMMAND:
                return subject or self.role.subject or self.default_group
            case EventKind.REQUEST:
                return self.role.subject
            case EventKind.REPORT:
                return str(details.get("origin", UNKNOWN))
            case EventKind.STATE:
                return self.role.kind
        return ""

    # Level and pulse -------------------------------------------------------------------------------------------

    def _levels(self) -> Iterator[LockEvent]:
        """A start for each label that comes, with the end bounded where the label goes (levels)."""
        active: dict[str, _Open] = {}
        known = False
        unclear: int | None = None  # since when the signal says nothing that is known
        for row in self.reader.labelled_rows().changes():
            labels = _acting(row.pairs)
            if unclear is not None and (labels is not None or row.lost):
                self.unclear.append(Interval(unclear, max(unclear, row.at.hi)))
                unclear = None
            if labels is None:
                if not row.lost and unclear is None:
                    unclear = row.at.lo
                known = False
                for open_ in active.values():
                    open_.unsure_since = min(row.at.lo, open_.unsure_since or row.at.lo)
                continue
            for subject in [s for s, open_ in active.items() if not known or labels.get(s) != open_.event.value]:
                yield self._ended(active.pop(subject), row.at)
            for subject, label in labels.items():
                if subject not in active:
                    started = self._start(subject, label, row.at, row.row, sure=known and not row.first)
                    active[subject] = _Open(started)
            known = True
        if unclear is not None:
            self.unclear.append(Interval(unclear, max(unclear, self._until())))
        for open_ in active.values():
            yield self._ended(open_, Interval.at(max(self._until(), open_.event.at.hi)))

    def _until(self) -> int:
        """How far the signal was followed."""
        track = self.reader.track
        return track.known_until if track is not None and len(track) else 0

    def _ended(self, open_: _Open, at: Interval) -> LockEvent:
        if self.reading.shows == Shows.PULSE:
            return open_.event
        lo = at.lo if open_.unsure_since is None else min(open_.unsure_since, at.hi)
        return replace(open_.event, end=Interval(max(lo, open_.event.at.lo), at.hi))

    def _start(self, subject: str, label: str, at: Interval, row: int, *, sure: bool) -> LockEvent:
        """A start; one first seen under way is no known start, unless the message only comes when something starts."""
        details = self.reader.details(np.array([row], np.int64))[0]
        if sure:
            return self._event(subject, label, at, row, details)
        if self.use is not None and self.use.send in (SendType.ON_CHANGE, SendType.EVENT):
            return self._event(subject, label, at, row, details)
        return replace(self._event(subject, label, Interval.at(at.hi), row, details), change=False)

    # Event frames ----------------------------------------------------------------------------------------------

    def _frames(self) -> Iterator[LockEvent]:
        """Each frame that is not a repeat of one before is an event."""
        track = self.reader.track
        if track is None or not len(track):
            return
        known = track.validity == Validity.KNOWN
        at, meanings = self._telling(known)
        rows = track.row[at]
        at = at[self.reader.holds(rows)]
        rows = track.row[at]
        open_groups: dict[tuple[Pairs, tuple[tuple[str, int | str], ...]], _Group] = {}
        groups: list[_Group] = []
        for i, row, details in zip(at.tolist(), rows.tolist(), self.reader.details(rows), strict=True):
            pairs = meanings[i] if self.reading.labels is not None else self._said(details)
            key = (pairs, tuple(details.items()))
            group = open_groups.get(key)
            seen = int(track.t_hi[i])
            if group is None or not group.takes(seen, self.use):
                group = open_groups[key] = _Group(pairs, details, track.at(i), row, seen)
                groups.append(group)
            group.add(seen)
        for group in groups:
            yield from self._grouped(group)

    def _telling(self, known: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.intp], dict[int, Pairs]]:
        """Indices of the frames that tell of something, and what each means by the reading's labels."""
        track = self.reader.track
        if track is None or self.reading.labels is None:
            return np.flatnonzero(known), {}
        codes, meanings = self.reader.coded(track, self.reading.labels)
        idle = [i for i, pairs in enumerate(meanings) if not _acting(pairs)]
        at = np.flatnonzero(known & (codes != UNLISTED) & ~np.isin(codes, idle))
        return at, {int(i): meanings[int(codes[i])] for i in at}

    def _grouped(self, group: _Group) -> Iterator[LockEvent]:
        at = group.at
        if self.use is not None and group.count < self.use.repeats:
            earliest = group.last - self.use.repeat_within - self.use.latency
            at = Interval(min(at.lo, earliest), at.hi)
        for subject, label in group.pairs:
            if label not in (NONE,):
                yield self._event(subject, label, at, group.row, group.details)

    def _said(self, details: Details) -> Pairs:
        """What an occurrence without labels of its own means."""
        if self.reading.does:
            return (("", self.reading.does),)
        return (("", str(details.get("action", UNKNOWN))),)

    # Counters --------------------------------------------------------------------------------------------------

    def _steps(self) -> Iterator[LockEvent]:
        """Each step of the counter is an event; several at once share the interval."""
        track = self.reader.track
        if track is None or not len(track):
            return
        counted = track.validity == Validity.KNOWN
        counted &= self.reader.holds(track.row)
        at = np.flatnonzero(counted | (track.validity == Validity.LOST))
        moved = np.ones(len(at), np.bool_)
        moved[1:] = (track.raw[at[1:]] != track.raw[at[:-1]]) | (track.validity[at[1:]] != track.validity[at[:-1]])
        before: int | None = None
        for i in at[moved | (track.onset[at] == Onset.FIRST_SEEN)].tolist():
            if track.validity[i] == Validity.LOST:
                before = None
                continue
            now = int(track.raw[i])
            if before is not None and track.onset[i] != Onset.FIRST_SEEN:
                yield from self._stepped((now - before) % (self.reading.modulus or 1), track.at(i), int(track.row[i]))
            before = now

    def _stepped(self, steps: int, at: Interval, row: int) -> Iterator[LockEvent]:
        if steps > 2 + at.width // FASTEST_STEP:
            self.reader.oddities.restarts[self.role.name, self.reading.signal] += 1
            self.unclear.append(at)
            return
        if not steps:
            return
        details = self.reader.details(np.array([row], np.int64))[0]
        for _ in range(steps - 1):
            earlier = self.reading.does or UNKNOWN  # what the frame says is of the last step only
            yield self._event("", earlier, at, row, {})
        for subject, label in self._said(details):
            if label != NONE:
                yield self._event(subject, label, at, row, details)


@dataclass(slots=True)
class _Open:
    """A level that lasts; `unsure_since` when it could no longer be seen."""

    event: LockEvent
    unsure_since: int | None = None


@dataclass(slots=True)
class _Group:
    """The frames of one event."""

    pairs: Pairs
    details: Details
    at: Interval
    row: int
    began: int
    count: int = 0
    last: int = 0

    def takes(self, seen: int, use: MessageUse | None) -> bool:
        """Whether one more frame with the same content is a repeat of this event."""
        return use is not None and self.count < use.repeats and seen - self.began <= use.repeat_within

    def add(self, seen: int) -> None:
        """Count a frame."""
        self.count += 1
        self.last = seen


def _acting(pairs: Pairs | None) -> dict[str, str] | None:
    """What acts by subject; empty when idle, None when not known."""
    if pairs is None or any(label == UNKNOWN for _, label in pairs):
        return None
    return {subject: label for subject, label in pairs if label != NONE}
