"""The scope of a rule: when it is open, and what part of the recording counts for an occasion inside it.

The recording is the trace: a scope opens when its condition holds, from the moment its states are first seen on. That
nothing was known before leaves nothing open, as for the patterns that watch states; but what opened before may have
done so at any time.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules import signals
from latchtrace.rules.clip import Clip
from latchtrace.rules.conditions import Answer, unknown
from latchtrace.rules.meaning import NEVER, Scope, ScopeKind, in_force, is_open
from latchtrace.rules.rule import Rule
from latchtrace.rules.signals import FOREVER, Signal, Spans
from latchtrace.rules.states import signal_of
from latchtrace.rules.world import Item, World

_SURE, _POSSIBLE = Truth.YES.value, Truth.UNKNOWN.value


def whole_recording(world: World) -> Item:
    """The recording as one item, for conditions that ask of no occasion."""
    return Item("recording", world.history.span, {})


def scope_of(rule: Rule, world: World) -> Scope:
    """What opens and what closes the scope of a rule, as signals."""
    if rule.scope is None:
        return Scope()
    whole = whole_recording(world)
    opens = signal_of(rule.scope.opens, world, whole) if rule.scope.opens else NEVER
    closes = signal_of(rule.scope.closes, world, whole) if rule.scope.closes else NEVER
    return Scope(rule.scope.kind, opens, closes)


class ScopedRule:
    """Asks of each occasion whether the scope of its rule is open then, and from when to when."""

    def __init__(self, rule: Rule, world: World) -> None:
        seen = scope_of(rule, world)
        self._world = world
        self._conditions = (*rule.scope.opens, *rule.scope.closes) if rule.scope else ()
        self.scope = replace(seen, opens=_watched(seen.opens, world), closes=_watched(seen.closes, world))
        self._open = is_open(self.scope)
        self._in_force = in_force(self.scope)
        self._opened = _Runs.of(self._open)
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
        begun = self._opened.begin(self._opened.possible, at.hi)
        moment = Item("moment", Interval.at(max(begun or at.lo, self._world.history.span.lo)), {})
        answers = [condition.ask(self._world, moment) for condition in self._conditions]
        doubts = (doubt for answer in answers if answer.truth is Truth.UNKNOWN for doubt in answer.doubts)
        return tuple(doubt for doubt in dict.fromkeys(doubts) if doubt[0] is not Reason.STRADDLES)

    def clip(self, at: Interval) -> Clip | None:
        """Between which moments things count for an occasion; None where the rule has no scope."""
        if self.scope.kind is ScopeKind.GLOBALLY:
            return None
        sooner = self._opened.begin(self._opened.possible, at.lo)
        later = self._opened.begin(self._opened.sure, at.hi)
        lo = at.lo if sooner is None else sooner
        hi = at.hi if later is None else later
        if self.scope.kind is ScopeKind.BEFORE:
            lo = -FOREVER
        return Clip(Interval(lo, max(lo, hi)), self._closing(at))

    def _closing(self, at: Interval) -> Interval:
        sooner, later = self._closed.next(self._closed.possible, at.lo), self._closed.next(self._closed.sure, at.hi)
        return Interval(sooner, max(sooner, later))


@dataclass(frozen=True, slots=True)
class _Runs:
    """Where a signal surely, and where it possibly, holds."""

    sure: Spans
    possible: Spans

    @classmethod
    def of(cls, signal: Signal) -> _Runs:
        return cls(signal.spans(_SURE), signal.spans(_POSSIBLE))

    @staticmethod
    def begin(spans: Spans, moment: int) -> int | None:
        """The beginning of the span around a moment."""
        i = int(np.searchsorted(spans.lo, moment, side="right")) - 1
        return int(spans.lo[i]) if i >= 0 and moment <= spans.hi[i] else None

    @staticmethod
    def next(spans: Spans, moment: int) -> int:
        """The first instant inside a span, from a moment on."""
        i = int(np.searchsorted(spans.hi, moment, side="left"))
        return max(int(spans.lo[i]), moment) if i < len(spans) else FOREVER


def _watched(signal: Signal, world: World) -> Signal:
    """The signal as NO before it is first known, unless it holds then: it may have begun any time before."""
    known = np.flatnonzero(signal.level != _POSSIBLE)
    first = int(signal.start[known[0]]) if len(known) else FOREVER
    if first > world.history.span.hi or int(signal.level[known[0]]) == _SURE:
        return signal
    later = Spans.of([(first, FOREVER)])
    return signals.conjunction(signal, signals.from_spans(later, later))
