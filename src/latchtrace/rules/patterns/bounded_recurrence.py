"""Bounded recurrence: a state comes again within a time, all through its scope.

Meaning: G F[0,every] P, as far as the scope goes. Konrad & Cheng, ICSE 2005 (bounded recurrence; formula from memory).
The end of the recording closes the scope.
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.model.events import Reason
from latchtrace.model.time import Truth
from latchtrace.rules.conditions import unknown
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.meaning import Scope, ScopeKind, recurrence, throughout
from latchtrace.rules.rule import Rule
from latchtrace.rules.scopes import whole_recording
from latchtrace.rules.watched import broken, ended, watched
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each break; one in all where there is none."""
    state, scope = watched(rule, world)
    limit = rule.every.value(world.limit) if rule.every else None
    if limit is None:
        yield judge(rule, world, whole_recording(world), unknown(Reason.LIMIT_NOT_STATED, str(rule.every)))
        return
    closes = ended(scope.closes, world, Truth.YES)
    kind = {ScopeKind.GLOBALLY: ScopeKind.BEFORE, ScopeKind.AFTER: ScopeKind.AFTER_UNTIL}.get(scope.kind, scope.kind)
    closed = Scope(kind, scope.opens, closes)
    formula = recurrence(state, closed, int(limit))
    if scope.kind is not ScopeKind.GLOBALLY:
        formula = throughout(formula, closed)
    yield from broken(rule, world, state, formula, first_only=scope.kind is ScopeKind.BEFORE)
