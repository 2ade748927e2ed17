"""Delay classes of many occasions at once: the same as `delay_classes`, where the columns tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.eventtable import Rows, Times
from latchtrace.rules.at_once.answers import ask, ask_all, matching
from latchtrace.rules.at_once.clear import Clear, Delays, all_open, premises
from latchtrace.rules.at_once.many import NO, OPEN, YES, Levels, Many, bindings, names_in, some
from latchtrace.rules.at_once.windows import FAR
from latchtrace.rules.blindness import hidden_in
from latchtrace.rules.conditions import Selector
from latchtrace.rules.occasions import Occasions
from latchtrace.rules.patterns.delay_classes import bounds_of, horizon_of, watched_roles


@dataclass(frozen=True, slots=True)
class _Answers:
    """The first answer of each occasion (`came` where there is one), and where the columns do not tell."""

    came: Flags
    lo: Times
    hi: Times
    unclear: Flags


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them."""
    rule, many = occasions.rule, occasions.many
    policy = rule.restart_policy
    if rule.expect is None or rule.scope is not None or not len(many):
        return all_open(occasions)
    if policy is not None and bool((ask(policy, many) != NO).any()):
        return all_open(occasions)
    bounds = bounds_of(rule, many.world)
    horizon = horizon_of(rule, many.world, bounds)
    answers = _first_answers(rule.expect, many, horizon)
    cancelled = _cancelled((*rule.cancelled_by, *rule.restarted_by), many, answers, horizon, bounds[1])
    meant, (skipped, judged) = occasions.meant(), premises(occasions)
    sound = judged & (meant != NO) & ~answers.unclear
    sound &= some([ask(condition, many) for condition in rule.doubtful], many) == NO
    stop = np.where(answers.came, answers.hi, many.hi + horizon)
    sound &= ~hidden_in(many.world.history, watched_roles(rule), many.lo, np.maximum(many.lo, stop))
    clock = np.maximum(answers.lo - many.hi, 0), np.maximum(answers.hi - many.lo, 0)
    ends = np.maximum(stop, many.hi + (bounds[0] or 0)) <= many.world.history.span.hi
    settled = np.ones(len(many), np.bool_)
    passes: dict[str, Flags] = {}
    for name, rule_id in rule.classes.items():
        premise = ask_all(rule.class_given.get(name, ()), many)
        outside = _outside(
            name, bounds, answers.came, clock, ends & (many.hi + (bounds[0] or 0) <= many.world.history.span.hi)
        )
        passed = sound & (cancelled == NO) & (premise == YES) & outside
        aside = skipped | (meant == NO) | ((cancelled == YES) & ~answers.unclear) | (premise == NO)
        passes[rule_id] = passed & ~aside
        settled &= passed | aside
    counted = {rule_id: int(np.count_nonzero(passed & settled)) for rule_id, passed in passes.items()}
    measured = np.flatnonzero(settled & answers.came & np.logical_or.reduce(list(passes.values())))
    delays = Delays(measured, clock[0][measured], clock[1][measured])
    return Clear(occasions, np.flatnonzero(~settled), counted, delays)


def _outside(
    name: str,
    bounds: tuple[int | None, int | None, int | None],
    came: Flags,
    clock: tuple[Times, Times],
    ends: Flags,
) -> Flags:
    """Where a delay surely is not of the class."""
    early, late, missing = bounds
    needed = {"early": early, "late": late, "slow": late, "missing": missing}[name]
    if needed is None:
        return np.zeros(len(came), np.bool_)
    none = ends & (name != "missing")
    if name == "early":
        return np.where(came, clock[0] > needed - 1, none)
    kept = clock[1] <= needed
    if name == "late" and missing is not None:
        kept |= clock[0] > missing
    return np.where(came, kept, none)


def _first_answers(expect: Selector, many: Many, horizon: int) -> _Answers:
    size = len(many)
    came, unclear = np.zeros(size, np.bool_), np.ones(size, np.bool_)
    lo, hi = np.zeros(size, np.int64), np.zeros(size, np.int64)
    columns = many.world.stream(expect.what)
    stream = Many(many.world, columns, np.arange(len(columns)))
    for chosen, names in bindings(many, names_in(expect)):
        rows = np.flatnonzero(matching(expect, stream, names) != NO)
        part = many.part(chosen)
        first = _past_itself(part, stream, rows, np.searchsorted(columns.hi[rows], part.lo))
        row_lo, row_hi = np.append(columns.lo[rows], FAR), np.append(columns.hi[rows], FAR)
        until = part.hi + horizon
        came[chosen] = row_lo[first] <= until
        later = np.minimum.accumulate(row_lo[::-1])[::-1][first] <= until
        unclear[chosen] = later & ~came[chosen]
        lo[chosen], hi[chosen] = row_lo[first], row_hi[first]
    lo, hi = np.where(came, lo, many.lo), np.where(came, hi, many.hi)
    return _Answers(came, lo, hi, unclear)


def _past_itself(many: Many, stream: Many, rows: Rows, first: Rows) -> Rows:
    """The candidate after the occasion itself, where that is among the candidates."""
    if stream.columns is not many.columns:
        return first
    itself = np.append(rows, -1)[first] == many.rows
    return np.where(itself, first + 1, first)


def _cancelled(selectors: Sequence[Selector], many: Many, answers: _Answers, horizon: int, late: int | None) -> Levels:
    """Whether something that cancels came before the answer."""
    stop = np.where(answers.came, answers.hi, many.hi + horizon)
    if late is not None:
        stop = np.where(answers.came, stop, np.minimum(stop, many.hi + late))
    before = np.where(answers.came, answers.lo - 1, FAR)
    result = many.constant(NO)
    for selector in selectors:
        columns = many.world.stream(selector.what)
        stream = Many(many.world, columns, np.arange(len(columns)))
        found = many.constant(OPEN)
        for chosen, names in bindings(many, names_in(selector)):
            levels = matching(selector, stream, names)
            part = many.part(chosen)
            surely = _between(part, stream, np.flatnonzero(levels == YES), (stop[chosen], before[chosen]), True)
            maybe = _between(part, stream, np.flatnonzero(levels != NO), (stop[chosen], before[chosen]), False)
            found[chosen] = np.where(surely, YES, np.where(maybe, OPEN, NO))
        result = np.maximum(result, found)
    return result


def _between(many: Many, stream: Many, rows: Rows, until: tuple[Times, Times], sure: bool) -> Flags:
    """Whether one of the rows surely, or possibly, came after the occasion and before its answer or deadline."""
    columns, (stop, before) = stream.columns, until
    first = _past_itself(many, stream, rows, np.searchsorted(columns.hi[rows], many.hi))
    lo, hi = np.append(columns.lo[rows], FAR), np.append(columns.hi[rows], FAR)
    first = np.minimum(first, len(rows))
    if not sure:
        return np.minimum.accumulate(lo[::-1])[::-1][first] <= stop
    return (lo[first] > many.lo) & (lo[first] <= stop) & (hi[first] <= before) & (hi[first] < FAR)
