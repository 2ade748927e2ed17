"""Existence: a state holds at some instant of its scope.

Meaning: F P; after Q until R: G((begin Q ∧ ¬R) → (¬R U (P ∧ ¬R))); the other scopes as in `rules/meaning.py`.
Dwyer, Avrunin & Corbett, ICSE 1999 (existence). Each time the scope opens is judged by what surely, or possibly, lies
between its opening and its end; a scope that the end of the recording cuts is undecided.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.conditions import NO, YES, Answer, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.meaning import Scope, ScopeKind, is_open
from latchtrace.rules.rule import Rule
from latchtrace.rules.signals import Signal
from latchtrace.rules.watched import Stay, open_at, stays, watched
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each time the scope was open."""
    state, scope = watched(rule, world)
    for stay, in_force in _opened(scope, world):
        if stay.end is not None or scope.kind is not ScopeKind.BETWEEN:
            item = Item("scope", stay.begin, {})
            yield judge(rule, world, item, _missing(rule, world, state, stay), in_force=in_force)


def _opened(scope: Scope, world: World) -> Iterator[tuple[Stay, Answer]]:
    """Each time the scope was open, and whether it surely was."""
    span = world.history.span
    if scope.kind is ScopeKind.GLOBALLY:
        yield Stay(Interval.at(span.lo), None, span.hi), YES
    elif scope.kind is ScopeKind.BEFORE:
        closes = YES if _closes(scope, span) else unknown(Reason.ENDED)
        yield from ((stay, closes) for stay in _until_closed(scope, span))
    else:
        sure = [(stay, YES) for stay in stays(is_open(scope), span)]
        perhaps = [(stay, unknown(Reason.STRADDLES)) for stay in _perhaps_open(is_open(scope), world)]
        yield from sorted([*sure, *perhaps], key=lambda pair: pair[0].begin)


def _perhaps_open(opened: Signal, world: World) -> Iterator[Stay]:
    """Each time the scope may have been open or not; one that would have opened inside a gap was not seen to."""
    span, level, start = world.history.span, opened.level, opened.start
    for i in np.flatnonzero(level[1:] == Truth.UNKNOWN.value).tolist():
        after = int(level[i + 2]) if i + 2 < len(level) else Truth.NO.value
        begin, end = int(start[i + 1]), int(start[i + 2]) if i + 2 < len(level) else span.hi + 1
        seen = begin <= span.hi and not world.history.gap_in(Interval.at(begin))
        if seen and int(level[i]) == Truth.NO.value and after == Truth.NO.value:
            last = min(end, span.hi + 1) - 1
            closes = Interval(begin + 1, end) if end <= span.hi else None
            yield Stay(Interval(begin, last), closes, begin)


def _closes(scope: Scope, span: Interval) -> bool:
    """Whether the recording surely holds the end of the scope."""
    return _reached(scope.closes, span.lo, span.hi) is Truth.YES


def _until_closed(scope: Scope, span: Interval) -> Iterator[Stay]:
    """From the beginning of the recording to the first end of the scope, where the recording may hold one."""
    ends = [
        [int(t) for t in scope.closes.spans(level.value).lo if span.lo < t <= span.hi]
        for level in (Truth.UNKNOWN, Truth.YES)
    ]
    if ends[0] and _reached(scope.closes, span.lo, span.lo) is Truth.NO:
        yield Stay(Interval.at(span.lo), Interval(ends[0][0], ends[1][0] if ends[1] else span.hi + 1), ends[0][0] - 1)


def _missing(rule: Rule, world: World, state: Signal, stay: Stay) -> Answer:
    sure = stay.end.lo - 1 if stay.end is not None else stay.sure
    if sure >= stay.begin.hi and _reached(state, stay.begin.hi, sure) is Truth.YES:
        return NO
    end = stay.end or Interval.at(world.history.span.hi + 1)
    whole = Interval(stay.begin.lo, max(stay.begin.lo, end.hi - 1))
    if state.over(whole) is Truth.YES:
        return NO
    if _reached(state, whole.lo, whole.hi) is not Truth.NO:
        return open_at(rule, world, whole)
    return YES if stay.end is not None else unknown(Reason.ENDED)


def _reached(state: Signal, lo: int, hi: int) -> Truth:
    """The most that is known of the state anywhere in [lo, hi]."""
    for level in (Truth.YES, Truth.UNKNOWN):
        spans = state.spans(level.value)
        if bool(((spans.lo <= hi) & (spans.hi >= lo)).any()):
            return level
    return Truth.NO
