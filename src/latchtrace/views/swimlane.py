"""The values of a swimlane: lanes of spans in time, a curve, bands behind them, and a mark for each finding."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s, UInt16s
from latchtrace.model.time import Interval


class LaneKind(StrEnum):
    """How a lane is drawn."""

    EVENTS = "events"  # things that happen, at a moment or for a while
    STATES = "states"  # something that always is in one state
    CONTACT = "contact"  # an ajar contact: drawn where it is not shut
    TIMER = "timer"  # a derived window
    CURVE = "curve"  # a number over time


@dataclass(frozen=True, slots=True, order=True)
class Value:
    """What a span shows: the text people read, and the tone it is drawn in."""

    text: str
    tone: str


@dataclass(frozen=True, slots=True, eq=False)
class Spans:
    """Spans of one lane as columns of equal length, sorted by `start_hi`; all times int64 nanoseconds.

    Row i began at some moment in [start_lo, start_hi], ended in [end_lo, end_hi] and showed `values[code]` of its
    lane. A momentary one ends as it begins. `counted` is 0 where nothing is known to have happened (a state only
    seen for the first time), else 1.
    """

    start_lo: Int64s
    start_hi: Int64s
    end_lo: Int64s
    end_hi: Int64s
    code: UInt16s
    counted: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.start_lo)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A number over time as a step curve: from `t[i]` (nanoseconds) it was `value[i]`, NaN where not known."""

    t: Int64s
    value: npt.NDArray[np.float64]
    unit: str
    top: float
    threshold: float | None = None
    tolerance: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Lane:
    """One lane: what it is called, how it is drawn, and what it holds.

    `title` names it by itself; `short` is enough where the lane above names the closure. `rest` lists the codes that
    count as rest where activity is too dense to draw. `group` names lanes that stand together; `note` says why a
    lane is empty.
    """

    key: str
    kind: LaneKind
    title: str
    group: str
    values: tuple[Value, ...]
    spans: Spans
    rest: tuple[int, ...] = ()
    channel: str = ""
    curve: Curve | None = None
    note: str = ""
    short: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch in which the capture shows nothing: `sleep`, `gap`, or `blind` for the one lane named."""

    kind: str
    span: Interval
    channel: str = ""
    lane: str = ""


@dataclass(frozen=True, slots=True)
class FindingMark:
    """Where a finding stands in the strip above the lanes."""

    id: str
    severity: str
    at: Interval
    title: str
    by_design: bool = False
    conclusive: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Swimlane:
    """Everything the swimlane of one capture shows; `zero` is the capture's first frame, `span` what it covers."""

    zero: int
    span: Interval
    lanes: tuple[Lane, ...]
    marks: tuple[FindingMark, ...] = ()
    bands: tuple[Band, ...] = ()


class SpanRows:
    """Collects spans row by row and hands them out as columns."""

    def __init__(self) -> None:
        self._rows: list[tuple[int, int, int, int, int, int]] = []
        self._codes: dict[Value, int] = {}

    def add(self, start: Interval, end: Interval, value: Value, counted: bool = True) -> None:
        """One span; its end is never before its start."""
        code = self._codes.setdefault(value, len(self._codes))
        end_hi = max(end.hi, start.hi)
        self._rows.append((start.lo, start.hi, min(max(end.lo, start.lo), end_hi), end_hi, code, int(counted)))

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def values(self) -> tuple[Value, ...]:
        """The values by code."""
        return tuple(self._codes)

    def codes_of(self, tones: frozenset[str]) -> tuple[int, ...]:
        """The codes of the values in one of these tones."""
        return tuple(code for value, code in self._codes.items() if value.tone in tones)

    def columns(self) -> Spans:
        """All rows as columns, sorted by when they were seen to begin."""
        table = np.array(self._rows, dtype=np.int64).reshape(-1, 6)
        table = table[np.argsort(table[:, 1], kind="stable")]
        start_lo, start_hi, end_lo, end_hi, code, counted = (np.ascontiguousarray(column) for column in table.T)
        return Spans(start_lo, start_hi, end_lo, end_hi, code.astype(np.uint16), counted.astype(np.uint8))
