"""What a DBC says, and the tracks its signals leave in time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s, UInt8s
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import Interval


@dataclass(frozen=True, slots=True, order=True)
class SignalRef:
    """A signal by name, `Message.Signal`, with the channel where the vehicle file names one."""

    message: str
    signal: str
    channel: str | None = None

    def __str__(self) -> str:
        return f"{self.channel}:{self.message}.{self.signal}" if self.channel else f"{self.message}.{self.signal}"


@dataclass(frozen=True, slots=True)
class SignalSpec:
    """One signal of a DBC.

    `bits` lists its bit positions in the payload (8n + k), least significant bit first, so byte order needs no
    further thought; `mask` is the same as one integer. `multiplexers` names the selector signals that must
    hold one of the listed raw values for this signal to be present (all of them; nested ones included).
    """

    name: str
    bits: tuple[int, ...]
    mask: int
    signed: bool
    is_float: bool
    scale: float
    offset: float
    minimum: float | None
    maximum: float | None
    unit: str
    choices: Mapping[int, str] = field(default_factory=dict)
    multiplexers: tuple[tuple[str, tuple[int, ...]], ...] = ()
    is_multiplexer: bool = False
    comment: str = ""


@dataclass(frozen=True, slots=True)
class MessageSpec:
    """One message of a DBC; `period` in nanoseconds where the DBC states a cycle time."""

    name: str
    can_id: int
    extended: bool
    length: int
    is_fd: bool
    signals: tuple[SignalSpec, ...]
    period: int | None = None
    comment: str = ""

    def signal(self, name: str) -> SignalSpec | None:
        """The signal of that name, or None."""
        return next((signal for signal in self.signals if signal.name == name), None)


@dataclass(frozen=True, slots=True)
class Database:
    """One DBC as values; `name` is the file's name, `notices` what was odd in it."""

    name: str
    messages: tuple[MessageSpec, ...]
    notices: tuple[str, ...] = ()


class Validity(IntEnum):
    """What a track's row says about its value."""

    KNOWN = 0
    ABSENT = 1  # the frame was too short for the signal
    LOST = 2  # a recorder gap or a new segment starts here: the value is unknown until the next row


class Onset(IntEnum):
    """What a track's row says about when its value began."""

    CHANGED = 0  # within [t_lo, t_hi]
    FIRST_SEEN = 1  # nothing known before: t_hi is when it was seen, not when it began
    REPEATED = 2  # the same value once more (event frames; every frame of an always-emitted message)


@dataclass(frozen=True, slots=True)
class SignalTrack:
    """One signal over time, as columns of equal length, in time order, one segment.

    Row i says: from some moment in [t_lo, t_hi] (by the message's send type, loss and sleep considered) until
    the next row the raw value was `raw` (int64, uint64 or float64) and the scaled one `value` (float64).
    `row` is the number of the frame in the RowStore (-1 for LOST rows). Rows only where the value changes,
    where it is first seen, and, for event or always-emitted messages, at each frame.
    `known_until` is the last moment for which the last value is known to hold; `silences` are spans
    (last frame before, first frame after] in which cyclic frames of the message are missing, other than sleep.
    """

    ref: SignalRef
    key: MessageKey
    t_lo: Int64s
    t_hi: Int64s
    raw: npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]
    validity: UInt8s
    onset: UInt8s
    row: Int64s
    known_until: int
    silences: tuple[Interval, ...] = ()

    def __len__(self) -> int:
        return len(self.t_lo)

    def at(self, i: int) -> Interval:
        """When row i began."""
        return Interval(int(self.t_lo[i]), int(self.t_hi[i]))


@dataclass(frozen=True, slots=True)
class Tracks:
    """All tracks of one segment, with what the capture could not show.

    `blind` lists recorder gaps as (channel or "" for all, span); `sleeps` likewise. `seen` tells for each
    message asked for when its first and last frame came (None: it is silent in this segment).
    """

    segment: int
    span: Interval
    tracks: Mapping[SignalRef, SignalTrack]
    blind: tuple[tuple[str, Interval], ...] = ()
    sleeps: tuple[tuple[str, Interval], ...] = ()
    seen: Mapping[MessageKey, Interval | None] = field(default_factory=dict)
    frames: Mapping[MessageKey, int] = field(default_factory=dict)
    notices: Sequence[str] = ()
