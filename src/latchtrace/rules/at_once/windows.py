"""Whether things of a stream begin, or lasted, in the window of each occasion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.eventtable import Rows, Times
from latchtrace.rules.at_once.many import Many
from latchtrace.rules.columns import Columns

FAR = np.int64(2**62)


@dataclass(frozen=True, slots=True)
class Window:
    """From `lo` to `hi` nanoseconds after each occasion; `cut` is the moment before which nothing counts."""

    lo: Times | int
    hi: int
    cut: Times | None = None

    def of(self, chosen: Rows) -> Window:
        """The window of some of the occasions."""
        lo = self.lo if isinstance(self.lo, int) else self.lo[chosen]
        return Window(lo, self.hi, None if self.cut is None else self.cut[chosen])


@dataclass(frozen=True, slots=True)
class Found:
    """Rows of a stream that fit; `own` are the occasions' own rows, which do not count for them."""

    columns: Columns
    rows: Rows
    own: Rows | None


def forward(many: Many, window: Window, found: Found, lasts: tuple[Times, Times], sure: bool) -> Flags:
    """Whether one of them surely (or possibly) begins in a window that reaches into the future."""
    rows, columns = found.rows, found.columns
    if not len(rows):
        return np.zeros(len(many), np.bool_)
    lo, hi = columns.lo[rows], columns.hi[rows]
    first = np.searchsorted(hi, many.lo + window.lo)
    clear = _past_own(found, first)
    earliest = np.append(np.minimum.accumulate(lo[::-1])[::-1], FAR)
    if not sure:
        inside = earliest[first] <= lasts[1] + window.hi
        if clear is None:
            return inside
        return inside & ~(clear & (earliest[np.minimum(first + 1, len(rows))] > lasts[1] + window.hi))
    at = first if clear is None else np.where(clear, np.minimum(first + 1, len(rows)), first)
    padded_lo, padded_hi = np.append(lo, FAR), np.append(hi, FAR)
    soon = padded_hi[at] <= lasts[0] + window.hi
    late = (
        np.ones(len(many), np.bool_)
        if isinstance(window.lo, int) and window.lo == 0
        else (padded_lo[at] >= many.hi + window.lo)
    )
    other = np.ones(len(many), np.bool_) if found.own is None else np.append(rows, -1)[at] != found.own
    return np.asarray(soon & late & other, np.bool_)


def _past_own(found: Found, first: Rows) -> Flags | None:
    """Where the first candidate is the occasion itself."""
    if found.own is None:
        return None
    return np.asarray(np.append(found.rows, -1)[first] == found.own, np.bool_)


def backward(many: Many, window: Window, found: Found, lasts: tuple[Times, Times], sure: bool) -> Flags:  # noqa: ARG001
    """Whether one of them surely (or possibly) lasted into a window that reaches into the past."""
    rows, columns = found.rows, found.columns
    if not len(rows):
        return np.zeros(len(many), np.bool_)
    chosen = np.zeros(len(columns), np.bool_)
    chosen[rows] = True
    ordered = columns.by_lo[chosen[columns.by_lo]]
    begun = columns.lo[ordered]
    last = np.searchsorted(begun, many.hi, side="right")
    ends = columns.end_lo if sure else columns.end_hi
    latest = np.concatenate(([-FAR], np.maximum.accumulate(ends[ordered])))
    edge = (many.hi if sure else many.lo) + window.lo
    edge = edge if window.cut is None else np.maximum(edge, window.cut)
    inside = latest[last] >= edge
    if found.own is None:
        return np.asarray(inside, np.bool_)
    # the occasion itself does not count: look again without it where it is among them
    places = np.full(len(columns), -1, np.int64)
    places[ordered] = np.arange(len(rows))
    place = places[found.own]
    mine = place >= 0
    if not mine.any():
        return np.asarray(inside, np.bool_)
    alone = mine & (place == last - 1)
    before = latest[np.maximum(last - 1, 0)] >= edge
    if sure:
        return np.asarray(np.where(mine, alone & before, inside), np.bool_)
    return np.asarray(np.where(alone, before, inside), np.bool_)
