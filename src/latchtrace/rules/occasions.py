"""What a rule is judged for: the items it observes, or the moments at which the states it watches begin."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from latchtrace.model.time import Interval, Truth
from latchtrace.rules.clip import Clip
from latchtrace.rules.conditions import Answer
from latchtrace.rules.meaning import Scope
from latchtrace.rules.rule import Rule
from latchtrace.rules.scopes import ScopedRule
from latchtrace.rules.states import beginnings
from latchtrace.rules.world import Item, World


@dataclass(frozen=True, slots=True)
class Occasion:
    """One thing a rule is judged for.

    `match`: how surely it is one of those the rule means; `in_force`: whether the rule's scope is open then; `clip`:
    what part of the recording counts for it (None: all); `scope`: the scope as signals.
    """

    item: Item
    match: Answer
    in_force: Answer
    clip: Clip | None
    scope: Scope


def occasions(rule: Rule, world: World) -> Iterator[Occasion]:
    """Each occasion in time order, those outside the scope of the rule left out."""
    scoped = ScopedRule(rule, world)
    for item, match in _observed(rule, world):
        in_force = scoped.in_force(item.at)
        if in_force.truth != Truth.NO:
            yield Occasion(item, match, in_force, scoped.clip(item.at), scoped.scope)


def _observed(rule: Rule, world: World) -> Iterator[tuple[Item, Answer]]:
    if rule.begins:
        nothing = Item("beginning", Interval.at(world.history.span.lo), {})
        for item, match in beginnings(rule.begins, world, nothing):
            yield replace(item, closures=_concerned(rule, world, item)), match
        return
    for item in world.streams[rule.observe.what]:
        match = rule.observe.matches(item)
        if match.truth != Truth.NO and not item.perhaps:
            yield item, match


def _concerned(rule: Rule, world: World, item: Item) -> tuple[str, ...]:
    """The closures a beginning is about: those the rule's `concerns` holds of, or may hold of."""
    wanted = rule.concerns
    if wanted is None:
        return ()
    moment = Interval.at(item.at.lo - 1) if wanted.before else item.at
    return tuple(
        name for name in wanted.closures(world, item) if wanted.at(world, name, moment, wanted.values).truth != Truth.NO
    )
