"""Streams as columns: what happened when, with its facts as numbers, so that a million items are asked at once.

A column answer is a level for each row: 0 NO, 2 YES, and 1 where the columns alone cannot tell. Level 1 says nothing
against the rule: the row is then looked at one by one, by the meaning of the rule itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from latchtrace.model.coding import Codes, Coding, Flags
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.eventtable import Rows, Times
from latchtrace.model.history import History
from latchtrace.model.results import Episode
from latchtrace.model.time import Interval
from latchtrace.rules.item import Item


@dataclass(frozen=True, slots=True)
class StateColumns:
    """The states of one subject, sorted by `hi`: each began at `began` at the earliest, and surely held from `hi` on.

    `next_begin[i]` is the earliest that state i or a later one began.
    """

    lo: Times
    hi: Times
    began: Times
    codes: Codes
    next_begin: Times

    again: Times

    @classmethod
    def of(cls, history: History, kind: EventKind, subject: str) -> StateColumns:
        """A state that was only seen for the first time began when it was seen; `again` tells when that was."""
        known, rows = history.columns(kind), history.rows(kind, subject)
        lo, hi, codes, change = known.lo[rows], known.hi[rows], known.value[rows], known.change[rows]
        began = np.where(change, lo, hi)
        beyond = np.array([2**62], np.int64)
        earliest = np.minimum.accumulate(np.concatenate((began, beyond))[::-1])[::-1]
        again = hi[~change & (codes != history.coding.code("unknown"))]
        return cls(lo, hi, began, codes, earliest, np.append(again, beyond))


@dataclass(slots=True)
class Columns:
    """One stream, sorted by `hi`: when each item happened, until when it lasted, its facts.

    `open` marks rows whose fact may not be certain, `perhaps` rows that may not have happened at all. `previous` is
    the row of the central action before (-1: none), `request_lo` when the request began that an action served.
    `more` gives what an Item has beside its times and facts, `sources` the event or episode each row is made of.
    """

    what: str
    coding: Coding
    lo: Times
    hi: Times
    end_lo: Times
    end_hi: Times
    facts: Mapping[str, Codes]
    more: Callable[[int], Mapping[str, Any]]
    sources: Sequence[LockEvent | Episode] = ()
    open: Mapping[str, Flags] = field(default_factory=dict)
    perhaps: Flags | None = None
    lasts: Flags | None = None
    previous: Rows | None = None
    actions: Columns | None = None
    request_lo: Times | None = None
    widest: int = 0
    _by_lo: Rows | None = None
    _items: dict[int, Item] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.lo):
            widths = np.maximum(self.hi - self.lo, self.end_hi - self.hi)
            self.widest = max(0, int(widths.max()))

    def __len__(self) -> int:
        return len(self.lo)

    def item(self, row: int) -> Item:
        """One row as an item."""
        known = self._items.get(row)
        if known is None:
            values = self.coding.values
            facts = {name: values[codes[row]] for name, codes in self.facts.items()}
            at = Interval(int(self.lo[row]), int(self.hi[row]))
            end = None
            if self.lasts is not None and self.lasts[row]:
                end = Interval(int(self.end_lo[row]), int(self.end_hi[row]))
            known = self._items[row] = Item(self.what, at, facts, end=end, row=row, **self.more(row))
        return known

    @property
    def by_lo(self) -> Rows:
        """The rows in the order in which they may have begun."""
        if self._by_lo is None:
            self._by_lo = np.argsort(self.lo, kind="stable")
        return self._by_lo

    def near(self, lo: int, hi: int) -> Sequence[int]:
        """The rows of items that may touch [lo, hi], in order; lasting ones count until their end."""
        first = int(np.searchsorted(self.hi, lo - self.widest))
        last = int(np.searchsorted(self.hi, hi + self.widest, side="right"))
        inside = (self.lo[first:last] <= hi) & (self.end_hi[first:last] >= lo)
        rows: list[int] = (np.flatnonzero(inside) + first).tolist()
        return rows

    def fact(self, name: str) -> tuple[Codes, Flags] | None:
        """A fact's numbers, and where it may not be certain; None where the columns do not hold it."""
        if name.startswith("previous."):
            return self._before(name.removeprefix("previous."))
        if name not in self.facts:
            return None
        return self.facts[name], self.open.get(name, np.zeros(len(self), np.bool_))

    def _before(self, name: str) -> tuple[Codes, Flags] | None:
        if self.previous is None or self.actions is None:
            return None
        known = self.actions.fact(name)
        if known is None:
            return None
        codes, unsure = known
        if not len(codes):
            return np.zeros(len(self), np.int32), np.ones(len(self), np.bool_)
        at = np.maximum(self.previous, 0)
        return codes[at], unsure[at] | (self.previous < 0)
