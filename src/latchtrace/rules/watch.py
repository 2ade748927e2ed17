"""Judges a recording as it comes, piece by piece, in memory bounded by how far the rules look.

A piece holds everything between its watermark and the one before. What a rule says of an occasion is certain once its
horizon lies behind the watermark; a violation is told as soon as nothing that may still come can change it. Judging
piece by piece gives the same findings and verdicts as judging the whole.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from latchtrace.model.events import Coverage, EventKind, LockEvent, Timeline
from latchtrace.model.history import History
from latchtrace.model.network import SignalTrack
from latchtrace.model.results import Episode, Finding
from latchtrace.model.time import NO_TIME, Interval
from latchtrace.model.vehicle import Vehicle
from latchtrace.rules.at_once.answers import matching
from latchtrace.rules.at_once.many import NO, YES, Many
from latchtrace.rules.conditions import Selector
from latchtrace.rules.engine import PATTERNS, Judged, conclude, crash_noted, judge_world, sum_up
from latchtrace.rules.judgement import Ruling
from latchtrace.rules.ledger import Ledger, findings_of
from latchtrace.rules.occasions import Occasions
from latchtrace.rules.parts import horizon_of, looked_back_for, parts_of
from latchtrace.rules.patterns.series import Series
from latchtrace.rules.reaches import Reaches
from latchtrace.rules.rule import Rule
from latchtrace.rules.streams import build_world
from latchtrace.rules.world import World

_Told = tuple[str, Interval, tuple[str, ...]]


@dataclass(slots=True)
class _Watched:
    """One rule while it watches: up to when its occasions are judged for good, and what it told before that."""

    ledger: Ledger
    horizon: int
    series: Series = field(default_factory=Series)
    judged: int = NO_TIME
    told: dict[_Told, bool] = field(default_factory=dict)


class Watch:
    """Rules over one segment of a recording that is still coming.

    `feed` takes pieces in order of time, each reaching up to a moment that cuts no chain of request, command and
    feedback in two. Patterns that watch a state need all of it, and are judged by `finish`.
    """

    def __init__(self, rules: Sequence[Rule], vehicle: Vehicle) -> None:
        self._vehicle = vehicle
        self._kept = _Kept()
        world = build_world(History(Timeline(0, Interval(0, 0), ())), vehicle, ())
        self._rules = [_Watched(Ledger(rule), horizon_of(rule, world.limit)) for rule in rules]
        self._forgets = all(PATTERNS[rule.pattern].at_once is not None and rule.scope is None for rule in rules)
        self._back = {selector: None for rule in rules for selector in looked_back_for(rule)}
        self._reaches = [condition for rule in rules for condition in parts_of(rule, Reaches)]
        self._counters = any(rule.observe.what == "key-code" for rule in rules)
        self._horizon = max((one.horizon for one in self._rules), default=0)

    def feed(self, piece: Timeline, episodes: Sequence[Episode]) -> tuple[Finding, ...]:
        """Take one more piece; gives the violations that are certain by now and were not told before."""
        world = build_world(History(self._kept.joined(piece)), self._vehicle, self._kept.more(episodes))
        found = [finding for one in self._rules for finding in self._judge(one, world, piece.span.hi)]
        if self._forgets:
            self._kept.forget(world, piece.span.hi - 2 * self._horizon, self._back, self._reaches, self._counters)
        return tuple(sorted(found, key=lambda finding: (finding.at, finding.rule)))

    @property
    def remembered(self) -> int:
        """How many events and episodes are kept for what is still to come."""
        return len(self._kept.timeline.events) + len(self._kept.episodes)

    def finish(self) -> Judged:
        """The recording is over: what is left is judged as it stands. Gives everything the rules said."""
        world = build_world(History(self._kept.timeline), self._vehicle, self._kept.episodes)
        for one in self._rules:
            with crash_noted(one.ledger):
                judge_world(one.ledger, world, one.series, part=_Part(one.judged, None))
                conclude(one.ledger, world, one.series)
        return sum_up([one.ledger for one in self._rules])

    def _judge(self, one: _Watched, world: World, watermark: int) -> list[Finding]:
        """Judge for good what nothing can change any more, and tell early what is certain already."""
        if PATTERNS[one.ledger.rule.pattern].at_once is None or one.ledger.rule.scope is not None:
            return []
        found: list[Finding] = []
        with crash_noted(one.ledger):
            until, noted = watermark - one.horizon, len(one.ledger.findings)
            judge_world(one.ledger, world, one.series, part=_Part(one.judged, until))
            one.judged = max(one.judged, until)
            found += [finding for finding in one.ledger.findings[noted:] if not one.told.pop(_key(finding), False)]
            early = judge_world(Ledger(one.ledger.rule), world, Series(), one_by_one=True, part=_Part(one.judged, None))
            certain = [judgement for judgement in early if judgement.ruling is Ruling.FAIL]
            fresh = [finding for judgement in certain for finding in findings_of(one.ledger.rule, world, judgement)]
            found += [finding for finding in fresh if _key(finding) not in one.told]
            one.told |= {_key(finding): True for finding in fresh}
        return found


def _key(finding: Finding) -> _Told:
    return finding.rule, finding.at, finding.closures


@dataclass(frozen=True, slots=True)
class _Part:
    """The occasions whose end lies after one moment and not after another."""

    after: int
    until: int | None

    def __call__(self, occasions: Occasions) -> Occasions:
        many = occasions.many
        end = many.columns.end_hi[many.rows]
        chosen = (end > self.after) & (end <= (2**62 if self.until is None else self.until))
        return replace(occasions, many=many.part(np.flatnonzero(chosen)))


@dataclass(slots=True)
class _Kept:
    """What has to be remembered of the pieces so far."""

    timeline: Timeline = field(default_factory=lambda: Timeline(0, Interval(0, 0), ()))
    episodes: list[Episode] = field(default_factory=list)
    empty: bool = True

    def joined(self, piece: Timeline) -> Timeline:
        """The pieces as one timeline; what lasted and was handed over before counts as it is told now."""
        if self.empty:
            self.timeline, self.empty = piece, False
            return piece
        begin = piece.span.lo
        again = {_identity(event) for event in piece.events if event.end is not None and event.at.hi < begin}
        kept = [event for event in self.timeline.events if event.end is None or _identity(event) not in again]
        self.timeline = Timeline(
            segment=piece.segment,
            span=self.timeline.span.hull(piece.span),
            events=_in_order(kept, piece.events),
            numeric=_tracks(self.timeline, piece),
            coverage=_coverage(self.timeline, piece),
            gaps=tuple(sorted({*self.timeline.gaps, *piece.gaps})),
            sleeps=tuple(sorted({*self.timeline.sleeps, *piece.sleeps})),
        )
        return self.timeline

    def more(self, episodes: Sequence[Episode]) -> list[Episode]:
        """The episodes so far, with these."""
        self.episodes = [*self.episodes, *episodes]
        return self.episodes

    def forget(
        self, world: World, before: int, back: Iterable[Selector], reaches: Sequence[Reaches], counters: bool
    ) -> None:
        """Drop what lies before a moment and no rule can look back to; what tells a key's counter is kept for ever."""
        keep = _looked_back_to(world, before, back)
        history, events = world.history, self.timeline.events
        first = bisect_left(events, before, key=lambda event: event.at.hi)
        states = {id(event) for event in _last_states(history, before)}
        chosen = keep | states
        old = [
            event
            for event in events[:first]
            if id(event) in chosen
            or (event.end is not None and event.end.hi >= before)
            or (counters and event.detail("counter") is not None)
        ]
        oldest = min(
            [before, *(event.at.lo for event in old), *(one.at.lo for one in self.episodes if id(one) in keep)]
        )
        self.timeline = replace(
            self.timeline,
            events=(*old, *events[first:]),
            gaps=tuple(gap for gap in self.timeline.gaps if gap.hi >= oldest),
            sleeps=tuple(sleep for sleep in self.timeline.sleeps if sleep.hi >= oldest),
            coverage={role: _seen_since(known, oldest) for role, known in self.timeline.coverage.items()},
            numeric={role: _cut(world, track, before, reaches) for role, track in self.timeline.numeric.items()},
        )
        self.episodes = [one for one in self.episodes if one.end >= before or id(one) in keep]


def _identity(event: LockEvent) -> tuple[EventKind, str, str, Interval]:
    return event.kind, event.subject, event.value, event.at


def _in_order(old: Sequence[LockEvent], new: Sequence[LockEvent]) -> tuple[LockEvent, ...]:
    if not old or not new or old[-1].at.hi < new[0].at.hi:
        return (*old, *new)
    return tuple(sorted((*old, *new), key=lambda event: (event.at.hi, event.at.lo, event.row)))


def _last_states(history: History, before: int) -> Iterable[LockEvent]:
    """Of every subject, the state that held before a moment."""
    for kind in (EventKind.LATCH, EventKind.AJAR, EventKind.STATE):
        events, ends = history.events(kind), history.columns(kind).hi
        for subject in history.subjects(kind):
            rows = history.rows(kind, subject)
            last = int(np.searchsorted(ends[rows], before)) - 1
            if last >= 0:
                yield events[rows[last]]


def _looked_back_to(world: World, before: int, back: Iterable[Selector]) -> set[int]:
    """The events and episodes before a moment that rules may look back to without end: the last of each kind."""
    keep: set[int] = set()
    actions = world.stream("action")
    last = int(np.searchsorted(actions.hi, before)) - 1
    keep |= {id(actions.sources[row]) for row in (last - 1, last) if row >= 0}
    for selector in back:
        columns = world.stream(selector.what)
        bound = [name for name, values, _ in selector.facts if any(value.startswith("$") for value in values)]
        free = replace(selector, facts=tuple(fact for fact in selector.facts if fact[0] not in bound))
        old = columns.hi < before
        levels = matching(free, Many(world, columns, np.arange(len(columns))), {})
        rows = np.flatnonzero(old & (levels != NO))
        groups = [tuple(int(columns.facts[name][row]) for name in bound if name in columns.facts) for row in rows]
        sure: set[tuple[int, ...]] = set()
        for row, group in zip(rows[::-1].tolist(), reversed(groups), strict=True):
            if group not in sure:
                keep.add(id(columns.sources[row]))
            if levels[row] == YES:
                sure.add(group)
    return keep


def _tracks(kept: Timeline, piece: Timeline) -> dict[str, SignalTrack]:
    """The numbers of both."""
    joined = {**kept.numeric, **piece.numeric}
    for role in kept.numeric.keys() & piece.numeric.keys():
        both = (kept.numeric[role], piece.numeric[role])
        joined[role] = _with_rows([(track, np.arange(len(track))) for track in both])
    return joined


def _cut(world: World, track: SignalTrack, before: int, reaches: Sequence[Reaches]) -> SignalTrack:
    """A track without the rows before a moment that no later answer depends on."""
    first = int(np.searchsorted(track.t_hi, before, side="right")) - 1
    if first <= 0:
        return track
    needed = {row for condition in reaches for row in condition.needed(world, track, first)}
    rows = np.array([*sorted(needed), *range(first, len(track))], np.int64)
    return _with_rows([(track, rows)])


def _with_rows(parts: Sequence[tuple[SignalTrack, npt.NDArray[np.int64]]]) -> SignalTrack:
    """Rows of tracks of one signal, one after the other, as one track like the last."""

    def column(name: str) -> Any:
        return np.concatenate([getattr(track, name)[rows] for track, rows in parts])

    return replace(
        parts[-1][0],
        t_lo=column("t_lo"),
        t_hi=column("t_hi"),
        raw=column("raw"),
        value=column("value"),
        validity=column("validity"),
        onset=column("onset"),
        row=column("row"),
    )


def _coverage(kept: Timeline, piece: Timeline) -> dict[str, Coverage]:
    """How well both show each role."""
    joined = dict(piece.coverage)
    for role, old in kept.coverage.items():
        new = piece.coverage.get(role, old)
        seen = new.seen if old.seen is None else old.seen if new.seen is None else old.seen.hull(new.seen)
        blind = tuple(sorted({*old.blind, *new.blind}, key=lambda one: (one.span, one.reason)))
        joined[role] = replace(new, seen=seen, blind=blind)
    return joined


def _seen_since(known: Coverage, oldest: int) -> Coverage:
    """The coverage without blind spans that no rule looks back to any more."""
    return replace(known, blind=tuple(one for one in known.blind if one.span.hi >= oldest))
