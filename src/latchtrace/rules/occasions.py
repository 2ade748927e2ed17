"""What a rule is judged for: the items it observes, or the moments at which the states it watches begin."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from latchtrace.model.coding import Fact, distinct
from latchtrace.model.events import EventKind, Reason
from latchtrace.model.eventtable import Rows
from latchtrace.model.results import Episode, EvidenceRef
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.at_once.answers import matching
from latchtrace.rules.at_once.many import Levels, Many
from latchtrace.rules.clip import Clip
from latchtrace.rules.columns import Columns
from latchtrace.rules.conditions import Answer, ClosureIs, Selector, StateIs, last_before
from latchtrace.rules.item import Item
from latchtrace.rules.meaning import Scope
from latchtrace.rules.rule import Captured, Rule
from latchtrace.rules.scopes import ScopedRule
from latchtrace.rules.states import beginnings, frames_at
from latchtrace.rules.world import World, shown_latches


@dataclass(frozen=True, slots=True)
class Occasions:
    """The occasions of a rule in one world: `many` for answers to all at once, `one(i)` for a single one.

    `matches` says of beginnings how surely the rule means them.
    """

    rule: Rule
    many: Many
    matches: tuple[Answer, ...] = ()

    def __len__(self) -> int:
        return len(self.many)

    def one(self, i: int) -> tuple[Item, Answer]:
        """A single occasion, with how surely the rule means it."""
        many, rule = self.many, self.rule
        row = int(many.rows[i])
        item = many.columns.item(row)
        match = self.matches[row] if self.matches else rule.observe.matches(many.world, item)
        if many.which is not None:
            closure = many.closures[int(many.which[i])]
            facts, evidence = {**item.facts, "closure": closure}, _frames_of(many.columns, row, item, closure)
            item = replace(item, facts=facts, closures=(closure,), evidence=evidence)
        for name, captured in rule.let.items():
            item = with_captured(many.world, item, name, captured)
        if rule.concerns is not None:
            item = replace(item, closures=_concerned(rule.concerns, many.world, item))
        return item, match

    def meant(self) -> Levels:
        """How surely the rule means each."""
        if self.matches:
            levels = np.array([match.truth.value for match in self.matches], np.int8)
            return levels[self.many.rows]
        found = matching(self.rule.observe, self.many.whole(), {})
        return found[self.many.rows]


def occasions_of(rule: Rule, world: World) -> Occasions:
    """All occasions of a rule in time order."""
    known: Occasions | None = world.found.get(id(rule))
    if known is None:
        known = world.found[id(rule)] = _occasions_of(rule, world)
    return known


def _occasions_of(rule: Rule, world: World) -> Occasions:
    if rule.begins:
        found = beginnings(rule.begins, world, Item("beginning", Interval.at(world.history.span.lo), {}))
        many = Many(world, _begun(rule, world, [at for at, _ in found]), np.arange(len(found)))
        return Occasions(rule, many, tuple(match for _, match in found))
    columns = world.stream(rule.observe.what)
    possible = np.ones(len(columns), np.bool_) if columns.perhaps is None else ~columns.perhaps
    for name, values, wanted in rule.observe.facts:
        known = columns.fact(name)
        if known is not None and len(columns):
            codes, unsure = known
            hit = world.coding.holding(values)[codes]
            possible &= (hit if wanted else ~hit) | unsure
    rows = np.flatnonzero(possible)
    if rule.for_each != "closure" or "closure" not in columns.facts:
        return Occasions(rule, Many(world, columns, rows))
    return _for_each_closure(rule, world, columns, rows)


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


def occasions(rule: Rule, world: World, chosen: tuple[Occasions, Rows] | None = None) -> Iterator[Occasion]:
    """Each occasion in time order (or some `chosen` by number), those outside the scope of the rule left out."""
    scoped = ScopedRule(rule, world)
    found, numbers = chosen or (occasions_of(rule, world), None)
    for item, match in _meant(found, numbers):
        in_force = scoped.in_force(item.at)
        if in_force.truth != Truth.NO:
            yield Occasion(item, match, in_force, scoped.clip(item.at), scoped.scope)


def _meant(found: Occasions, numbers: Rows | None) -> Iterator[tuple[Item, Answer]]:
    """Each occasion in time order, with how surely it is one of those the rule means."""
    for i in range(len(found)) if numbers is None else numbers.tolist():
        item, match = found.one(i)
        if match.truth != Truth.NO:
            yield item, match


def _for_each_closure(rule: Rule, world: World, columns: Columns, rows: Rows) -> Occasions:
    """Each occasion once for each closure it addresses, as far as its latch is on the network."""
    groups, size = columns.facts["closure"][rows], len(world.coding.values)
    names: dict[str, int] = {}
    listed: list[int] = []
    first, count = np.zeros(size, np.int64), np.zeros(size, np.int64)
    for code in distinct(groups, size):
        fact = world.coding.values[code]
        group = shown_latches(world.history, (fact,) if isinstance(fact, str) else fact)
        first[code], count[code] = len(listed), len(group)
        listed += [names.setdefault(name, len(names)) for name in group]
    repeat = count[groups]
    within = np.arange(repeat.sum()) - np.repeat(np.cumsum(repeat) - repeat, repeat)
    which = np.array(listed, np.int32)[np.repeat(first[groups], repeat) + within]
    return Occasions(rule, Many(world, columns, np.repeat(rows, repeat), tuple(names), which))


def _begun(rule: Rule, world: World, spans: Sequence[Interval]) -> Columns:
    """Beginnings as a stream of their own."""
    lo, hi = np.array([at.lo for at in spans], np.int64), np.array([at.hi for at in spans], np.int64)

    def more(row: int) -> dict[str, Any]:
        return {"evidence": frames_at(rule.begins, world, spans[row])}

    return Columns("beginning", world.coding, lo, hi, lo, hi, {}, more)


def _frames_of(columns: Columns, row: int, item: Item, closure: str) -> tuple[EvidenceRef, ...]:
    """The frames that show an occasion for one closure: those of its command, and of that closure's own answer."""
    chain = columns.sources[row] if columns.sources else None
    if not isinstance(chain, Episode):
        return item.evidence
    answer = chain.feedback.get(closure)
    return (*chain.command.evidence, *(answer.evidence if answer is not None else ()))


def with_captured(world: World, item: Item, name: str, captured: Captured) -> Item:
    """The item with what a rule's `let` found at it, under its name."""
    if isinstance(captured, Selector):
        return replace(item, named={**item.named, name: last_before(world, captured, item)})
    values, doubts = _state(world, item, captured)
    fact: Fact = values[0] if len(values) == 1 else values
    return replace(item, facts={**item.facts, name: fact}, open_facts={**item.open_facts, name: doubts})


def _state(world: World, item: Item, captured: ClosureIs | StateIs) -> tuple[tuple[str, ...], tuple[Any, ...]]:
    """Every value a state may have had at the item, and why more than one is possible."""
    history = world.history
    subjects: tuple[str, ...]
    if isinstance(captured, StateIs):
        kind, subjects, moment = EventKind.STATE, (captured.role,), item.at
    else:
        kind, subjects, moment = captured.kind, captured.closures(world, item), captured.moment(item)
    moment = Interval(max(moment.lo, history.span.lo), max(moment.hi, history.span.lo))
    values = tuple(sorted({value for one in subjects for value in history.possible(kind, one, moment)}))
    if len(values) == 1 and values != ("unknown",):
        return values, ()
    role = subjects[0] if kind == EventKind.STATE else f"{kind}.{subjects[0]}"
    unseen = history.hidden(role, moment) or (Reason.UNKNOWN_BEFORE if "unknown" in values else Reason.STRADDLES)
    return values, ((unseen, role),)


def _concerned(wanted: ClosureIs, world: World, item: Item) -> tuple[str, ...]:
    """The closures an occasion is about: those the rule's `concerns` holds of, or may hold of."""
    moment = wanted.moment(item)
    return tuple(
        name for name in wanted.closures(world, item) if wanted.at(world, name, moment, wanted.values).truth != Truth.NO
    )
