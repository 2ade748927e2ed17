"""Lock events: what the car did, in the trade's terms, each at an interval of time and pointing at a frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from latchtrace.model.network import SignalTrack
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus


class EventKind(StrEnum):
    """What happened; `subject` and `value` of the event depend on it."""

    REQUEST = "request"  # subject: source, value: action
    RECEPTION = "reception"  # subject: "", value: "decoded" or "undecoded"
    VALIDATION = "validation"  # subject: "", value: "accepted" or "refused"
    COMMAND = "command"  # subject: lock group or closure, value: action
    REPORT = "action-report"  # subject: origin named on the bus, value: action
    LATCH = "latch"  # subject: closure, value: latch state
    AJAR = "ajar"  # subject: closure, value: "open", "shut" or "unknown"
    STATE = "state"  # subject: role (ignition, speed-lock-enabled, …), value: label
    MARK = "mark"  # subject: action marked, value: the note


@dataclass(frozen=True, slots=True)
class LockEvent:
    """One thing that happened, at some moment within `at`.

    `change` is False where a state is only seen for the first time (start, gap): the state holds, nothing is
    known to have happened. `end` bounds when a request that lasts (level) was let go (the end of the timeline while
    it still lasts); None for momentary ones. `row` numbers the frame that shows it (-1: none, as for states lost
    over a gap), `signal` the signal in it. `details` are further facts of the same frame: slot, counter, code,
    origin, reason.
    """

    kind: EventKind
    subject: str
    value: str
    at: Interval
    row: int = -1
    change: bool = True
    end: Interval | None = None
    signal: str = ""
    details: tuple[tuple[str, int | str], ...] = ()

    def detail(self, name: str) -> int | str | None:
        """The detail of that name, or None."""
        return next((value for key, value in self.details if key == name), None)


class Reason(StrEnum):
    """Why a verdict is not a plain pass or fail."""

    NOT_EXERCISED = "not-exercised"
    GAP = "gap"
    LOSS = "loss"
    STRADDLES = "straddles"
    ENDED = "ended"
    UNKNOWN_BEFORE = "unknown-before"
    SILENT = "silent"
    NOT_VISIBLE = "not-visible"
    LIMIT_NOT_STATED = "limit-not-stated"


@dataclass(frozen=True, slots=True)
class Blind:
    """A span in which something of a role could have happened unseen."""

    span: Interval
    reason: Reason


@dataclass(frozen=True, slots=True)
class Coverage:
    """How well the capture shows one role: its status, when it was first and last seen, and the blind spans.

    `seen` None with status mapped: the role's messages are silent in this segment. `key` text names channel and
    id of the message a technician would look for. The times before `seen.lo` and after `seen.hi` are unknown
    too, and not listed in `blind`.
    """

    role: str
    status: RoleStatus
    seen: Interval | None = None
    blind: tuple[Blind, ...] = ()
    channel: str = ""
    can_id: int | None = None
    extended: bool = False


@dataclass(frozen=True, slots=True)
class Timeline:
    """All lock events of one segment in order of `at.hi`, the numeric tracks by role, and the coverage by role.

    `events` may be a table of columns, which makes each event when it is looked at.
    """

    segment: int
    span: Interval
    events: Sequence[LockEvent]
    numeric: Mapping[str, SignalTrack] = field(default_factory=dict)
    coverage: Mapping[str, Coverage] = field(default_factory=dict)
    gaps: tuple[Interval, ...] = ()
    sleeps: tuple[Interval, ...] = ()
    notices: tuple[str, ...] = ()
