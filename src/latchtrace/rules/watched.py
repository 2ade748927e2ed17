"""States watched over the recording: in their scope, where a formula is broken, and how long they last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth, within
from latchtrace.rules import signals
from latchtrace.rules.conditions import NO, YES, Answer, both, unknown
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.meaning import Scope, is_open
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.rule import Rule
from latchtrace.rules.scopes import scope_of, whole_recording
from latchtrace.rules.signals import Signal, Spans
from latchtrace.rules.states import frames_at, signal_of
from latchtrace.rules.world import World


def watched(rule: Rule, world: World) -> tuple[Signal, Scope]:
    """The state of a rule and its scope as signals."""
    whole = whole_recording(world)
    state = signal_of(rule.state, world, whole)
    return state, scope_of(rule, world)


def ended(signal: Signal, world: World, value: Truth) -> Signal:
    """The signal as if it had this value from the end of the recording on."""
    end = world.history.span.hi + 1
    after = signals.from_spans(Spans.of([(end, signals.FOREVER)]), Spans.of([(end, signals.FOREVER)]))
    joined = signals.disjunction(signal, after)
    return joined if value is Truth.YES else signals.conjunction(signal, signals.negation(after))


def broken(rule: Rule, world: World, state: Signal, formula: Signal, *, first_only: bool) -> Iterator[Judgement]:
    """A judgement for each run of instants at which a formula is broken; one in all where it never is.

    Watching begins when the state is first seen: that nothing was known before leaves nothing open.
    """
    span = world.history.span
    seen = _first_known(state, span)
    if first_only:
        answer = {Truth.YES: NO, Truth.NO: YES}.get(formula.at(seen)) or open_at(rule, world, span)
        yield judge(rule, world, _item(rule, world, span), answer)
        return
    inside = (formula.start <= span.hi) & (np.append(formula.start[1:], signals.FOREVER) > span.lo)
    wrong = False
    for i in np.flatnonzero(inside & (formula.level == Truth.NO.value)).tolist():
        wrong = True
        begun = Interval.at(max(int(formula.start[i]), span.lo))
        yield judge(rule, world, _item(rule, world, begun), YES)
    if not wrong:
        watched_then = np.append(formula.start[1:], signals.FOREVER) > seen
        unsure = np.flatnonzero(inside & watched_then & (formula.level == Truth.UNKNOWN.value)).tolist()
        at = Interval.at(max(int(formula.start[unsure[0]]), seen)) if unsure else span
        yield judge(rule, world, _item(rule, world, at), open_at(rule, world, at) if unsure else NO)


def _first_known(state: Signal, span: Interval) -> int:
    """When a state is first seen; the beginning of the recording where it never is."""
    known = state.start[(state.level != Truth.UNKNOWN.value) & (state.start <= span.hi)]
    return max(int(known[0]), span.lo) if len(known) else span.lo


def _item(rule: Rule, world: World, at: Interval) -> Item:
    around = Interval(max(at.lo - 1, world.history.span.lo), at.hi)
    return Item("moment", at, {}, evidence=frames_at(rule.state, world, around))


def open_at(rule: Rule, world: World, at: Interval) -> Answer:
    """Why a formula is open at some instant: a state not known there, else the end of the recording."""
    doubts: tuple[Doubt, ...] = tuple(
        doubt for condition in rule.state for doubt in condition.ask(world, Item("moment", at, {})).doubts
    )
    return Answer(Truth.UNKNOWN, doubts) if doubts else unknown(Reason.ENDED)


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a state: from some moment in `begin` to some moment in `end` (None: not seen to end).

    `sure` is up to when it surely lasted.
    """

    begin: Interval
    end: Interval | None
    sure: int


def stays(signal: Signal, span: Interval) -> Iterator[Stay]:
    """Every stay whose beginning was seen."""
    level, start = signal.level, signal.start
    for i in np.flatnonzero(level == Truth.YES.value).tolist():
        before = i - 1 if i and level[i - 1] == Truth.NO.value else i - 2
        if i == 0 or before < 0 or level[before] != Truth.NO.value:
            continue
        begin = Interval(int(start[before + 1]), int(start[i]))
        last = int(start[i + 1]) if i + 1 < len(start) else span.hi + 1
        after = i + 1 if i + 1 < len(level) and level[i + 1] == Truth.NO.value else i + 2
        end = None
        if after < len(level) and level[after] == Truth.NO.value and int(start[after]) <= span.hi:
            end = Interval(last, int(start[after]))
        yield Stay(begin, end, last - 1)


def stay_item(rule: Rule, world: World, stay: Stay) -> Item:
    """A stay as an occasion: it began then, and these frames show where it began and ended."""
    evidence = frames_at(rule.state, world, stay.begin)
    if stay.end is not None:
        evidence = tuple(dict.fromkeys((*evidence, *frames_at(rule.state, world, stay.end))))
    return Item("stay", stay.begin, {}, evidence=evidence)


def durations(rule: Rule, world: World, limit: Quantity | None, *, least: bool) -> Iterator[Judgement]:
    """Every stay in the scope, judged by how long it lasted."""
    state, scope = watched(rule, world)
    stated = limit.value(world.limit) if limit is not None else None
    if stated is None:
        text = limit.text if limit is not None else ""
        yield judge(rule, world, whole_recording(world), unknown(Reason.LIMIT_NOT_STATED, text))
        return
    within_scope = is_open(scope)
    for stay in stays(state, world.history.span):
        in_force = Answer(within_scope.over(stay.begin), ((Reason.STRADDLES, ""),))
        if in_force.truth is Truth.NO:
            continue
        item = stay_item(rule, world, stay)
        lasted = stay.end.since(stay.begin) if stay.end is not None else None
        violated = both([in_force, _lasted_wrongly(stay, lasted, int(stated), least, world)])
        yield judge(rule, world, item, violated, measured=lasted)


def _lasted_wrongly(stay: Stay, lasted: Interval | None, limit: int, least: bool, world: World) -> Answer:
    if lasted is None:
        so_far = stay.sure + 1 - stay.begin.hi
        if so_far >= limit and least:
            return NO
        if so_far > limit and not least:
            return YES
        cut = Interval(stay.sure, stay.sure + 1)
        return unknown(Reason.GAP if world.history.gap_in(cut) else Reason.ENDED)
    truth = ~within(lasted, limit, None) if least else ~within(lasted, None, limit)
    return Answer(truth, ((Reason.STRADDLES, ""),) if truth is Truth.UNKNOWN else ())
