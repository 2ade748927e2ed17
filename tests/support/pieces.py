"""Cuts a timeline into pieces at moments that leave every chain whole, and joins pieces to a timeline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from latchtrace.model.events import Coverage, LockEvent, Timeline
from latchtrace.model.network import SignalTrack
from latchtrace.model.results import Episode
from latchtrace.model.time import SECOND, Interval

AROUND = 4 * SECOND
"""How long before and after a chain nothing is cut: the longest tracing window and a margin."""


def quiet_moments(timeline: Timeline, episodes: Sequence[Episode]) -> list[int]:
    """Every second of the timeline that lies in no chain."""
    moments = np.arange(timeline.span.lo + SECOND, timeline.span.hi, SECOND)
    busy = np.zeros(len(moments), np.bool_)
    spans = [(one.at.lo, one.end) for one in episodes]
    spans += [(one.at.lo, (one.end or one.at).hi) for one in timeline.events if one.change]
    for lo, hi in spans:
        busy |= (moments >= lo - AROUND) & (moments <= hi + AROUND)
    found: list[int] = moments[~busy].tolist()
    return found


def cut(
    timeline: Timeline, episodes: Sequence[Episode], moments: Sequence[int]
) -> list[tuple[Timeline, tuple[Episode, ...]]]:
    """The pieces up to each moment, and the rest."""
    bounds = [timeline.span.lo - 1, *moments, timeline.span.hi]
    parts = []
    for i in range(len(bounds) - 1):
        before, until = bounds[i], bounds[i + 1]
        span = Interval(before + 1, until)
        last = until == timeline.span.hi
        events = tuple(e for e in timeline.events if before < e.at.hi <= (2**62 if last else until))
        mine = tuple(one for one in episodes if before < one.at.hi <= (2**62 if last else until))
        parts.append((_piece(timeline, span, events, last), mine))
    return parts


def _piece(timeline: Timeline, span: Interval, events: tuple[LockEvent, ...], last: bool) -> Timeline:
    return replace(
        timeline,
        span=span,
        events=events,
        numeric={role: _rows(track, span, last) for role, track in timeline.numeric.items()},
        coverage={role: _blind(known, span) for role, known in timeline.coverage.items()},
        gaps=tuple(gap for gap in timeline.gaps if gap.overlaps(span)),
        sleeps=tuple(sleep for sleep in timeline.sleeps if sleep.overlaps(span)),
    )


def _rows(track: SignalTrack, span: Interval, last: bool) -> SignalTrack:
    rows = np.flatnonzero((track.t_hi >= span.lo) & ((track.t_hi <= span.hi) | last))
    return _track(track, [track], [rows])


def _track(like: SignalTrack, tracks: Sequence[SignalTrack], rows: Sequence[Any]) -> SignalTrack:
    def column(name: str) -> Any:
        return np.concatenate([getattr(track, name)[chosen] for track, chosen in zip(tracks, rows, strict=True)])

    return replace(
        like,
        t_lo=column("t_lo"),
        t_hi=column("t_hi"),
        raw=column("raw"),
        value=column("value"),
        validity=column("validity"),
        onset=column("onset"),
        row=column("row"),
    )


def _blind(known: Coverage, span: Interval) -> Coverage:
    return replace(known, blind=tuple(blind for blind in known.blind if blind.span.overlaps(span)))


def joined(parts: Sequence[tuple[Timeline, tuple[Episode, ...]]]) -> tuple[Timeline, tuple[Episode, ...]]:
    """Pieces of a row as one timeline with its episodes."""
    first = parts[0][0]
    span = Interval(first.span.lo, parts[-1][0].span.hi)
    tracks = [timeline.numeric["speed"] for timeline, _ in parts]
    speed = _track(tracks[-1], tracks, [slice(None)] * len(tracks))
    coverage = {role: replace(known, seen=span) for role, known in first.coverage.items()}
    events = tuple(event for timeline, _ in parts for event in timeline.events)
    whole = Timeline(0, span, events, {"speed": speed}, coverage)
    return whole, tuple(episode for _, episodes in parts for episode in episodes)
