"""The scope of a rule: when it is open, and what part of the recording counts for an occasion inside it.

The recording is the trace: a scope opens when its condition holds, from the moment its states are first seen on. That
nothing was known before leaves nothing open, as for the patterns that watch states; but what opened before may have
done so at any time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules import signals
from latchtrace.rules.clip import Clip
from latchtrace.rules.conditions import Answer, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.meaning import NEVER, Scope, ScopeKind, in_force, is_open
from latchtrace.rules.rule import Rule
from latchtrace.rules.signals import FOREVER, Signal, Spans
from latchtrace.rules.states import signal_of
from latchtrace.rules.world import World

_SURE, _POSSIBLE = Truth.YES.value, Truth.UNKNOWN.value


def whole_recording(world: World) -> Item:
    """The recording as one item, for conditions that ask of no occasion."""
    return Item("recording", world.history.span, {})


def scope_of(rule: Rule, world: World) -> Scope:
    """What opens and what closes the scope of a rule, as signals, from when they are first known on."""
    if rule.scope is None:
        return Scope()
    whole = whole_recording(world)
    opens = signal_of(rule.scope.opens, world, whole) if rule.scope.opens else NEVER
    closes = signal_of(rule.scope.closes, world, whole) if rule.scope.closes else NEVER
    return Scope(rule.scope.kind, _watched(opens, world), _watched(closes, world))


class ScopedRule:
    """Asks of each occasion whether the scope of its rule is open then, and from when to when."""

    def __init__(self, rule: Rule, world: World) -> None:
        self._world = world
        self._conditions = (*rule.scope.opens, *rule.scope.closes) if rule.scope else ()
        self.scope = scope_of(rule, world)
        self._open = is_open(self.scope)
        self._in_force = in_force(self.scope)
        self._opened = _Runs.of(self._open)
        self._opens = _Runs.of(signals.conjunction(self.scope.opens, signals.negation(self.scope.ends)))
        self._closed = _Runs.of(self.scope.ends)

    def in_force(self, at: Interval) -> Answer:
        """Whether the rule is in force at some moment that is not known more exactly."""
        truth = self._in_force.over(at)
        if truth is not Truth.UNKNOWN:
            return Answer(truth)
        if self._open.over(at) is Truth.YES:
            return unknown(Reason.ENDED)
        return Answer(truth, self._doubts(at) or ((Reason.STRADDLES, ""),))

    def _doubts(self, at: Interval) -> tuple[tuple[Reason, str], ...]:
        """Why it is not known whether the scope is open: what the run of moments it is open at began with."""
        begun = _begin(self._opened.possible, at.hi)
        moment = Item("moment", Interval.at(max(begun or at.lo, self._world.history.span.lo)), {})
        answers = [condition.ask(self._world, moment) for condition in self._conditions]
        doubts = (doubt for answer in answers if answer.truth is Truth.UNKNOWN for doubt in answer.doubts)
        return tuple(doubt for doubt in dict.fromkeys(doubts) if doubt[0] is not Reason.STRADDLES)

    def clip(self, at: Interval) -> Clip | None:
        """Between which moments things count for an occasion; None where the rule has no scope.

        An occasion that counts is one while the scope is open: that narrows down when it opened and when it closes.
        """
        if self.scope.kind is ScopeKind.GLOBALLY:
            return None
        first = min(_next(self._opened.possible, at.lo), at.hi)
        last = max(_last(self._opened.possible, at.hi), first)
        sooner, later = _next(self._closed.possible, first + 1), _next(self._closed.sure, last)
        return Clip(self._opening(first, last), Interval(sooner, max(sooner, later)))

    def _opening(self, first: int, last: int) -> Interval:
        """When the scope opened that is open at some moment from `first` to `last`."""
        if self.scope.kind is ScopeKind.BEFORE:
            return Interval.at(-FOREVER)
        sooner, later = _begin(self._opened.possible, first), _begin(self._opened.sure, last)
        lo = first if sooner is None else sooner
        hi = _last(self._opens.possible, last) if later is None else later
        return Interval(lo, max(lo, hi))


@dataclass(frozen=True, slots=True)
class _Runs:
    """Where a signal surely, and where it possibly, holds."""

    sure: Spans
    possible: Spans

    @classmethod
    def of(cls, signal: Signal) -> _Runs:
        return cls(signal.spans(_SURE), signal.spans(_POSSIBLE))


def _begin(spans: Spans, moment: int) -> int | None:
    """The beginning of the span around a moment."""
    i = int(np.searchsorted(spans.lo, moment, side="right")) - 1
    return int(spans.lo[i]) if i >= 0 and moment <= spans.hi[i] else None


def _next(spans: Spans, moment: int) -> int:
    """The first instant inside a span, from a moment on."""
    i = int(np.searchsorted(spans.hi, moment, side="left"))
    return max(int(spans.lo[i]), moment) if i < len(spans) else FOREVER


def _last(spans: Spans, moment: int) -> int:
    """The last instant inside a span, up to a moment."""
    i = int(np.searchsorted(spans.lo, moment, side="right")) - 1
    return min(int(spans.hi[i]), moment) if i >= 0 else -FOREVER


def _watched(signal: Signal, world: World) -> Signal:
    """The signal as NO before it is first known, unless it holds then: it may have begun any time before."""
    if signal is NEVER:
        return NEVER
    known = np.flatnonzero(signal.level != _POSSIBLE)
    first = int(signal.start[known[0]]) if len(known) else FOREVER
    if first > world.history.span.hi or int(signal.level[known[0]]) == _SURE:
        return signal
    later = Spans.of([(first, FOREVER)])
    return signals.conjunction(signal, signals.from_spans(later, later))
