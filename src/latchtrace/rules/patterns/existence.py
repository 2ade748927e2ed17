"""Existence: a state holds at some instant of its scope.

Meaning: F P; after Q until R: G((begin Q ∧ ¬R) → (¬R U (P ∧ ¬R))); the other scopes as in `rules/meaning.py`.
Dwyer, Avrunin & Corbett, ICSE 1999 (existence). Each time the scope opens is judged by what surely, or possibly, lies
between its opening and its end; a scope that the end of the recording cuts is undecided.
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.conditions import NO, YES, Answer, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.meaning import ScopeKind, is_open
from latchtrace.rules.rule import Rule
from latchtrace.rules.signals import Signal
from latchtrace.rules.watched import Stay, open_at, stays, watched
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each time the scope was open."""
    state, scope = watched(rule, world)
    span = world.history.span
    if scope.kind in (ScopeKind.GLOBALLY, ScopeKind.BEFORE):
        closing = next((int(t) for t in scope.closes.spans(Truth.YES.value).lo if t >= span.lo), None)
        if scope.kind is ScopeKind.BEFORE and closing is None:
            return
        end = Interval.at(closing) if closing is not None else None
        opened = [Stay(Interval.at(span.lo), end, span.hi if closing is None else closing - 1)]
    else:
        opened = list(stays(is_open(scope), span))
    for stay in opened:
        if stay.end is None and scope.kind is ScopeKind.BETWEEN:
            continue
        item = Item("scope", stay.begin, {})
        yield judge(rule, world, item, _missing(rule, world, state, stay))


def _missing(rule: Rule, world: World, state: Signal, stay: Stay) -> Answer:
    end = stay.end or Interval.at(world.history.span.hi + 1)
    if end.lo - 1 >= stay.begin.hi and _reached(state, stay.begin.hi, end.lo - 1) is Truth.YES:
        return NO
    whole = Interval(stay.begin.lo, max(stay.begin.lo, end.hi - 1))
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
