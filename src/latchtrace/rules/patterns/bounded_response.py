"""Bounded response: what is observed is followed by what is expected, within a time.

Meaning: G (observe → F[0,within] expect); with an expected state: G (observe → state at the deadline).
Konrad & Cheng, ICSE 2005 (bounded response). Limits are closed: an answer at exactly the deadline is in time.
An answer must come before the scope closes; an expected state must hold at the deadline, or just before.
A deadline after the capture's end, or an answer a gap could hide, is undecided.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.at_once.answers import closure_levels
from latchtrace.rules.at_once.answers import occurs as occurs_at_once
from latchtrace.rules.at_once.clear import Clear, all_open, settled
from latchtrace.rules.at_once.many import NO, OPEN, YES
from latchtrace.rules.at_once.windows import Window
from latchtrace.rules.clip import Clip
from latchtrace.rules.conditions import Answer, both, either, negated, occurs, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.occasions import Occasions, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """One judgement for each item observed, or for those the columns leave open."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        violated = both([one.match, _unanswered(rule, world, one.item, one.clip)])
        yield judge(rule, world, one.item, violated, in_force=one.in_force)


def _unanswered(rule: Rule, world: World, item: Item, clip: Clip | None) -> Answer:
    if rule.within is None:
        raise ValueError("bounded-response needs within")
    limit = rule.within.value(world.limit)
    if limit is None:
        return unknown(Reason.LIMIT_NOT_STATED, rule.within.text)
    deadline = int(limit)
    if rule.expect is not None:
        answered = occurs(world, rule.expect, item, 0, deadline, clip=clip)
    else:
        answered = _state_at(rule, world, item, _due(item, deadline, clip))
    if answered.truth == Truth.YES:
        return negated(answered)
    overtaken = either([occurs(world, selector, item, 0, deadline, clip=clip) for selector in rule.overtaken_by])
    if overtaken.truth == Truth.YES:
        return unknown(Reason.NOT_EXERCISED, "overtaken")
    return both([negated(answered), negated(overtaken)])


def _due(item: Item, deadline: int, clip: Clip | None) -> Interval:
    moment = item.at.shift(deadline)
    return clip.due(moment) if clip is not None else moment


def _state_at(rule: Rule, world: World, item: Item, moment: Interval) -> Answer:
    if rule.expect_state is None:
        raise ValueError("bounded-response needs expect")
    if moment.hi > world.history.span.hi:
        settled = Interval(item.at.lo, max(item.at.lo, world.history.span.hi))
        early = _reached(rule, world, item, settled)
        return early if early.truth == Truth.YES else unknown(Reason.ENDED)
    values = tuple(item.fact("target")) if rule.expect_state.values == ("$target",) else rule.expect_state.values
    return both([rule.expect_state.at(world, name, moment, values) for name in rule.expect_state.closures(world, item)])


def _reached(rule: Rule, world: World, item: Item, span: Interval) -> Answer:
    """Whether the state was surely reached by the end of what was recorded."""
    state = rule.expect_state
    if state is None or span.hi <= item.at.hi:
        return unknown(Reason.ENDED)
    values = tuple(item.fact("target")) if state.values == ("$target",) else state.values
    return both([state.at(world, name, Interval.at(span.hi), values) for name in state.closures(world, item)])


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them: an answer in time is no violation; the rest is looked at one by one."""
    rule, many = occasions.rule, occasions.many
    within = rule.within.value(many.world.limit) if rule.within else None
    if within is None:
        return all_open(occasions)
    if rule.expect is not None:
        answered = occurs_at_once(rule.expect, many, Window(0, int(within)))
    elif rule.expect_state is not None:
        answered = closure_levels(rule.expect_state, many, (many.lo + int(within), many.hi + int(within)))
    else:
        return all_open(occasions)
    return settled(occasions, np.where(answered == YES, NO, OPEN).astype(np.int8))
