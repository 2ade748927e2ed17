"""Universality: a state holds at every instant of its scope.

Meaning: G P; after Q until R: G((Q ∧ ¬R) → (P W R)); the other scopes as in `rules/meaning.py`.
Dwyer, Avrunin & Corbett, ICSE 1999 (universality). The end of the recording closes every scope: what comes after it
is not judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from latchtrace.model.time import Truth
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.meaning import ScopeKind, throughout, universality
from latchtrace.rules.rule import Rule
from latchtrace.rules.watched import broken, ended, watched
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each break; one in all where there is none."""
    state, scope = watched(rule, world)
    closed = replace(scope, closes=ended(scope.closes, world, Truth.YES))
    if scope.kind is ScopeKind.AFTER:
        closed = replace(closed, kind=ScopeKind.AFTER_UNTIL)
    formula = throughout(universality(state), closed)
    yield from broken(rule, world, state, formula, first_only=scope.kind is ScopeKind.BEFORE)
