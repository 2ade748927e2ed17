"""A vehicle as its vehicle file describes it: which signal plays which role, and by which limits it is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from latchtrace.model.network import SignalRef

REQUEST_SOURCES = (
    "remote-button",
    "handle-touch",
    "handle-button",
    "handle-lift",
    "walk-away",
    "interior-switch",
    "inside-handle",
    "key-cylinder",
    "keypad",
    "tailgate-switch",
    "automatic-unlock",
    "crash",
    "tester",
    "remote-service",
    "accessory",
)
"""Sources a vehicle file can map as `request.<source>`; `other:<label>` is allowed as well."""

TIMED_SOURCES = ("relock-timer", "speed")
"""Sources that are known by their own definition (time since the unlock, speed), not by a signal."""

OUTSIDE_SOURCES = frozenset(
    {
        "remote-button",
        "handle-touch",
        "handle-button",
        "handle-lift",
        "walk-away",
        "key-cylinder",
        "keypad",
        "tailgate-switch",
        "remote-service",
        "accessory",
    }
)
INSIDE_SOURCES = frozenset({"interior-switch", "inside-handle"})
MECHANICAL_SOURCES = ("inside-handle", "key-cylinder", "hand-release")
"""What can move a latch by hand, with no command."""


def side_of(origin: str) -> str:
    """Where an origin sits: `outside`, `inside`, `automatic`, `none` or `unknown`."""
    if origin in OUTSIDE_SOURCES or origin.startswith("other:"):
        return "outside"
    if origin in INSIDE_SOURCES:
        return "inside"
    return origin if origin in ("none", "unknown") else "automatic"


ACTIONS = ("lock", "unlock", "deadlock", "release")
LATCH_STATES = ("unlocked", "locked", "deadlocked", "unknown")
AJAR_STATES = ("shut", "open", "unknown")


class SendType(StrEnum):
    """When a message is sent."""

    CYCLIC = "cyclic"
    ON_CHANGE = "on-change"
    CYCLIC_AND_ON_CHANGE = "cyclic-and-on-change"
    EVENT = "event"

    @property
    def cyclic(self) -> bool:
        """Whether frames come in a cycle, be there further ones or not."""
        return self in (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)


class RoleStatus(StrEnum):
    """What the vehicle file says of a role."""

    MAPPED = "mapped"
    NOT_FITTED = "not-fitted"
    NOT_VISIBLE = "not-visible"


class Shows(StrEnum):
    """How a signal tells that something happens."""

    LEVEL = "level"  # holds its value as long as the thing lasts
    PULSE = "pulse"  # a short excursion; only its start counts
    EVENT = "event"  # each frame is one occurrence (repeats within `repeat_within` are one)
    COUNTER = "counter"  # each step of the counter is one occurrence


@dataclass(frozen=True, slots=True)
class Channel:
    """One network of the vehicle: the names captures may call it by, its bit rate and its DBC files."""

    name: str
    aliases: tuple[str, ...] = ()
    bit_rate: int | None = None
    databases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MessageUse:
    """How a message is sent; times in nanoseconds.

    `latency` bounds the time from the change to its frame. `repeats` frames carry one event, within
    `repeat_within`. `kind_pages` marks a multiplexer that tells what kind of event this is. `counter` names
    the alive counter that shows loss.
    """

    message: str
    channel: str | None
    send: SendType
    period: int | None = None
    latency: int = 0
    repeats: int = 1
    repeat_within: int = 0
    kind_pages: bool = False
    counter: str | None = None
    counter_modulus: int | None = None


@dataclass(frozen=True, slots=True)
class Labels:
    """What raw values mean: each maps to (subject, label) pairs; subject "" is the role's own.

    A whole-car latch value maps to one pair per closure. Values not listed are unknown, and reported.
    """

    by_raw: Mapping[int, tuple[tuple[str, str], ...]]


@dataclass(frozen=True, slots=True)
class Detail:
    """A further fact carried by the same frame (action, key slot, counter, code, result, reason, origin)."""

    name: str
    signal: SignalRef
    labels: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reading:
    """One way a role shows on the network.

    `labels` give the label of each raw value (level, pulse, event); a counter has none and takes its label from
    the detail `action` or from `does`. `when` lists other signals of the same frame that must hold one of the
    raw values given. `modulus` wraps a counter. `holds` is the shortest time a level or pulse is shown, so that
    a hole shorter than that cannot hide one (None: not stated). `closure` names the closure it concerns, if one.
    `factor` turns a numeric signal's scaled value into km/h.
    """

    signal: SignalRef
    shows: Shows
    labels: Labels | None = None
    does: str | None = None
    details: tuple[Detail, ...] = ()
    when: tuple[tuple[SignalRef, tuple[int, ...]], ...] = ()
    modulus: int | None = None
    holds: int | None = None
    numeric: bool = False
    closure: str = ""
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Role:
    """One role of the vehicle: `kind` (latch, ajar, request, command, …) and `subject` (closure, source, …)."""

    name: str
    kind: str
    subject: str
    status: RoleStatus
    readings: tuple[Reading, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A limit, policy or setting with where its value comes from.

    `value` is nanoseconds for unit "ns", km/h for "km/h", else a count, a choice or a truth value.
    """

    name: str
    value: int | float | str | bool
    unit: str
    origin: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class Closure:
    """A door, tailgate, bonnet or fuel flap. `lockable` False for one that only has an ajar contact."""

    name: str
    title: str
    lockable: bool = True
    actuator: str = "motor-in-latch"
    rear: bool = False
    driver: bool = False


@dataclass(frozen=True, slots=True)
class Vehicle:
    """Everything a vehicle file says, checked. `folder` is where its DBC files are found.

    `functions` tells of `auto-relock` and `speed-lock` whether they are fitted, as far as the file says.
    """

    name: str
    system: str
    folder: str
    channels: tuple[Channel, ...]
    messages: Mapping[str, MessageUse]
    closures: tuple[Closure, ...]
    lock_groups: Mapping[str, tuple[str, ...]]
    roles: Mapping[str, Role]
    parameters: Mapping[str, Parameter]
    functions: Mapping[str, bool] = field(default_factory=dict)
    timestamp_uncertainty: int = 0
    file: str = ""

    @property
    def lockable(self) -> tuple[str, ...]:
        """Names of the closures that lock."""
        return tuple(closure.name for closure in self.closures if closure.lockable)

    def role(self, name: str) -> Role:
        """The role of that name; one the file does not mention counts as not visible."""
        kind, _, subject = name.partition(".")
        return self.roles.get(name) or Role(name, kind, subject, RoleStatus.NOT_VISIBLE, note="not stated")
