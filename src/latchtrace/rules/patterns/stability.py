"""Stability: after what is observed a state holds all through a window.

Meaning: G (observe → G[from,within] state), as far as the scope goes. Konrad & Cheng, ICSE 2005 (bounded invariance;
formula from memory). The window is closed at both ends; the end of the recording, or a state not known, leaves open
what was not seen to break.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules import meaning, signals
from latchtrace.rules.conditions import Answer, both, negated, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.signals import Signal
from latchtrace.rules.states import bound_to, frames_at, signal_of
from latchtrace.rules.windows import not_stated, window_of
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each item observed."""
    window = window_of(rule, world)
    state: Signal | None = None
    for one in occasions(rule, world):
        if window is None:
            yield judge(rule, world, one.item, not_stated(rule, world), in_force=one.in_force)
            continue
        if state is None or bound_to(rule.state):
            state = signal_of(rule.state, world, one.item)
        kept = _kept(rule, world, one, state, window)
        judged = judge(rule, world, one.item, both([one.match, negated(kept)]), in_force=one.in_force)
        yield _told_of(judged, rule, world, _broken(one, state, window))


def _kept(rule: Rule, world: World, one: Occasion, state: Signal, window: tuple[int, int]) -> Answer:
    formula = meaning.stability(signals.constant(Truth.YES), state, one.scope, *window)
    truth = formula.over(one.item.at)
    return Answer(truth) if truth is not Truth.UNKNOWN else _open(rule, world, one, state, window)


def _open(rule: Rule, world: World, one: Occasion, state: Signal, window: tuple[int, int]) -> Answer:
    """Why it is open: the state is not known somewhere in the window, or the recording ends in it."""
    moment = _first(state, Truth.UNKNOWN, _span(one, window))
    if moment is None:
        return unknown(Reason.STRADDLES)
    if moment > world.history.span.hi:
        return unknown(Reason.ENDED)
    there = Item("moment", Interval.at(moment), one.item.facts, one.item.closures)
    doubts = tuple(doubt for condition in rule.state for doubt in condition.ask(world, there).doubts)
    return Answer(Truth.UNKNOWN, doubts or ((Reason.STRADDLES, ""),))


def _span(one: Occasion, window: tuple[int, int]) -> Interval:
    lo, hi = one.item.at.lo + window[0], one.item.at.hi + window[1]
    if one.clip is not None:
        hi = min(hi, one.clip.closed.hi - 1)
    return Interval(lo, max(lo, hi))


def _first(state: Signal, value: Truth, span: Interval) -> int | None:
    """The first instant of a span at which the state has a value."""
    moments = [span.lo, *(int(t) for t in state.start if span.lo < t <= span.hi)]
    return next((t for t in moments if state.at(t) is value), None)


def _broken(one: Occasion, state: Signal, window: tuple[int, int]) -> int | None:
    return _first(state, Truth.NO, _span(one, window))


def _told_of(judged: Judgement, rule: Rule, world: World, broken: int | None) -> Judgement:
    """Where the state broke is what is told of, and how long after the occasion that was."""
    if judged.ruling is not Ruling.FAIL or broken is None:
        return replace(judged, suspect=False)  # a state that is not shown looks like no violation
    around = Interval(max(broken - 1, world.history.span.lo), max(broken, world.history.span.lo))
    evidence = tuple(dict.fromkeys((*judged.evidence, *frames_at(rule.state, world, around))))
    at = Interval.at(broken)
    return replace(judged, at=at, measured=at.since(judged.item.at), evidence=evidence)
