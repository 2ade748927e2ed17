"""The relock timer as a lane: derived from the unlocks, not from a signal, so it shows what should have happened."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.results import AnalysisResult, Episode
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Vehicle
from latchtrace.views.swimlane import Lane, LaneKind, SpanRows, Value
from latchtrace.views.terms import term

NOT_FROM_OUTSIDE = frozenset({"interior-switch", "inside-handle", "automatic-unlock", "crash", "speed", "relock-timer"})
"""Origins of an unlock that start no relock timer."""

LONGEST = 2
"""The lane follows an unlock for this many delays, as the rules do."""

MOVED = ("done", "partial", "open")
"""Outcomes of an episode in which the locks were told to move."""


def relock_lane(result: AnalysisResult, timelines: Sequence[Timeline]) -> Lane | None:
    """The timer's lane: each unlock from outside until what ended it, with the time the relock was due.

    None where the vehicle has no such timer, or states no delay and no lock was traced to the timer.
    """
    vehicle, segments = result.vehicle, {timeline.segment for timeline in timelines}
    if vehicle.functions.get("auto-relock") is False:
        return None
    delay = _nanoseconds(vehicle, "relock.delay")
    episodes = [episode for episode in result.episodes if episode.segment in segments]
    locks = [episode for episode in episodes if episode.action in ("lock", "deadlock")]
    if delay is None:
        return _unstated(episodes, locks)
    timer = _Timer(delay, _nanoseconds(vehicle, "relock.tolerance") or 0, _restarts(vehicle))
    rows = SpanRows()
    for timeline in timelines:
        ends = _ends(timeline, episodes)
        for episode in _started(episodes, timeline.segment):
            start: Interval | None = _moment(episode)
            while start is not None:
                start = _window(rows, start, timer, timeline, ends)
    return _lane(rows)


@dataclass(frozen=True, slots=True)
class _Timer:
    delay: int
    tolerance: int
    opening_restarts: bool


def _restarts(vehicle: Vehicle) -> bool:
    policy = vehicle.parameters.get("relock.policy")
    return policy is not None and policy.value == "restart"


def _unstated(episodes: Sequence[Episode], locks: Sequence[Episode]) -> Lane | None:
    rows = SpanRows()
    for lock in locks:
        if lock.origin == "relock-timer":
            before = [e for e in episodes if e.action == "unlock" and e.at.hi < lock.at.lo]
            if before:
                rows.add(_moment(before[-1]), _moment(lock), _value("relocked"))
    return _lane(rows) if len(rows) else None


def _lane(rows: SpanRows) -> Lane:
    return Lane("relock", LaneKind.TIMER, term("lanes", "relock"), "context", rows.values, rows.columns())


def _value(tone: str) -> Value:
    return Value(term("states", tone), tone)


def _nanoseconds(vehicle: Vehicle, name: str) -> int | None:
    parameter = vehicle.parameters.get(name)
    return int(parameter.value) if parameter and parameter.unit == "ns" else None


def _started(episodes: Iterable[Episode], segment: int) -> Iterable[Episode]:
    return (
        episode
        for episode in episodes
        if episode.segment == segment
        and episode.action == "unlock"
        and episode.origin not in NOT_FROM_OUTSIDE
        and episode.outcome in MOVED
    )


def _moment(episode: Episode) -> Interval:
    """When the locks were told to move: the command, else the first latch, else the episode's start."""
    if episode.command.at is not None:
        return episode.command.at
    moved = [stage.at for stage in episode.feedback.values() if stage.at is not None]
    return min(moved, key=lambda at: at.hi) if moved else episode.at


def _ends(timeline: Timeline, episodes: Iterable[Episode]) -> list[tuple[Interval, str]]:
    """Everything that can end a running timer, in time order, with what it does to it."""
    ends = [(event.at, outcome) for event in timeline.events if (outcome := _event_end(event))]
    ends += [
        (_moment(episode), _episode_end(episode))
        for episode in episodes
        if episode.segment == timeline.segment and episode.outcome in MOVED
    ]
    ends += [(gap, "not-seen") for gap in timeline.gaps]
    return sorted(ends, key=lambda end: (end[0].hi, end[1]))


def _event_end(event: LockEvent) -> str:
    if not event.change:
        return ""
    if event.kind is EventKind.AJAR and event.value == "open":
        return "cancelled"
    if event.kind is EventKind.STATE and event.subject == "ignition" and event.value not in ("off", "unknown"):
        return "ignition-on"
    return ""


def _episode_end(episode: Episode) -> str:
    if episode.action == "unlock":
        return "restarted"
    return "relocked" if episode.origin in ("relock-timer", "none") else "locked-otherwise"


def _window(
    rows: SpanRows, start: Interval, timer: _Timer, timeline: Timeline, ends: Sequence[tuple[Interval, str]]
) -> Interval | None:
    """Add one run of the timer; tells when it started anew where an opening does that."""
    horizon = start.hi + LONGEST * timer.delay
    later = (end for end in ends if start.hi < end[0].hi <= horizon and end[0].lo > start.lo)
    at, outcome = next(later, (Interval.at(horizon), "ran-out"))
    if at.hi > timeline.span.hi:
        at, outcome = Interval.at(max(timeline.span.hi, start.hi)), "not-seen"
    anew = at if outcome == "cancelled" and timer.opening_restarts else None
    rows.add(start, at, _value("restarted" if anew else outcome))
    if outcome in ("relocked", "ran-out", "not-seen"):
        due = start.shift(timer.delay).widen(timer.tolerance)
        rows.add(Interval.at(due.lo), Interval.at(due.hi), _value("due"), counted=False)
    return anew
