"""What each pattern means, as a formula over signals, in every scope.

Patterns and scopes: Dwyer, Avrunin & Corbett, ICSE 1999, pp. 411-420 (names and scopes; formulas from memory);
real-time patterns: Konrad & Cheng, ICSE 2005 (names; maximum duration as the property-pattern wiki has it, other
formulas from memory). P is what is observed, S what is expected or forbidden, Q opens a scope, R closes it.

A pattern is a *body* that must hold at every instant of the scope; existence and precedence are obligations of the
scope as a whole. Obligations still open when R comes are violated (an answer must come inside the scope); forbidden
things after R are none of the rule's business.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from latchtrace.model.time import Interval, Truth
from latchtrace.rules.signals import (
    Signal,
    Times,
    always,
    conjunction,
    constant,
    disjunction,
    eventually,
    implication,
    negation,
    once,
    since,
    until,
    weak_until,
)

NEVER = constant(Truth.NO)


class ScopeKind(StrEnum):
    """Where a pattern is in force."""

    GLOBALLY = "globally"
    BEFORE = "before"
    AFTER = "after"
    BETWEEN = "between"
    AFTER_UNTIL = "after-until"


@dataclass(frozen=True, slots=True)
class Scope:
    """A scope with what opens (Q) and closes (R) it; NEVER where it has none."""

    kind: ScopeKind = ScopeKind.GLOBALLY
    opens: Signal = NEVER
    closes: Signal = NEVER

    @property
    def ends(self) -> Signal:
        """R, or NEVER where the scope has no end."""
        return NEVER if self.kind in (ScopeKind.GLOBALLY, ScopeKind.AFTER) else self.closes


# bodies: what holds at an instant


def absence(p: Signal) -> Signal:
    """¬P."""
    return negation(p)


def universality(p: Signal) -> Signal:
    """P itself."""
    return p


def response(p: Signal, s: Signal, scope: Scope, lo: int = 0, hi: int | None = None) -> Signal:
    """P → F[lo,hi] S, before the scope ends."""
    return implication(p, _inside(s, scope, lo, hi))


def bounded_absence(p: Signal, s: Signal, scope: Scope, lo: int = 0, hi: int | None = None) -> Signal:
    """P → G[lo,hi] ¬S, as far as the scope goes."""
    return implication(p, negation(_inside(s, scope, lo, hi)))


def preceded(p: Signal, s: Signal, scope: Scope, within: int | None = None) -> Signal:
    """P → O[0,within] S, since the scope opened: the bounded precedence."""
    inside = conjunction(s, is_open(scope))
    if scope.ends is NEVER:
        return implication(p, once(inside, 0, within))
    return implication(p, since(negation(scope.ends), inside, 0, within))


def stability(p: Signal, s: Signal, scope: Scope, lo: int = 0, hi: int | None = None) -> Signal:
    """P → G[lo,hi] S, as far as the scope goes: bounded invariance."""
    return bounded_absence(p, negation(s), scope, lo, hi)


def sequence(p: Signal, steps: Sequence[tuple[Signal, int, int | None]], scope: Scope) -> Signal:
    """P → F[lo,hi] (S1 ∧ F[lo,hi] (S2 ∧ …)), all before the scope ends; each step with its `lo` and `hi`."""
    rest = constant(Truth.YES)
    for step, lo, hi in reversed(steps):
        rest = _inside(conjunction(step, rest), scope, lo, hi)
    return implication(p, rest)


def at_most_one(p: Signal, s: Signal, scope: Scope, moments: Sequence[int]) -> Signal:
    """P → no two instants of S among these moments after P, as far as the scope goes."""
    pairs = [
        _inside(conjunction(s, _inside(s, scope, moments[i + 1] - at, moments[-1] - at)), scope, at, at)
        for i, at in enumerate(moments[:-1])
    ]
    return implication(p, negation(disjunction(*pairs)))


def minimum_duration(p: Signal, scope: Scope, least: int) -> Signal:
    """When P begins it stays for at least `least`."""
    return implication(begins(p), negation(_inside(negation(p), scope, 0, least)))


def maximum_duration(p: Signal, scope: Scope, most: int) -> Signal:
    """When P begins it ends within `most`; where the scope ends first it may still hold."""
    ended = disjunction(negation(p), scope.ends)
    return implication(begins(p), eventually(ended, 0, most))


def recurrence(p: Signal, scope: Scope, every: int) -> Signal:
    """F[0,every] P at every instant; where the scope ends first nothing more is due."""
    return eventually(disjunction(p, scope.ends), 0, every)


def begins(p: Signal) -> Signal:
    """P holds and did not hold the instant before."""
    return conjunction(p, once(negation(p), 1, 1))


def _inside(s: Signal, scope: Scope, lo: int, hi: int | None) -> Signal:
    """S from `lo` to `hi` later, with no end of the scope until then."""
    if scope.ends is NEVER:
        return eventually(s, lo, hi)
    going = negation(scope.ends)
    return until(going, conjunction(s, going), lo, hi)


# scopes: at which instants the body must hold


def throughout(body: Signal, scope: Scope) -> Signal:
    """The body at every instant of the scope, as a formula whose value at each instant must not be NO.

    The scope "before R" is one obligation of the first instant: F R → (body U R), which is F R → (body W R).
    """
    q, r = scope.opens, scope.closes
    if scope.kind is ScopeKind.GLOBALLY:
        return body
    if scope.kind is ScopeKind.BEFORE:
        return implication(eventually(r), weak_until(body, r))
    if scope.kind is ScopeKind.AFTER:
        return implication(q, always(body))
    opened = conjunction(q, negation(r))
    if scope.kind is ScopeKind.BETWEEN:
        return implication(conjunction(opened, eventually(r)), weak_until(body, r))
    return implication(opened, weak_until(body, r))


def is_open(scope: Scope) -> Signal:
    """At which instants a scope is open: opened, and not closed since."""
    if scope.kind is ScopeKind.GLOBALLY:
        return constant(Truth.YES)
    if scope.kind is ScopeKind.BEFORE:
        return negation(once(scope.closes))
    if scope.kind is ScopeKind.AFTER:
        return once(scope.opens)
    going = negation(scope.closes)
    return conjunction(going, since(going, conjunction(scope.opens, going)))


def in_force(scope: Scope) -> Signal:
    """At which instants a pattern is in force: the scope is open, and closes one day where its kind asks for that."""
    if scope.kind in (ScopeKind.BEFORE, ScopeKind.BETWEEN):
        return conjunction(is_open(scope), eventually(scope.closes))
    return is_open(scope)


def existence(p: Signal, scope: Scope) -> Signal:
    """P at some instant of the scope."""
    q, r = scope.opens, scope.closes
    inside = conjunction(p, negation(r))
    opened = conjunction(q, negation(r))
    return {
        ScopeKind.GLOBALLY: lambda: eventually(p),
        ScopeKind.BEFORE: lambda: weak_until(negation(r), inside),
        ScopeKind.AFTER: lambda: disjunction(always(negation(q)), eventually(conjunction(q, eventually(p)))),
        ScopeKind.BETWEEN: lambda: implication(opened, weak_until(negation(r), inside)),
        ScopeKind.AFTER_UNTIL: lambda: implication(opened, until(negation(r), inside)),
    }[scope.kind]()


def precedence(p: Signal, s: Signal, scope: Scope) -> Signal:
    """No P before the first S of the scope."""
    q, r, quiet = scope.opens, scope.closes, negation(p)
    opened = conjunction(q, negation(r))
    return {
        ScopeKind.GLOBALLY: lambda: weak_until(quiet, s),
        ScopeKind.BEFORE: lambda: implication(eventually(r), until(quiet, disjunction(s, r))),
        ScopeKind.AFTER: lambda: disjunction(always(negation(q)), eventually(conjunction(q, weak_until(quiet, s)))),
        ScopeKind.BETWEEN: lambda: implication(conjunction(opened, eventually(r)), until(quiet, disjunction(s, r))),
        ScopeKind.AFTER_UNTIL: lambda: implication(opened, weak_until(quiet, disjunction(s, r))),
    }[scope.kind]()


def of_the_whole(kind: ScopeKind, *, scope_obligation: bool) -> bool:
    """Whether a formula is one obligation of the first instant rather than of every instant."""
    single = (ScopeKind.GLOBALLY, ScopeKind.BEFORE, ScopeKind.AFTER) if scope_obligation else (ScopeKind.BEFORE,)
    return kind in single


def verdict(formula: Signal, recorded: Interval, *, first_only: bool) -> Truth:
    """What a formula says of a recording: at its first instant, or of every instant (NO if ever NO)."""
    if first_only:
        return formula.at(recorded.lo)
    low, _ = formula.range(*(_column(bound) for bound in (recorded.lo, recorded.hi)))
    return Truth(int(low[0]))


def _column(value: int) -> Times:
    return np.array([value], np.int64)
