"""A long row of lock events of an ordinary car, in pieces, made directly: for what has to hold at any length.

The car is that of the examples, with limits of its own. It is unlocked, loaded, driven, locked; a small share of the
unlocks is not used, so that the car locks itself again; where faults are asked for, commands come by nobody, latches
stand still or answer slowly, and requests are not served.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from latchtrace.episodes.build import build_episodes
from latchtrace.model.events import Coverage, EventKind, LockEvent, Timeline
from latchtrace.model.history import History
from latchtrace.model.network import Onset, SignalRef, SignalTrack, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.results import Episode
from latchtrace.model.time import MILLISECOND, SECOND, Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle
from latchtrace.rules.example_car import Car, example_vehicle, read_parameter, role_names
from latchtrace.rules.example_lines import AJAR, CLOSURES

LIMITS = {
    "relock.delay": "30 s",
    "relock.tolerance": "1 s",
    "relock.policy": "cancel",
    "speed_lock.threshold": "15 km/h",
    "speed_lock.tolerance": "2 km/h",
    "speed_lock.hysteresis": "5 km/h",
    "speed_lock.deadline": "2 s",
    "latch.response_limit": "400 ms",
}
ms = MILLISECOND


def long_row_vehicle() -> Vehicle:
    """The car of the row."""
    parameters = {name: read_parameter(name, text, "a test") for name, text in LIMITS.items()}
    return example_vehicle(Car({}, parameters, {}), role_names())


@dataclass(slots=True)
class LongRow:
    """Makes the row, piece after piece; the same seed gives the same row. `faults` is the share of faulty actions."""

    seed: int
    faults: float = 0.0
    t: int = 0
    number: int = 0
    made: list[LockEvent] = field(default_factory=list)
    speed: list[tuple[int, float]] = field(default_factory=list)
    chance: random.Random = field(default_factory=random.Random)

    def pieces(self, sizes: Iterator[int]) -> Iterator[tuple[Timeline, tuple[Episode, ...]]]:
        """Pieces of at least these numbers of events, each with its episodes, numbered through."""
        self.chance.seed(self.seed)
        begin, episodes = 0, 0
        self._at_rest()
        for size in sizes:
            while len(self.made) < size:
                self._go_on()
            end = self.t - SECOND
            piece = self._piece(begin, end)
            found = build_episodes(History(piece), long_row_vehicle())
            yield piece, tuple(replace(one, id=f"E{episodes + i}") for i, one in enumerate(found, 1))
            episodes += len(found)
            begin, self.made, self.speed = end + 1, [], []

    def _piece(self, begin: int, end: int) -> Timeline:
        span = Interval(begin, end)
        events = sorted(self.made, key=lambda one: (one.at.hi, one.at.lo, one.row))
        coverage = {name: Coverage(name, RoleStatus.MAPPED, span) for name in role_names()}
        return Timeline(0, span, tuple(events), {"speed": self._track(end)}, coverage)

    def _track(self, end: int) -> SignalTrack:
        at = np.array([t for t, _ in self.speed], np.int64)
        value = np.array([value for _, value in self.speed], np.float64)
        size = len(at)
        return SignalTrack(
            ref=SignalRef("Row", "Speed"),
            key=MessageKey(None, 1, False),
            t_lo=np.maximum(at - 100 * ms, 0),
            t_hi=at,
            raw=value,
            value=value,
            validity=np.full(size, int(Validity.KNOWN), np.uint8),
            onset=np.full(size, int(Onset.CHANGED), np.uint8),
            row=np.arange(size, dtype=np.int64),
            known_until=end,
        )

    def _event(self, kind: EventKind, subject: str, value: str, at: int, end: Interval | None = None) -> None:
        self.number += 1
        self.made.append(LockEvent(kind, subject, value, Interval(at - 20 * ms, at), self.number, True, end, str(kind)))

    def _at_rest(self) -> None:
        states = [
            *((EventKind.LATCH, one, "locked") for one in CLOSURES),
            *((EventKind.AJAR, one, "shut") for one in AJAR),
        ]
        states += [(EventKind.STATE, "ignition", "off"), (EventKind.STATE, "speed-lock-enabled", "on")]
        self.made = [
            LockEvent(kind, subject, value, Interval.at(0), 0, False, signal=str(kind))
            for kind, subject, value in states
        ]
        self.speed, self.t = [(0, 0.0)], 10 * SECOND

    def _go_on(self) -> None:
        """One use of the car, which ends locked and at rest."""
        what = self.chance.choices(("unused", "loaded", "driven"), (1, 60, 60))[0]
        self._asked("remote-button", "unlock")
        if what == "unused":
            self._commanded("lock", self.t + 28 * SECOND + (80 + self.chance.randrange(100)) * ms)
            self.t += 31 * SECOND
        elif what == "loaded":
            for _ in range(self.chance.randrange(1, 4)):
                self._opened(self.chance.choice(AJAR))
            self._asked("remote-button", "lock")
        else:
            self._driven()
        self.t += self.chance.randrange(62, 300) * SECOND

    def _driven(self) -> None:
        self._opened("front-left")
        self._event(EventKind.STATE, "ignition", "on", self.t)
        self.t += 5 * SECOND
        for i, value in enumerate((4.0, 8.0, 12.0, 18.0, 24.0, 30.0)):
            self.speed.append((self.t + i * SECOND, value))
        self._commanded("lock", self.t + 4 * SECOND)
        self.t += 30 * SECOND
        for i, value in enumerate((20.0, 8.0, 0.0)):
            self.speed.append((self.t + i * SECOND, value))
        self.t += 5 * SECOND
        self._event(EventKind.STATE, "ignition", "off", self.t)
        self.t += SECOND
        self._asked("interior-switch", "unlock")
        self._opened("front-left")
        self._asked("remote-button", "lock")

    def _opened(self, closure: str) -> None:
        self.t += self.chance.randrange(2, 5) * SECOND
        self._event(EventKind.AJAR, closure, "open", self.t)
        self.t += self.chance.randrange(1, 9) * SECOND
        self._event(EventKind.AJAR, closure, "shut", self.t)
        self.t += 2 * SECOND

    def _asked(self, source: str, action: str) -> None:
        wrong = self.chance.random() < self.faults
        fault = self.chance.choice(("nobody", "ignored", "")) if wrong else ""
        if fault != "nobody":
            held = Interval(self.t + 180 * ms, self.t + 200 * ms)
            self._event(EventKind.REQUEST, source, action, self.t, held)
            if source == "remote-button":
                self._event(EventKind.VALIDATION, "", "accepted", self.t + 40 * ms)
        self._commanded(action, self.t + (900 if fault == "ignored" else 80) * ms)
        self.t += 2 * SECOND

    def _commanded(self, action: str, at: int) -> None:
        self._event(EventKind.COMMAND, "all", action, at)
        for closure in CLOSURES:
            slow = 400 * ms if self.chance.random() < self.faults / 4 else 0
            self._event(EventKind.LATCH, closure, f"{action}ed", at + slow + self.chance.randrange(60, 140) * ms)
