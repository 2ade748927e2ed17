"""Sequence: what is observed is followed by steps in order, each within limits after the one before.

Meaning: G (observe → F[a1,b1] (S1 ∧ F[a2,b2] (S2 ∧ …))), all before the scope closes: a chain of bounded responses.
Konrad & Cheng, ICSE 2005 (bounded response), Dwyer, Avrunin & Corbett, ICSE 1999 (response chain); formula from memory.
Three-valued: complete where things that surely came, surely in time, make up a chain; broken where nothing that may
have come in time, seen or hidden, could. Where a step may come at once, the order of two things inside one cycle cannot
be seen and is taken as causal.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from latchtrace.model.events import Reason
from latchtrace.model.quantity import time_text
from latchtrace.model.time import Interval, Truth, within
from latchtrace.rules.conditions import Answer, both, unknown
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, occasions
from latchtrace.rules.rule import Rule, Step
from latchtrace.rules.unseen import unseen
from latchtrace.rules.world import World


@dataclass(frozen=True, slots=True)
class _Limits:
    """A step with its limits in nanoseconds."""

    step: Step
    lo: int
    hi: int


@dataclass(frozen=True, slots=True)
class _Place:
    """When a step may have been taken, by an item or (None) by something unseen; `doubts` why it may not."""

    at: Interval
    item: Item | None
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class _Chain:
    """How far a sequence came: the things that surely took each step, and the places where it may have been taken."""

    sure: tuple[tuple[Item, ...], ...]
    possible: tuple[tuple[_Place, ...], ...]


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each item observed."""
    steps = [_limits(step, world) for step in rule.steps]
    for one in occasions(rule, world):
        if isinstance(missing := next((step for step in steps if isinstance(step, Answer)), None), Answer):
            yield judge(rule, world, one.item, missing, in_force=one.in_force)
            continue
        known = [step for step in steps if isinstance(step, _Limits)]
        chain = _followed(world, one, known)
        violated = both([one.match, _broken(chain, known)])
        yield _told(judge(rule, world, one.item, violated, in_force=one.in_force), chain, known)


def _limits(step: Step, world: World) -> _Limits | Answer:
    lo, hi = step.lo.value(world.limit) if step.lo else 0, step.within.value(world.limit)
    if lo is None or hi is None:
        return unknown(Reason.LIMIT_NOT_STATED, step.lo.text if lo is None and step.lo else step.within.text)
    return _Limits(step, int(lo), int(hi))


def _followed(world: World, one: Occasion, steps: Sequence[_Limits]) -> _Chain:
    sure: list[tuple[Item, ...]] = [(one.item,)]
    possible: list[tuple[_Place, ...]] = [(_Place(one.item.at, one.item),)]
    for step in steps:
        sure.append(tuple(_surely(world, one, step, sure[-1])))
        possible.append(tuple(_possibly(world, one, step, possible[-1])))
    return _Chain(tuple(sure), tuple(possible))


def _surely(world: World, one: Occasion, step: _Limits, before: Sequence[Item]) -> Iterator[Item]:
    """The things that surely take a step after one of those before."""
    if not before:
        return
    lo, hi = min(item.at.lo for item in before) + step.lo, max(item.at.hi for item in before) + step.hi
    for item in world.near(step.step.selector.what, lo, max(lo, hi)):
        if item.same_as(one.item) or step.step.selector.matches(world, item, one.item).truth is not Truth.YES:
            continue
        if one.clip is not None and one.clip.holds(item, later=True) is not Truth.YES:
            continue
        if any(last is not item and _in_time(item, last, step) for last in before):
            yield item


def _in_time(item: Item, last: Item, step: _Limits) -> bool:
    delay = item.at.since(last.at)
    early_enough = within(delay, None, step.hi) is Truth.YES
    return early_enough and (delay.hi >= 0 if step.lo == 0 else delay.lo >= step.lo)


def _possibly(world: World, one: Occasion, step: _Limits, before: Sequence[_Place]) -> Iterator[_Place]:
    """Every place where a step may be taken after one of those before."""
    found: dict[tuple[int, int, int], _Place] = {}
    for last in before:
        if last.at.lo + step.lo > last.at.hi + step.hi:
            continue
        whole = Interval(last.at.lo + step.lo, last.at.hi + step.hi)
        span = one.clip.cut(whole) if one.clip is not None else whole
        if span is None:
            continue
        for place in (*_seen(world, one, step, span), *_hidden(world, step, span)):
            if place.item is None or place.item is not last.item:
                found.setdefault((id(place.item), place.at.lo, place.at.hi), place)
    yield from found.values()


def _seen(world: World, one: Occasion, step: _Limits, span: Interval) -> Iterator[_Place]:
    for item in world.near(step.step.selector.what, span.lo, span.hi):
        match = step.step.selector.matches(world, item, one.item)
        if item.same_as(one.item) or match.truth is Truth.NO or not item.at.overlaps(span):
            continue
        at = Interval(max(item.at.lo, span.lo), min(item.at.hi, span.hi))
        yield _Place(at, item, match.doubts if match.truth is Truth.UNKNOWN else ((Reason.STRADDLES, ""),))


def _hidden(world: World, step: _Limits, span: Interval) -> Iterator[_Place]:
    for part, doubts in unseen(world.history, step.step.selector.roles, span):
        yield _Place(part, None, doubts)


def _broken(chain: _Chain, steps: Sequence[_Limits]) -> Answer:
    """Whether the sequence was not completed."""
    if chain.sure[-1]:
        return Answer(Truth.NO)
    reached = tuple(item for taken in chain.sure[1:] for item in taken[:1])
    if not chain.possible[-1]:
        return Answer(Truth.YES, (), reached)
    first = _first_empty(chain.sure, len(steps))
    places = [place for taken in chain.possible[first + 1 :] for place in taken]
    doubts = tuple(dict.fromkeys(doubt for place in places for doubt in place.doubts))
    told = tuple(doubt for doubt in doubts if doubt[0] is not Reason.STRADDLES) or ((Reason.STRADDLES, ""),)
    return Answer(Truth.UNKNOWN, told, reached)


def _first_empty(taken: Sequence[Sequence[object]], steps: int) -> int:
    """The number, from 0, of the first step that was not taken."""
    return next((i for i in range(steps) if not taken[i + 1]), steps)


def _told(judged: Judgement, chain: _Chain, steps: Sequence[_Limits]) -> Judgement:
    """The first step that was missing, or how long a complete sequence took."""
    if judged.ruling is Ruling.PASS and chain.sure[-1]:
        last = min(chain.sure[-1], key=lambda item: item.at.hi)
        taken = last.at.since(judged.item.at)
        return replace(judged, measured=Interval(max(taken.lo, 0), max(taken.hi, 0)))
    if judged.ruling not in (Ruling.FAIL, Ruling.UNDECIDED):
        return judged
    which = _first_empty(chain.possible if judged.ruling is Ruling.FAIL else chain.sure, len(steps))
    if which == len(steps):
        return judged
    name = _name(steps[which].step)
    limit = f"step {which + 1} ({name}) within {time_text(steps[which].hi)}"
    return replace(judged, told=(("missing", name),), limit=limit)


def _name(step: Step) -> str:
    """A step in words: `movement, state locked`."""
    facts = (f"{name} {'' if wanted else 'not '}{' or '.join(values)}" for name, values, wanted in step.selector.facts)
    return ", ".join((step.selector.what.replace("-", " "), *facts))
