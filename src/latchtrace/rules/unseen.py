"""Which parts of a span the capture hides, for patterns that ask where exactly something could have come unseen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from latchtrace.model.history import History
from latchtrace.model.time import Interval
from latchtrace.rules.blindness import hidden
from latchtrace.rules.item import Doubt


def unseen(history: History, roles: Sequence[str], span: Interval) -> Iterator[tuple[Interval, tuple[Doubt, ...]]]:
    """The parts of a span in which something of these roles could have happened unseen, and why."""
    edges = {span.lo, span.hi + 1, history.span.lo, history.span.hi + 1}
    for known in history.timeline.coverage.values():
        for blind in known.blind:
            if blind.span.overlaps(span):
                edges |= {blind.span.lo, blind.span.hi + 1}
    inside = sorted(edge for edge in edges if span.lo <= edge <= span.hi + 1)
    for lo, after in pairwise(inside):
        doubts = hidden(history, roles, Interval(lo, after - 1))
        if doubts:
            yield Interval(lo, after - 1), doubts
