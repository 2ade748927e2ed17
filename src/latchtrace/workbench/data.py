"""What the swimlane's script asks for: the lanes of a page as JSON, and any stretch of it as bytes."""

from __future__ import annotations

from typing import Any

from latchtrace.model.clock import Clock
from latchtrace.model.time import HOUR, SECOND, Interval
from latchtrace.views.detail import BAND_KINDS, SEVERITIES, Viewport
from latchtrace.views.swimlane import Lane
from latchtrace.views.terms import term
from latchtrace.views.wording import finding_severity, sentence
from latchtrace.workbench.catalogue import Page

MOST_PIXELS = 8192
DAY = 24 * HOUR
MOST_CLOCK_STEPS = 64


def lanes_document(page: Page) -> dict[str, Any]:
    """Everything about a page's lanes but what they hold; times in nanoseconds from the capture's first frame."""
    lanes = page.swimlane
    zero = lanes.zero
    return {
        "id": page.id,
        "name": page.name,
        "vehicle": page.result.vehicle.name,
        "span": [lanes.span.lo - zero, lanes.span.hi - zero],
        "clock": _clock(page.times, lanes.span),
        "channels": list(page.detail.channels),
        "bands": [{"kind": kind, "text": _BAND_TEXTS[kind]} for kind in BAND_KINDS],
        "severities": list(SEVERITIES),
        "lanes": [_lane(lane) for lane in lanes.lanes],
        "findings": [_finding(page, mark.id) for mark in lanes.marks],
        "actions": {key: _range(page.focus(episode), zero) for key, episode in page.episodes.items()},
    }


_BAND_TEXTS = {"sleep": "network asleep", "gap": "not recorded", "blind": "not seen"}


def _lane(lane: Lane) -> dict[str, Any]:
    curve = lane.curve
    return {
        "key": lane.key,
        "kind": str(lane.kind),
        "title": lane.title,
        "short": lane.short or lane.title,
        "group": lane.group,
        "heading": _heading(lane.group),
        "values": [{"text": value.text, "tone": value.tone} for value in lane.values],
        "note": lane.note,
        "channel": lane.channel,
        "curve": None
        if curve is None
        else {
            "unit": curve.unit,
            "top": curve.top,
            "threshold": curve.threshold,
            "tolerance": curve.tolerance,
        },
    }


def _heading(group: str) -> str:
    known = group in ("asked", "decided", "context")
    return term("lane_groups", group if known else "closures")


def _finding(page: Page, finding_id: str) -> dict[str, Any]:
    finding = page.findings[finding_id]
    zero = page.swimlane.zero
    return {
        "id": finding.id,
        "severity": str(finding.severity),
        "says": finding_severity(finding),
        "text": sentence(finding.message),
        "at": _range(finding.at, zero),
        "focus": _range(page.focus(finding), zero),
    }


def _range(at: Interval, zero: int) -> list[int]:
    return [at.lo - zero, at.hi - zero]


def _clock(times: Clock, span: Interval) -> dict[str, Any]:
    """How the script is to read times: where dated, `steps` of [from, nanoseconds of the day minus from].

    The second figure changes only where the zone changes its offset, so the script needs no calendar.
    """
    if not times.dated:
        return {"dated": False, "zone": times.zone_text, "steps": [[0, 0]], "day": ""}
    try:
        steps = _steps(times, span)
        return {"dated": True, "zone": times.zone_text, "steps": steps, "day": times.day(times.zero)}
    except (OverflowError, ValueError, OSError):
        return {"dated": False, "zone": "from the start of the capture", "steps": [[0, 0]], "day": ""}


def _steps(times: Clock, span: Interval) -> list[list[int]]:
    pace = max(HOUR, span.width // MOST_CLOCK_STEPS)
    steps: list[list[int]] = []
    for t in range(span.lo, span.hi + 1, pace):
        offset = (_of_day(times, t) - (t - times.zero)) % DAY
        if not steps or steps[-1][1] != offset:
            steps.append([_turn(times, t - pace, t, offset) - times.zero if steps else t - times.zero, offset])
    return steps


def _turn(times: Clock, before: int, after: int, offset: int) -> int:
    """The first second that has the new offset, found by halving."""
    while after - before > SECOND:
        middle = (before + after) // 2
        if (_of_day(times, middle) - (middle - times.zero)) % DAY == offset:
            after = middle
        else:
            before = middle
    return after


def _of_day(times: Clock, t: int) -> int:
    hours, minutes, seconds = times.text(t, 9).split(":")
    whole, _, part = seconds.partition(".")
    return (int(hours) * 3600 + int(minutes) * 60 + int(whole)) * SECOND + int(part)


def viewport(page: Page, start: str | None, end: str | None, pixels: str | None) -> Viewport | None:
    """The viewport a query asks for, or None where it makes no sense; times from the capture's first frame."""
    try:
        t0, t1, width = int(start or ""), int(end or ""), int(pixels or "")
    except ValueError:
        return None
    zero, widest = page.swimlane.zero, 1 << 61
    if not (-widest < t0 < t1 < widest and 1 <= width <= MOST_PIXELS):
        return None
    return Viewport(zero + t0, zero + t1, width)


def day_text(page: Page) -> str:
    """The day the capture began, and by which clock times are shown."""
    try:
        day = page.times.day(page.times.zero)
    except (OverflowError, ValueError, OSError):
        day = ""
    return f"{day}, {page.times.zone_text}" if day else page.times.zone_text
