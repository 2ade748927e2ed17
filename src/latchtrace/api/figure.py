"""The swimlane as a plotly figure, for notebooks."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import plotly.graph_objects as go

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.results import AnalysisResult, Severity
from latchtrace.model.time import SECOND

_COLOURS = {
    "locked": "#0072B2",
    "deadlocked": "#332288",
    "unlocked": "#E69F00",
    "open": "#D55E00",
    "lock": "#0072B2",
    "unlock": "#E69F00",
    "deadlock": "#332288",
}
_OTHER = "#999999"
_FINDING = {Severity.FAULT: "#D55E00", Severity.WARNING: "#E69F00", Severity.NOTE: "#56B4E9"}
_QUIET = frozenset({"shut", "unknown", "none", "off"})
_MOMENT = SECOND // 4
"""How wide a momentary event is drawn."""


def figure(result: AnalysisResult) -> go.Figure:
    """One horizontal lane for each source, the command, and every closure's latch and ajar contact; findings above.

    Bars run from when something was first seen to the next change; times are UTC where the capture has dates.
    """
    shown = go.Figure()
    for timeline in result.timelines:
        for lane, start, end, value in _bars(timeline):
            shown.add_trace(_bar(lane, start, end, value))
    for finding in result.findings:
        when = _moment(finding.at.lo)
        shown.add_trace(
            go.Scatter(
                x=[when],
                y=["findings"],
                mode="markers",
                marker={"symbol": "diamond", "size": 12, "color": _FINDING[finding.severity]},
                name=finding.id,
                hovertext=f"{finding.id} {finding.rule}: {finding.message}",
                hoverinfo="text",
                showlegend=False,
            )
        )
    shown.update_layout(title=result.vehicle.name, barmode="overlay", height=500, margin={"l": 160})
    shown.update_xaxes(type="date")
    shown.update_yaxes(autorange="reversed")
    return shown


def _bars(timeline: Timeline) -> list[tuple[str, int, int, str]]:
    lanes: dict[str, list[LockEvent]] = {}
    for event in timeline.events:
        name = f"{event.kind} {event.subject}".strip()
        lanes.setdefault(name, []).append(event)
    bars = []
    for lane, events in sorted(lanes.items(), key=lambda pair: (list(EventKind).index(pair[1][0].kind), pair[0])):
        lasting = events[0].kind in (EventKind.LATCH, EventKind.AJAR, EventKind.STATE)
        ends = [later.at.hi for _, later in pairwise(events)] + [timeline.span.hi]
        for event, end in zip(events, ends, strict=True):
            stop = end if lasting else (event.end.hi if event.end else event.at.hi + _MOMENT)
            if event.value not in _QUIET and stop > event.at.hi:
                bars.append((lane, event.at.hi, stop, event.value))
    return bars


def _bar(lane: str, start: int, end: int, value: str) -> go.Bar:
    return go.Bar(
        x=[(end - start) / 1e6],
        y=[lane],
        base=[_moment(start)],
        orientation="h",
        marker={"color": _COLOURS.get(value, _OTHER)},
        hovertext=f"{lane}: {value}",
        hoverinfo="text",
        name=value,
        showlegend=False,
    )


def _moment(t: int) -> datetime:
    return datetime.fromtimestamp(t / SECOND, tz=UTC)
