"""What rules look at: streams of things that happened, each with named facts, an interval and its frames."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from latchtrace.model.events import EventKind, LockEvent, Reason
from latchtrace.model.history import History
from latchtrace.model.results import Episode, EvidenceRef, Seen
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle

Fact = str | tuple[str, ...]

TARGET: dict[str, tuple[str, ...]] = {
    "lock": ("locked", "deadlocked"),
    "unlock": ("unlocked",),
    "deadlock": ("deadlocked",),
}
"""The latch states an action asks for."""


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that happened. `open_facts` tells, of a fact that is not certain, why and through which role.

    `perhaps` tells why it is not certain that it happened at all: a state was there when it was first seen again.
    """

    what: str
    at: Interval
    facts: Mapping[str, Fact]
    closures: tuple[str, ...] = ()
    end: Interval | None = None
    episode: str = ""
    evidence: tuple[EvidenceRef, ...] = ()
    previous: Item | None = None
    request_at: Interval | None = None
    open_facts: Mapping[str, tuple[tuple[Reason, str], ...]] = field(default_factory=dict)
    perhaps: tuple[tuple[Reason, str], ...] = ()

    def fact(self, name: str) -> Fact:
        """A fact by name; the empty text where the item has no such fact."""
        return self.facts.get(name, "")


@dataclass(slots=True)
class World:
    """Everything the rules of one segment may look at."""

    history: History
    vehicle: Vehicle
    episodes: Sequence[Episode]
    streams: Mapping[str, Sequence[Item]]
    _ends: dict[str, list[int]] = field(default_factory=dict)
    _widest: dict[str, int] = field(default_factory=dict)

    def near(self, what: str, lo: int, hi: int) -> Iterator[Item]:
        """Items of a stream that may touch [lo, hi], in order; lasting ones count until their end."""
        items = self.streams.get(what, ())
        if what not in self._ends:
            self._ends[what] = [item.at.hi for item in items]
            reach = [(item.end or item.at).hi - item.at.hi for item in items]
            self._widest[what] = max([0, *reach, *(item.at.width for item in items)])
        ends, widest = self._ends[what], self._widest[what]
        for i in range(bisect_left(ends, lo - widest), len(items)):
            if ends[i] - widest > hi:
                return
            item = items[i]
            if item.at.lo <= hi and (item.end or item.at).hi >= lo:
                yield item

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
    "command": ("command",),
    "answer": ("command", "latch"),
    "movement": ("latch",),
    "request": ("request",),
    "accepted-request": ("request", "validation"),
    "validation": ("validation",),
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
