"""Time as latchtrace knows it: integer nanoseconds, and intervals where a moment is uncertain."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

MICROSECOND = 1_000
MILLISECOND = 1_000_000
SECOND = 1_000_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE

NO_TIME = -(2**63)
"""Stands in integer columns where there is no earlier time."""


@dataclass(frozen=True, slots=True, order=True)
class Interval:
    """All moments (or durations) from `lo` to `hi`, both included, in integer nanoseconds.

    A half-open observation (a, b] is `Interval(a + 1, b)`: with integers nothing is lost.
    """

    lo: int
    hi: int

    def __post_init__(self) -> None:
        if self.lo > self.hi:
            raise ValueError(f"interval ends before it starts: {self.lo} > {self.hi}")

    @classmethod
    def at(cls, moment: int) -> Interval:
        """The interval that holds one exactly known moment."""
        return cls(moment, moment)

    @classmethod
    def seen(cls, previous: int, this: int) -> Interval:
        """When a value changed that `previous` did not show and `this` does: (previous, this]."""
        return cls(min(previous + 1, this), this)

    @property
    def exact(self) -> bool:
        """Whether only one moment is possible."""
        return self.lo == self.hi

    @property
    def width(self) -> int:
        """How uncertain it is, in nanoseconds."""
        return self.hi - self.lo

    def shift(self, by: int) -> Interval:
        """The same interval, moved."""
        return Interval(self.lo + by, self.hi + by)

    def widen(self, by: int) -> Interval:
        """Uncertain by `by` more at both ends."""
        return Interval(self.lo - by, self.hi + by)

    def since(self, start: Interval) -> Interval:
        """Every duration possible from a moment in `start` to a moment in this interval."""
        return Interval(self.lo - start.hi, self.hi - start.lo)

    def overlaps(self, other: Interval) -> bool:
        """Whether the two share a moment."""
        return self.lo <= other.hi and other.lo <= self.hi

    def hull(self, other: Interval) -> Interval:
        """The smallest interval that holds both."""
        return Interval(min(self.lo, other.lo), max(self.hi, other.hi))


class Truth(Enum):
    """Three-valued logic (Kleene): what intervals, gaps and unseen states leave open is UNKNOWN."""

    NO = 0
    UNKNOWN = 1
    YES = 2

    @classmethod
    def of(cls, known: bool | None) -> Truth:
        """From a Python truth value; None is UNKNOWN."""
        return cls.UNKNOWN if known is None else cls.YES if known else cls.NO

    def __and__(self, other: Truth) -> Truth:
        return self if self.value <= other.value else other

    def __or__(self, other: Truth) -> Truth:
        return self if self.value >= other.value else other

    def __invert__(self) -> Truth:
        return Truth(2 - self.value)


def within(duration: Interval, lo: int | None, hi: int | None) -> Truth:
    """Whether a duration keeps a closed limit [lo, hi]: wholly inside YES, wholly outside NO, else UNKNOWN.

    The three-outcome conformity test with an inconclusive result in the manner of ISO 10576.
    """
    if (lo is not None and duration.hi < lo) or (hi is not None and duration.lo > hi):
        return Truth.NO
    inside = (lo is None or duration.lo >= lo) and (hi is None or duration.hi <= hi)
    return Truth.YES if inside else Truth.UNKNOWN
