"""What a stretch of the swimlane holds, as rows of text: for people who read rather than look."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from latchtrace.model.clock import Clock
from latchtrace.model.quantity import duration_text
from latchtrace.model.time import Interval
from latchtrace.views.swimlane import Lane, LaneKind, Swimlane
from latchtrace.views.wording import interval_text, severity_text

MOST_ROWS = 200


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that begins in view: when, on which lane, what, and for how long ("" for a moment)."""

    t: int
    when: str
    lane: str
    what: str
    lasts: str = ""


@dataclass(frozen=True, slots=True)
class InView:
    """The rows in time order (the first `MOST_ROWS` of `total`), and what held where the view begins."""

    rows: tuple[Row, ...]
    total: int
    before: tuple[tuple[str, str], ...]


def in_view(swimlane: Swimlane, times: Clock, t0: int, t1: int, most: int = MOST_ROWS) -> InView:
    """Everything that was seen to begin within [t0, t1], and each state lane's state at t0."""
    found: list[Row] = []
    total = 0
    for lane in swimlane.lanes:
        rows, count = _lane_rows(lane, times, t0, t1, most)
        found += rows
        total += count
    marks = [mark for mark in swimlane.marks if t0 <= mark.at.hi <= t1]
    total += len(marks)
    for mark in marks[:most]:
        what = f"{severity_text(mark.severity, mark.by_design, mark.conclusive)}: {mark.title}"
        found.append(Row(mark.at.hi, interval_text(mark.at, times), f"Finding {mark.id}", what))
    found.sort(key=lambda row: row.t)
    return InView(tuple(found[:most]), total, tuple(states_at(swimlane.lanes, t0)))


def _lane_rows(lane: Lane, times: Clock, t0: int, t1: int, most: int) -> tuple[list[Row], int]:
    spans = lane.spans
    first = int(np.searchsorted(spans.start_hi, t0, side="left"))
    last = int(np.searchsorted(spans.start_hi, t1, side="right"))
    chosen = np.flatnonzero(spans.counted[first:last]) + first
    return [_row(lane, int(i), times) for i in chosen[:most]], len(chosen)


def _row(lane: Lane, i: int, times: Clock) -> Row:
    spans = lane.spans
    start = Interval(int(spans.start_lo[i]), int(spans.start_hi[i]))
    end = Interval(int(spans.end_lo[i]), int(spans.end_hi[i]))
    lasts = "" if end.hi <= start.hi else duration_text(Interval(max(0, end.lo - start.hi), end.hi - start.lo))
    if lane.kind is LaneKind.STATES:
        lasts = ""
    title = f"{lane.title}, {lane.note}" if lane.note else lane.title
    return Row(start.hi, interval_text(start, times), title, lane.values[spans.code[i]].text, lasts)


def states_at(lanes: Sequence[Lane], t: int) -> Iterable[tuple[str, str]]:
    """Each state lane's title with its state at a moment, `not known` where nothing has been seen."""
    for lane in lanes:
        if lane.kind in (LaneKind.STATES, LaneKind.CONTACT):
            spans = lane.spans
            i = int(np.searchsorted(spans.start_hi, t, side="right")) - 1
            held = i >= 0 and spans.end_hi[i] >= t
            yield lane.title, lane.values[spans.code[i]].text if held else "not known"
