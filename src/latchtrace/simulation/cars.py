"""What the body module needs to know of a car, and how a car shows on its networks what happens in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation.bits import Message
from latchtrace.simulation.network import Network, Wiring

OUTSIDE = ("remote-button", "key-cylinder", "none")
"""Origins of an unlock that start the relock timer."""

OCCUPANT = ("interior-switch", "inside-handle")
"""Sources inside the car."""


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits as the vehicle file states them, by which the truth is told; times in nanoseconds, km/h."""

    relock_delay: int
    relock_tolerance: int
    relock_policy: str
    speed_threshold: float | None = None
    speed_tolerance: float = 0.0
    speed_hysteresis: float = 0.0
    speed_deadline: int = 0
    response_limit: int | None = None
    actuation_deadline: int = SECOND


@dataclass(frozen=True, slots=True)
class Timing:
    """How long the body module takes: to check a key, to decide, to drive a latch, to hear a contact."""

    check: int = 210 * MILLISECOND
    decide: int = 180 * MILLISECOND
    decide_switch: int = 260 * MILLISECOND
    latch_low: int = 60 * MILLISECOND
    latch_high: int = 200 * MILLISECOND


@dataclass(frozen=True, slots=True)
class Carrier:
    """How something shows: `signals` as `Message.Signal`, the deciding one first.

    `kind`: a `counter` that steps (the other signals belong to its last step), a `level` that is held and falls
    back to 0, or an `event` frame that is repeated.
    """

    kind: str
    signals: tuple[str, ...]

    @property
    def message(self) -> str:
        """The message that carries it."""
        return self.signals[0].partition(".")[0]

    @property
    def names(self) -> tuple[str, ...]:
        """The signals without their message."""
        return tuple(signal.partition(".")[2] for signal in self.signals)


@dataclass(frozen=True, slots=True)
class Car:
    """One demo car: closures, limits, messages, and the names its files and capture channels go by."""

    name: str
    vehicle_file: str
    closures: tuple[str, ...]
    lockable: tuple[str, ...]
    driver: str
    handles: tuple[str, ...]
    limits: Limits
    timing: Timing
    messages: tuple[Message, ...]
    wiring: Wiring
    capture_names: Mapping[str, str]
    keys: Mapping[int, int]
    single_latches: bool
    command_visible: bool
    two_stage: bool
    requests: Mapping[str, Carrier]
    validation: Carrier | None = None
    report: Carrier | None = None

    def message(self, name: str) -> Message:
        """The message of that name; StopIteration where there is none."""
        return next(message for message in self.messages if message.name == name)


class Wire(Protocol):
    """How a car shows what happens; the times are those at which it begins to show."""

    network: Network

    def request(self, source: str, action: str, key: int, *, hidden: bool) -> int:
        """Show a request (unless hidden) and tell when; wakes the network."""

    def validation(self, accepted: bool, key: int) -> None:
        """Show the result of a key check, now."""

    def command_ready(self) -> int:
        """The first moment at which a command may show; wakes the network."""

    def command(self, action: str) -> None:
        """Show a command, now."""

    def latches(self, state: Mapping[str, str]) -> None:
        """Show the latch states, now."""

    def report(self, action: str, origin: str) -> None:
        """Report an action that moves the latches now, where the car reports such things."""

    def ajar(self, state: Mapping[str, bool]) -> None:
        """Show the ajar contacts, now."""

    def contact_ready(self) -> int:
        """The first moment at which a contact may show something new; wakes the network."""

    def ignition(self, on: bool) -> None:
        """Show the ignition, now; wakes the network."""

    def speed_lock(self, on: bool) -> None:
        """Show whether speed locking is turned on, now."""

    def handle(self, closure: str) -> None:
        """Show a pull at an inside handle, now."""
