"""Which part of the recording counts for an occasion: from the opening of its scope to the moment before it closes."""

from __future__ import annotations

from dataclasses import dataclass

from latchtrace.model.time import Interval, Truth
from latchtrace.rules.item import Item


@dataclass(frozen=True, slots=True)
class Clip:
    """The scope around one occasion: it opened at some moment within `opened`, and closes at some moment in `closed`.

    What happens at the moment of closing is outside already.
    """

    opened: Interval
    closed: Interval

    def cut(self, span: Interval) -> Interval | None:
        """The part of a span that may lie in the scope; None where none of it does."""
        lo, hi = max(span.lo, self.opened.lo), min(span.hi, self.closed.hi - 1)
        return Interval(lo, hi) if lo <= hi else None

    def holds(self, item: Item, *, later: bool = False) -> Truth:
        """Whether something happened inside the scope; what lasts into it counts.

        `later`: it came after the occasion, and so after the opening.
        """
        reach = item.end or item.at
        if item.at.lo >= self.closed.hi or (not later and reach.hi < self.opened.lo):
            return Truth.NO
        sure = item.at.hi < self.closed.lo and (later or reach.lo >= self.opened.hi)
        return Truth.of(True if sure else None)

    def due(self, moment: Interval) -> Interval:
        """When something due at a moment must be so: then, or when the scope is about to close, if that is sooner."""
        return Interval(min(moment.lo, self.closed.lo - 1), min(moment.hi, self.closed.hi - 1))
