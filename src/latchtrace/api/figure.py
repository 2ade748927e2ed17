"""The swimlane as a plotly figure, for notebooks."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import plotly.graph_objects as go

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalTrack, Validity
from latchtrace.model.results import AnalysisResult, Finding, Severity
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
CLOUD_BUTTON = "sendChartToCloud"
"""The button that would send the figure, and so the capture, to a server of others; never shown."""

_OTHER = "#999999"
_FINDING = {Severity.FAULT: "#D55E00", Severity.WARNING: "#E69F00", Severity.NOTE: "#56B4E9"}
_QUIET = frozenset({"shut", "unknown", "none", "off"})
_MOMENT = SECOND // 4
"""How wide a momentary event is drawn."""


def figure(result: AnalysisResult) -> go.Figure:
    """One horizontal lane for each source, the command, and every closure's latch and ajar contact, then the findings.

    Bars run from when something was first seen to the next change; the speed stands below, where the network shows
    it. Times are UTC where the capture has dates.
    """
    shown = go.Figure()
    lanes = [*_lanes(result), "findings"]
    for timeline in result.timelines:
        for lane, start, end, value in _bars(timeline):
            shown.add_trace(_bar(lane, start, end, value))
    for finding in result.findings:
        shown.add_trace(_diamond(finding))
    speeds = [track for timeline in result.timelines if (track := timeline.numeric.get("speed")) is not None]
    for track in speeds:
        shown.add_trace(_speed(track))
    shown.update_layout(title=result.vehicle.name, barmode="overlay", margin={"l": 160}, height=160 + 26 * len(lanes))
    shown.update_layout(modebar={"remove": [CLOUD_BUTTON]})
    shown.update_xaxes(type="date")
    order = {"type": "category", "categoryorder": "array", "categoryarray": lanes, "range": [len(lanes) - 0.5, -0.5]}
    shown.update_layout(yaxis={**order, "domain": [0.2 if speeds else 0, 1]})
    if speeds:
        shown.update_layout(yaxis2={"domain": [0, 0.16], "title": "km/h", "rangemode": "tozero"})
        shown.update_xaxes(anchor="y2")
    return shown


def _lanes(result: AnalysisResult) -> list[str]:
    """The lanes in the order of the chain: all that happened, and every latch and ajar contact even if it never did."""
    kinds = list(EventKind)
    names = {(kinds.index(event.kind), _lane(event)) for one in result.timelines for event in one.events}
    return [lane for _, lane in sorted(names)]


def _lane(event: LockEvent) -> str:
    return f"{event.kind} {event.subject}".strip()


def _diamond(finding: Finding) -> go.Scatter:
    return go.Scatter(
        x=[_moment(finding.at.lo)],
        y=["findings"],
        mode="markers",
        marker={"symbol": "diamond", "size": 12, "color": _FINDING[finding.severity]},
        name=finding.id,
        hovertext=f"{finding.id} {finding.rule}: {finding.message}",
        hoverinfo="text",
        showlegend=False,
    )


def _speed(track: SignalTrack) -> go.Scatter:
    known = track.validity == Validity.KNOWN
    return go.Scatter(
        x=[_moment(int(t)) for t in track.t_hi],
        y=[float(value) if ok else None for value, ok in zip(track.value, known, strict=True)],
        mode="lines",
        line={"shape": "hv", "color": "#0072B2"},
        name="speed",
        yaxis="y2",
        showlegend=False,
    )


def _bars(timeline: Timeline) -> list[tuple[str, int, int, str]]:
    lanes: dict[str, list[LockEvent]] = {}
    for event in timeline.events:
        lanes.setdefault(_lane(event), []).append(event)
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
