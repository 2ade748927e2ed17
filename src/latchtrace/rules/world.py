"""What rules look at: streams of things that happened, each with named facts, an interval and its frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from latchtrace.model.coding import Coding
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.history import History
from latchtrace.model.results import Episode, EvidenceRef, Seen
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle
from latchtrace.rules.columns import Columns, StateColumns
from latchtrace.rules.item import Item

TARGET: dict[str, tuple[str, ...]] = {
    "lock": ("locked", "deadlocked"),
    "unlock": ("unlocked",),
    "deadlock": ("deadlocked",),
}
"""The latch states an action asks for."""


@dataclass(slots=True)
class World:
    """Everything the rules of one segment may look at. Streams are laid out when a rule first asks for them.

    `found` holds the occasions of each rule (by its `id`) once they were looked for.
    """

    history: History
    vehicle: Vehicle
    episodes: Sequence[Episode]
    layouts: Mapping[str, Callable[[World], Columns]]
    found: dict[int, Any] = field(default_factory=dict)
    _streams: dict[str, Columns] = field(default_factory=dict)
    _states: dict[tuple[EventKind, str], StateColumns] = field(default_factory=dict)

    @property
    def coding(self) -> Coding:
        """The numbers facts have in its columns."""
        return self.history.coding

    def stream(self, what: str) -> Columns:
        """A stream by name."""
        if what not in self._streams:
            self._streams[what] = self.layouts[what](self)
        return self._streams[what]

    def state_columns(self, kind: EventKind, subject: str) -> StateColumns:
        """The states of one subject."""
        if (kind, subject) not in self._states:
            self._states[kind, subject] = StateColumns.of(self.history, kind, subject)
        return self._states[kind, subject]

    def items(self, what: str) -> Iterator[Item]:
        """Every item of a stream in order; none where there is no such stream."""
        if what in self.layouts:
            columns = self.stream(what)
            yield from (columns.item(row) for row in range(len(columns)))

    def near(self, what: str, lo: int, hi: int) -> Iterator[Item]:
        """Items of a stream that may touch [lo, hi], in order; lasting ones count until their end."""
        columns = self.stream(what)
        yield from (columns.item(row) for row in columns.near(lo, hi))

    @property
    def command_visible(self) -> bool:
        """Whether the network shows any command."""
        return any(known.status == RoleStatus.MAPPED for known in self.history.roles("command"))

    def limit(self, name: str) -> int | float | None:
        """A parameter's number; None where the vehicle file does not state it.

        `answer_deadline` is derived: until the command, or, where no command is visible, until the latches move.
        """
        if name == "answer_deadline":
            parts = ["command_deadline"] + (["actuation_deadline"] if not self.command_visible else [])
            values = [self.limit(part) for part in parts]
            return None if None in values else sum(value for value in values if value is not None)
        parameter = self.vehicle.parameters.get(name)
        if parameter is None or isinstance(parameter.value, (str, bool)):
            return None
        return parameter.value


STREAM_ROLES: Mapping[str, tuple[str, ...]] = {
    "action": ("command", "latch"),
    "movement": ("latch",),
    "request": ("request",),
    "asked": ("request", "validation"),
    "validation": ("validation",),
    "key-code": ("request", "validation"),
    "opening": ("ajar",),
    "ignition": ("ignition",),
    "hand-release": ("hand-release",),
}
"""Which kinds of roles each stream is made of: what hides these hides the stream."""


def frame_of(event: LockEvent) -> tuple[EvidenceRef, ...]:
    """The frame that shows an event."""
    return (Seen(event.row, event.signal, event.value),) if event.row >= 0 else ()


def not_yet(history: History, vehicle: Vehicle, at: Interval, target: tuple[str, ...]) -> tuple[str, ...]:
    """The closures that were not surely in one of these states before."""
    return tuple(
        name
        for name in vehicle.lockable
        if history.states(EventKind.LATCH, name)
        and not history.settled_before(EventKind.LATCH, name, at) <= set(target)
    )


def shown_latches(history: History, closures: Sequence[str]) -> tuple[str, ...]:
    """Those of the closures whose latch the network shows; nothing can be claimed of the others."""
    hidden = (RoleStatus.NOT_VISIBLE, RoleStatus.NOT_FITTED)
    return tuple(
        name
        for name in closures
        if any(history.coverage(role).status not in hidden for role in (f"latch.{name}", "latch"))
    )
