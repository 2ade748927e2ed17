"""Response: what is observed is followed by the expected state once things have settled.

Meaning: G (observe → ((F settled-state) before the next action)): the response has no deadline of its own; it is
judged when nothing has moved for `within` after the last movement, and not at all if the next action comes first.
Where the next action may have come first or not, what looks violated is undecided. A closure whose last movement
since is `excepting` is left to the rules about that. Where the scope closes sooner, the state must hold just before.
Dwyer, Avrunin & Corbett, ICSE 1999 (response, scope "until"; formulas from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.events import EventKind, Reason
from latchtrace.model.eventtable import Rows, Times
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.at_once import many as at_once_many
from latchtrace.rules.at_once.answers import closure_levels
from latchtrace.rules.at_once.clear import Clear, all_open, settled
from latchtrace.rules.at_once.many import Many
from latchtrace.rules.at_once.windows import FAR
from latchtrace.rules.conditions import NO, Answer, both, either, negated, unknown
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, Occasions, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """One judgement for each item observed that had time to settle, or for those the columns leave open."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        yield _judged(rule, world, one)


def _judged(rule: Rule, world: World, one: Occasion) -> Judgement:
    item = one.item
    settle = rule.within.value(world.limit) if rule.within else None
    state = rule.expect_state
    if state is None or settle is None:
        return judge(rule, world, item, unknown(Reason.LIMIT_NOT_STATED, rule.within.text if rule.within else ""))
    moment, doubts = _settled(world, item, int(settle))
    moment = one.clip.due(moment) if one.clip is not None else moment
    others = [
        other
        for other in world.near(rule.observe.what, item.at.lo, moment.hi)
        if not other.same_as(item) and other.at.lo > item.at.lo and other.at.lo <= moment.hi
    ]
    if any(other.at.hi <= moment.lo for other in others):
        return Judgement(item, Ruling.SKIPPED, item.at)
    if moment.hi > world.history.span.hi:
        return judge(rule, world, item, unknown(Reason.ENDED), in_force=one.in_force)
    values = tuple(item.fact("target")) if state.values == ("$target",) else state.values
    answers = {
        name: either([state.at(world, name, moment, values), _excepted(rule, world, item, name, moment)])
        for name in state.closures(world, item)
    }
    wrong = tuple(name for name, answer in answers.items() if answer.truth == Truth.NO)
    violated: Answer = negated(both(answers.values()))
    if others or doubts:
        violated = both([violated, Answer(Truth.UNKNOWN, doubts or ((Reason.STRADDLES, ""),))])
    violated = both([one.match, violated])
    return judge(rule, world, item, violated, closures=wrong or item.closures, in_force=one.in_force)


def _excepted(rule: Rule, world: World, item: Item, closure: str, moment: Interval) -> Answer:
    """Whether the last thing that happened to one closure since the action is one that other rules judge."""
    if rule.excepting is None:
        return NO
    last = None
    for other in world.near(rule.excepting.what, item.at.lo, moment.hi):
        if closure in other.closures and other.at.hi >= item.at.lo:
            last = other
    return rule.excepting.matches(world, last, item) if last is not None else NO


def _settled(world: World, item: Item, settle: int) -> tuple[Interval, tuple[Doubt, ...]]:
    """The moment at which nothing addressed has moved for the settling time, and why that may be another one."""
    last = item.at
    for movement in world.near("movement", item.at.lo, world.history.span.hi):
        if movement.at.lo > last.hi + settle:
            break
        if movement.fact("closure") not in item.closures or movement.at.hi <= last.hi:
            continue
        if movement.at.hi > last.lo + settle:
            return last.shift(settle), ((Reason.STRADDLES, ""),)
        last = movement.at
    return last.shift(settle), _unseen(world, item, last.hi + settle)


def _unseen(world: World, item: Item, until: int) -> tuple[Doubt, ...]:
    """Latches first seen again before the settling time was over: they may have moved unseen."""
    return tuple(
        (Reason.GAP, f"latch.{closure}")
        for closure in item.closures
        for state in world.history.states(EventKind.LATCH, closure)
        if not state.change and state.value != "unknown" and item.at.lo < state.at.hi <= until
    )


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them: settled as expected is no violation; the rest is looked at one by one."""
    rule, many = occasions.rule, occasions.many
    settle = rule.within.value(many.world.limit) if rule.within else None
    if settle is None or rule.expect_state is None:
        return all_open(occasions)
    lo, hi, clear = _settled_at_once(many, int(settle))
    begun = many.columns.by_lo
    after = begun[np.minimum(np.searchsorted(many.columns.lo[begun], many.lo, side="right"), len(begun) - 1)]
    comes = (many.columns.lo[after] > many.lo) & (many.columns.lo[after] <= hi)
    overtaken = comes & (many.columns.hi[after] <= lo) & clear
    held = closure_levels(rule.expect_state, many, (lo, hi)) == at_once_many.YES
    fine = np.where(held & clear & ~comes, at_once_many.NO, at_once_many.OPEN).astype(np.int8)
    found = settled(occasions, fine)
    return Clear(occasions, found.open[~overtaken[found.open]], found.passed)


def _settled_at_once(many: Many, settle: int) -> tuple[Times, Times, Flags]:
    """When each settles, as `_settled` has it, and where that is clear."""
    lo, hi = many.lo + settle, many.hi + settle
    clear = np.zeros(len(many), np.bool_)
    for chosen, facts in at_once_many.bindings(many, ("closure",)):
        if len(chosen):
            part = _group_settled(many.part(chosen), facts["closure"], settle)
            lo[chosen], hi[chosen], clear[chosen] = part
    return lo, hi, clear


def _group_settled(many: Many, closures: tuple[str, ...], settle: int) -> tuple[Times, Times, Flags]:
    world, movements = many.world, many.world.stream("movement")
    wanted = world.coding.holding(closures)[movements.facts["closure"]] if len(movements) else np.zeros(0, np.bool_)
    moved_lo = np.append(movements.lo[wanted], FAR)
    moved_hi = np.append(movements.hi[wanted], FAR)
    lo, hi, clear = many.lo.copy(), many.hi.copy(), np.ones(len(many), np.bool_)
    moving: Rows = np.arange(len(many))
    while len(moving):
        after = np.searchsorted(moved_hi, hi[moving], side="right")
        goes_on = moved_lo[after] <= hi[moving] + settle
        moving, after = moving[goes_on], after[goes_on]
        straddles = moved_hi[after] > lo[moving] + settle
        clear[moving[straddles]] = False
        moving, after = moving[~straddles], after[~straddles]
        lo[moving], hi[moving] = moved_lo[after], moved_hi[after]
    for closure in closures:
        again = world.state_columns(EventKind.LATCH, closure).again
        clear &= again[np.searchsorted(again, many.lo, side="right")] > hi + settle
    return lo + settle, hi + settle, clear
