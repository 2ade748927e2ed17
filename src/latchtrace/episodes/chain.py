"""Finds the central event of every chain: a command, or, where none is visible or none was given, a movement."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import accumulate

from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.history import History
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle

ACTION_OF_STATE = {"locked": "lock", "unlocked": "unlock", "deadlocked": "deadlock"}
STATES_OF_ACTION = {
    "lock": frozenset({"locked", "deadlocked"}),
    "unlock": frozenset({"unlocked"}),
    "deadlock": frozenset({"deadlocked"}),
}
NEAR = 64
"""How many commands before a movement may be the one that caused it."""
SAME_COMMAND = 300_000_000
"""Commands of one action to several groups within 300 ms are one command (common practice)."""


@dataclass(slots=True)
class Anchor:
    """The event a chain hangs on. `closures` are those addressed (command) or moved (movement)."""

    action: str
    at: Interval
    closures: tuple[str, ...]
    command: LockEvent | None = None
    movements: list[LockEvent] = field(default_factory=list)

    @property
    def central(self) -> bool:
        """Whether it is a command, or several closures moving together."""
        return self.command is not None or len({event.subject for event in self.movements}) > 1


def command_visible(history: History) -> bool:
    """Whether the vehicle file maps any command role."""
    return any(known.status == RoleStatus.MAPPED for known in history.roles("command"))


def limit(vehicle: Vehicle, name: str) -> int:
    """A time limit of the vehicle in nanoseconds; 0 where it states none."""
    parameter = vehicle.parameters.get(name)
    return int(parameter.value) if parameter else 0


def find_anchors(history: History, vehicle: Vehicle) -> list[Anchor]:
    """All anchors of a timeline in time order, each movement claimed by the command that explains it."""
    anchors = _commands(history, vehicle)
    claim = max(limit(vehicle, name) for name in ("actuation_deadline", "settle_time", "request_window"))
    begins = list(accumulate((anchor.at.lo for anchor in anchors), max))
    rest: list[LockEvent] = []
    for event in history.events(EventKind.LATCH):
        if not event.change or event.value not in ACTION_OF_STATE:
            continue
        owner = _owner(anchors[max(0, (last := bisect_right(begins, event.at.hi)) - NEAR) : last], event, claim)
        if owner is None:
            rest.append(event)
        else:
            owner.movements.append(event)
    anchors += _movement_clusters(history, rest, limit(vehicle, "actuation_deadline"))
    return sorted(anchors, key=lambda anchor: (anchor.at.hi, anchor.at.lo))


def _commands(history: History, vehicle: Vehicle) -> list[Anchor]:
    anchors: list[Anchor] = []
    for event in history.events(EventKind.COMMAND):
        if event.value not in STATES_OF_ACTION or not event.change:
            continue
        closures = addressed(vehicle, event.subject)
        last = anchors[-1] if anchors else None
        if (
            last is not None
            and last.action == event.value
            and event.at.lo - last.at.hi <= SAME_COMMAND
            and not set(closures) & set(last.closures)
        ):
            last.closures += tuple(name for name in closures if name not in last.closures)
        else:
            anchors.append(Anchor(event.value, event.at, closures, event))
    return anchors


def addressed(vehicle: Vehicle, subject: str) -> tuple[str, ...]:
    """The closures a command's subject stands for: a lock group, one closure, or all that lock."""
    if subject in vehicle.lock_groups:
        return tuple(vehicle.lock_groups[subject])
    return (subject,) if subject in vehicle.lockable else vehicle.lockable


def _owner(anchors: list[Anchor], event: LockEvent, claim: int) -> Anchor | None:
    """The latest command that may have caused a movement: same direction, addressed, not after it."""
    for anchor in reversed(anchors):
        if anchor.at.lo > event.at.hi:
            continue
        if event.at.lo - anchor.at.hi > claim:
            return None
        half_way = anchor.action == "deadlock" and event.value == "locked"
        if event.subject in anchor.closures and (event.value in STATES_OF_ACTION[anchor.action] or half_way):
            return anchor
    return None


def _movement_clusters(history: History, movements: list[LockEvent], together: int) -> list[Anchor]:
    """Movements of one direction that began within `together` of the first are one chain.

    A request of that action between two of them starts a new one: the second press of a key unlocks the rest.
    """
    clusters: list[Anchor] = []
    for event in movements:
        action = ACTION_OF_STATE[event.value]
        last = next((anchor for anchor in reversed(clusters) if anchor.action == action), None)
        joins = last is not None and event.at.lo - last.at.hi <= together and event.subject not in last.closures
        if last is not None and joins and not _asked_between(history, action, last.at, event.at):
            last.movements.append(event)
            last.closures += (event.subject,)
        else:
            clusters.append(Anchor(action, event.at, (event.subject,), None, [event]))
    return clusters


def _asked_between(history: History, action: str, first: Interval, second: Interval) -> bool:
    return any(
        event.value == action and event.at.lo > first.hi and event.at.lo <= second.lo
        for event in history.near(EventKind.REQUEST, first.hi, second.lo)
    )
