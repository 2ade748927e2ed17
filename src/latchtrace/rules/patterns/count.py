"""Count: at most, or at least, so many of something come in a window around what is observed.

Meaning: G (observe → #{count in [from,within]} ≤ at-most), or ≥ at-least; the window is closed at both ends and may lie
before what is observed. At most one, in temporal logic: no two of them, observe → ¬F[from,within] (count ∧ F(0,…] count
still in the window). Counting operators: Hirshfeld & Rabinovich, MFCS 2006 (from memory). What is observed counts where
it is one of them and the window holds its own moment. In a scope what lies outside counts for nothing.
Three-valued: so many are surely inside, so many possibly, and where the window is hidden there may be any number more.
Occasions one after another whose windows overlap and hold too many are one burst, told of at its first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth, within
from latchtrace.rules.blindness import hidden
from latchtrace.rules.conditions import NO, Answer, both, either
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.windows import not_stated, window_of
from latchtrace.rules.world import World


@dataclass(frozen=True, slots=True)
class _Counted:
    """What lies surely, and what possibly too, in the window of an occasion; `doubts` where more could be hidden."""

    span: Interval
    sure: tuple[Item, ...]
    possible: tuple[Item, ...]
    open: tuple[Doubt, ...]
    doubts: tuple[Doubt, ...]


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each item observed; one in all for a burst."""
    window = window_of(rule, world)
    burst: list[tuple[Judgement, _Counted]] = []
    for one in occasions(rule, world):
        if window is None:
            yield judge(rule, world, one.item, not_stated(rule, world), in_force=one.in_force)
            continue
        counted = _count(rule, world, one, window)
        judged = _judged(rule, world, one, counted)
        if burst and not (_too_many(rule, judged, counted) and counted.span.overlaps(burst[-1][1].span)):
            yield _told(rule, burst)
            burst = []
        if _too_many(rule, judged, counted):
            burst.append((judged, counted))
        else:
            told, limit = (("count", _text(counted)),), _limit(rule, few=True)
            yield replace(judged, told=told, limit=limit, suspect=judged.suspect and _looks_wrong(rule, counted))
    if burst:
        yield _told(rule, burst)


def _count(rule: Rule, world: World, one: Occasion, window: tuple[int, int]) -> _Counted:
    if rule.count is None:
        raise ValueError("count needs count")
    lo, hi = one.item.at.lo + window[0], one.item.at.hi + window[1]
    whole = Interval(lo, max(lo, hi))
    span = one.clip.cut(whole) if one.clip is not None else whole
    if span is None:
        return _Counted(whole, (), (), (), ())
    sure: list[Item] = []
    possible: list[Item] = []
    doubts: list[Doubt] = []
    for other in world.near(rule.count.what, span.lo, span.hi):
        match = rule.count.matches(world, other, one.item)
        truth = match.truth & _inside(other, one, window)
        if truth is Truth.YES:
            sure.append(other)
        elif truth is Truth.UNKNOWN:
            possible.append(other)
            doubts += match.doubts or ((Reason.STRADDLES, ""),)
    unseen = hidden(world.history, rule.count.roles, span)
    return _Counted(span, tuple(sure), tuple(possible), tuple(dict.fromkeys(doubts)), unseen)


def _inside(other: Item, one: Occasion, window: tuple[int, int]) -> Truth:
    if other.same_as(one.item):
        return Truth.of(window[0] <= 0 <= window[1])
    in_time = within(other.at.since(one.item.at), *window)
    return in_time & one.clip.holds(replace(other, end=None)) if one.clip is not None else in_time


def _judged(rule: Rule, world: World, one: Occasion, counted: _Counted) -> Judgement:
    violated = both([one.match, either([_many(rule, counted), _few(rule, counted)])])
    return judge(rule, world, one.item, violated, in_force=one.in_force)


def _many(rule: Rule, counted: _Counted) -> Answer:
    if rule.most is None:
        return NO
    if len(counted.sure) > rule.most:
        return Answer(Truth.YES, (), counted.sure)
    most = len(counted.sure) + len(counted.possible)
    open_ones = (*(counted.open if most > rule.most else ()), *counted.doubts)
    return Answer(Truth.UNKNOWN, open_ones) if open_ones else NO


def _few(rule: Rule, counted: _Counted) -> Answer:
    if rule.fewest is None or len(counted.sure) >= rule.fewest:
        return NO
    most = len(counted.sure) + len(counted.possible)
    open_ones = (*(counted.open if most >= rule.fewest else ()), *counted.doubts)
    return Answer(Truth.UNKNOWN, open_ones) if open_ones else Answer(Truth.YES, (), counted.sure)


def _looks_wrong(rule: Rule, counted: _Counted) -> bool:
    """Whether what was seen breaks a limit; that more could have come unseen is no suspicion of its own."""
    most = len(counted.sure) + len(counted.possible)
    return (rule.most is not None and most > rule.most) or (rule.fewest is not None and len(counted.sure) < rule.fewest)


def _too_many(rule: Rule, judged: Judgement, counted: _Counted) -> bool:
    return judged.ruling is Ruling.FAIL and rule.most is not None and len(counted.sure) > rule.most


def _told(rule: Rule, burst: Sequence[tuple[Judgement, _Counted]]) -> Judgement:
    """A burst as one judgement, with everything counted in it."""
    first = burst[0][0]
    sure = {id(item): item for _, counted in burst for item in counted.sure}
    evidence = tuple(dict.fromkeys((*first.evidence, *(ref for item in sure.values() for ref in item.evidence))))
    closures = tuple(dict.fromkeys(name for judged, _ in burst for name in judged.closures))
    text = str(len(sure)) if len(burst) > 1 else _text(burst[0][1])
    told = (("count", text),)
    return replace(first, evidence=evidence, closures=closures, told=told, limit=_limit(rule, few=False))


def _text(counted: _Counted) -> str:
    sure, most = len(counted.sure), len(counted.sure) + len(counted.possible)
    if counted.doubts:
        return f"at least {sure}"
    return str(sure) if most == sure else f"{sure} to {most}"


def _limit(rule: Rule, *, few: bool) -> str:
    return f"at least {rule.fewest}" if few and rule.fewest is not None else f"at most {rule.most}"
