"""What conditions and selectors answer of many occasions at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.events import EventKind
from latchtrace.model.eventtable import Rows, Times
from latchtrace.model.time import NO_TIME, Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.at_once.many import (
    NO,
    OPEN,
    YES,
    Levels,
    Many,
    bindings,
    decided,
    every,
    fact_levels,
    names_in,
    negated,
    some,
)
from latchtrace.rules.at_once.states import number_range, state_levels
from latchtrace.rules.at_once.windows import FAR, Found, Window, backward, forward
from latchtrace.rules.blindness import hidden_in
from latchtrace.rules.conditions import (
    ClosureIs,
    Condition,
    Elapsed,
    FactIs,
    Happened,
    Joined,
    Latest,
    NumberIs,
    PolicyIs,
    Selector,
    StateIs,
)
from latchtrace.rules.item import Item
from latchtrace.rules.reaches import Reaches
from latchtrace.rules.world import World


def ask(condition: Condition, many: Many) -> Levels:
    """What a condition answers of each."""
    answer = _ANSWERS.get(type(condition))
    if answer is None or not len(many):
        return many.constant(OPEN)
    return answer(condition, many)


def ask_all(conditions: Sequence[Condition], many: Many) -> Levels:
    """Whether all the conditions hold of each."""
    return every([ask(condition, many) for condition in conditions], many)


def _fact(condition: FactIs, many: Many) -> Levels:
    return fact_levels(many.fact(condition.name), condition.values, True, many)


def _values(value: str, names: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """A value, or what the name it is stands for."""
    return names[value[1:]] if value.startswith("$") else (value,)


def matching(selector: Selector, stream: Many, names: Mapping[str, tuple[str, ...]]) -> Levels:
    """Which items of a whole stream a selector means, with names standing for these values."""
    levels = []
    for name, values, wanted in selector.facts:
        bound = [one for value in values for one in _values(value, names)]
        levels.append(fact_levels(stream.fact(name), bound, wanted, stream))
    found = every([*levels, *(ask(condition, stream) for condition in selector.where)], stream)
    if stream.columns.perhaps is not None:
        found = np.where(stream.columns.perhaps, np.minimum(found, OPEN), found)
    return found


def occurs(selector: Selector, many: Many, window: Window) -> Levels:
    """Whether a thing meant by the selector happens in the window of each occasion."""
    result = many.constant(OPEN)
    stream = Many(many.world, many.world.stream(selector.what), np.zeros(0, np.int64)).whole()
    for chosen, names in bindings(many, names_in(selector)):
        if len(chosen):
            levels = matching(selector, stream, names)
            result[chosen] = _found(selector, many.part(chosen), window.of(chosen), stream, levels)
    return result


def _found(selector: Selector, many: Many, window: Window, stream: Many, levels: Levels) -> Levels:
    own = many.rows if stream.columns is many.columns else None
    lasts_lo, lasts_hi = (
        (many.columns.end_lo[many.rows], many.columns.end_hi[many.rows])
        if window.hi > 0
        else (
            many.lo,
            many.hi,
        )
    )
    search = backward if window.hi == 0 else forward
    sure = search(many, window, Found(stream.columns, np.flatnonzero(levels == YES), own), (lasts_lo, lasts_hi), True)
    possible = search(many, window, Found(stream.columns, np.flatnonzero(levels), own), (lasts_lo, lasts_hi), False)
    lo = many.lo + window.lo
    if window.cut is not None:
        lo = np.maximum(lo, window.cut)
    unseen = hidden_in(many.world.history, selector.roles, lo, np.maximum(lo, lasts_hi + window.hi))
    return decided(sure, ~possible & ~unseen)


def _happened(condition: Happened, many: Many) -> Levels:
    if not condition.since:
        lo = condition.lo.value(many.world.limit) if condition.lo else 0
        hi = condition.hi.value(many.world.limit) if condition.hi else 0
        if lo is None or hi is None:
            return many.constant(OPEN)
        return occurs(condition.selector, many, Window(int(lo), int(hi)))
    start = _start(condition.since, many)
    if start is None:
        return many.constant(OPEN)
    since, known = start
    result = many.constant(OPEN)
    chosen = np.flatnonzero(known)
    part = many.part(chosen)
    result[chosen] = occurs(condition.selector, part, Window(since[chosen] - part.lo, 0, since[chosen]))
    return result


def _start(since: str, many: Many) -> tuple[Times, Flags] | None:
    """When the thing began that a condition measures from, and where there is one."""
    columns = many.columns
    if since == "request" and columns.request_lo is not None:
        asked = columns.request_lo[many.rows]
        return asked, asked != NO_TIME
    if since != "previous" or columns.previous is None or columns.actions is None or not len(columns.actions):
        return None
    before = columns.previous[many.rows]
    return columns.actions.lo[np.maximum(before, 0)], before >= 0


def _elapsed(condition: Elapsed, many: Many) -> Levels:
    lo, hi = condition.lo.value(many.world.limit), condition.hi.value(many.world.limit)
    columns = many.columns
    if lo is None or hi is None or condition.since != "previous" or columns.previous is None:
        return many.constant(OPEN)
    if columns.actions is None or not len(columns.actions):
        return many.constant(OPEN)
    before = columns.previous[many.rows]
    at = np.maximum(before, 0)
    shortest, longest = many.lo - columns.actions.hi[at], many.hi - columns.actions.lo[at]
    known = before >= 0
    return decided(known & (shortest >= lo) & (longest <= hi), known & ((longest < lo) | (shortest > hi)))


def _latest(condition: Latest, many: Many) -> Levels:
    mine, mine_hi, clear = _last_before(condition.selector, many)
    ended = np.full(len(many), -FAR, np.int64)
    for selector in condition.ended_by:
        row, _, sure = _last_before(selector, many)
        columns = many.world.stream(selector.what)
        if len(columns):
            ended = np.maximum(ended, np.where(row >= 0, columns.lo[np.maximum(row, 0)], -FAR))
        clear &= sure
    came = (mine >= 0) & (ended <= mine_hi)
    over = (ended > -FAR) & ((mine < 0) | (ended > mine_hi))
    unseen = hidden_in(many.world.history, condition.selector.roles, ended, np.maximum(ended, many.hi))
    return decided(came & clear, over & clear & ~unseen)


def _last_before(selector: Selector, many: Many) -> tuple[Rows, Times, Flags]:
    """The row of the last such thing that surely is one, its latest time, and where that is clear from the columns."""
    nothing = np.full(len(many), -1, np.int64), np.full(len(many), -FAR, np.int64)
    columns = many.world.stream(selector.what)
    stream = Many(many.world, columns, np.arange(len(columns)))
    if names_in(selector) or not len(columns):
        return *nothing, np.full(len(many), not len(columns), np.bool_)
    levels = matching(selector, stream, {})
    rows = np.flatnonzero(levels == YES)
    open_ones = np.flatnonzero(levels == OPEN)
    lo, hi = columns.lo[rows], columns.hi[rows]
    last = np.searchsorted(hi, many.hi, side="right") - 1
    later = np.append(np.minimum.accumulate(lo[::-1])[::-1], FAR)[last + 1] <= many.hi
    itself = columns is many.columns
    row = np.append(rows, -1)[last]
    if itself:
        own = row == many.rows
        last = np.where(own, last - 1, last)
        row = np.append(rows, -1)[last]
    # where `where` leaves something open, an open one may be the last
    unclear = later | np.full(len(many), bool(len(open_ones)) and bool(selector.where))
    return row, np.append(hi, -FAR)[last], ~unclear


def closure_levels(condition: ClosureIs, many: Many, span: tuple[Times, Times]) -> Levels:
    """Whether any, or every, closure it speaks of is in one of the states all through each span."""
    result = many.constant(OPEN)
    names = [condition.which[1:]] if condition.which.startswith("$") else []
    names += ["closure"] if condition.of == "$closures" else []
    names += [value[1:] for value in condition.values if value.startswith("$")]
    for chosen, facts in bindings(many, tuple(dict.fromkeys(names))):
        if not len(chosen):
            continue
        values = [
            one for value in condition.values for one in (facts[value[1:]] if value.startswith("$") else (value,))
        ]
        named = facts.get(condition.which[1:]) if condition.which.startswith("$") else None
        closures = named or condition.closures(many.world, Item("", _INSTANT, {}, facts.get("closure", ())))
        part = (span[0][chosen], span[1][chosen])
        levels = [_closure(condition, many.world, closure, values, part) for closure in closures]
        result[chosen] = (
            some(levels, many.part(chosen)) if condition.which == "any" else every(levels, many.part(chosen))
        )
    return result


def _closure(
    condition: ClosureIs, world: World, closure: str, values: Sequence[str], span: tuple[Times, Times]
) -> Levels:
    if condition.not_there(world, closure):
        return np.full(len(span[0]), YES if condition.which == "every" else NO, np.int8)
    if condition.coverage(world, closure).status == RoleStatus.NOT_VISIBLE:
        return np.full(len(span[0]), OPEN, np.int8)
    return state_levels(world, condition.kind, closure, values, span)


def _closure_is(condition: ClosureIs, many: Many) -> Levels:
    moment = (many.lo - 1, many.lo - 1) if condition.before else (many.lo, many.hi)
    return closure_levels(condition, many, moment)


def _state_is(condition: StateIs, many: Many) -> Levels:
    world = many.world
    if world.history.coverage(condition.role).status != RoleStatus.MAPPED and condition.parameter:
        stated = world.vehicle.parameters.get(condition.parameter)
        if stated is not None:
            return many.constant(YES if ("on" if stated.value else "off") in condition.values else NO)
    return state_levels(world, EventKind.STATE, condition.role, condition.values, (many.lo, many.hi))


def _policy(condition: PolicyIs, many: Many) -> Levels:
    stated = many.world.vehicle.parameters.get(condition.parameter)
    if stated is None:
        return many.constant(OPEN)
    return many.constant(YES if str(stated.value) in condition.values else NO)


def _number(condition: NumberIs, many: Many) -> Levels:
    edge = condition.bound.value(many.world.limit)
    if edge is None:
        return many.constant(OPEN)
    known, low, high = number_range(many.world.history, condition.role, (many.lo, many.hi))
    above, below = known & (low > edge), known & (high < edge)
    level = known & (low == edge) & (high == edge)
    return decided(above, below | level) if condition.above else decided(below, above | level)


def _reaches(condition: Reaches, many: Many) -> Levels:
    low, high = condition.signal(many.world).range(many.lo, many.hi)
    return np.where(low == high, low, OPEN).astype(np.int8)


def _joined(condition: Joined, many: Many) -> Levels:
    levels = [ask(part, many) for part in condition.parts]
    if condition.how == "not":
        return negated(every(levels, many))
    return some(levels, many) if condition.how == "any-of" else every(levels, many)


_INSTANT = Interval.at(0)
_ANSWERS: Mapping[type, Callable[..., Levels]] = {
    FactIs: _fact,
    ClosureIs: _closure_is,
    StateIs: _state_is,
    PolicyIs: _policy,
    NumberIs: _number,
    Reaches: _reaches,
    Happened: _happened,
    Elapsed: _elapsed,
    Latest: _latest,
    Joined: _joined,
}
"""One line a kind of condition; what is not here is always asked one by one."""
