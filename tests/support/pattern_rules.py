"""Patterns as rules over recordings that are known exactly, and the formula each of them means.

A recording is things at whole ticks (requests p, actions a, movements b) and states (ignition q opens a scope, the
speed lock's setting r closes it, a door c); one tick is a nanosecond.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache

from latchtrace.model.time import Interval, Truth
from latchtrace.rules import meaning, signals
from latchtrace.rules.engine import PATTERNS
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling
from latchtrace.rules.meaning import Scope, ScopeKind
from latchtrace.rules.rule import Rule
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.signals import Signal, Spans
from latchtrace.rules.world import World
from support.worlds import HEAD, world

B = 4
THINGS = {"p": "request", "a": "action", "b": "movement"}
STATES = {
    "q": ("ignition", "on", "off"),
    "r": ("speed-lock-enabled", "on", "off"),
    "c": ("ajar.front-left", "open", "shut"),
}
OPENS, CLOSES = "[{state: ignition, is: on}]", "[{state: speed-lock-enabled, is: on}]"
SCOPES: Mapping[ScopeKind, str] = {
    ScopeKind.GLOBALLY: "",
    ScopeKind.BEFORE: f"scope: {{before: {CLOSES}}}\n",
    ScopeKind.AFTER: f"scope: {{after: {OPENS}}}\n",
    ScopeKind.BETWEEN: f"scope: {{between: {OPENS}, and: {CLOSES}}}\n",
    ScopeKind.AFTER_UNTIL: f"scope: {{after: {OPENS}, until: {CLOSES}}}\n",
}
CLASSES = """observe: {what: request}
expect: {what: action}
early-before: 2 ns
late-after: 4 ns
missing-after: 7 ns
classes:
  early: {rule: early, severity: fault, title: E, message: E., means: E.}
  late: {rule: late, severity: fault, title: L, message: L., means: L.}
  missing: {rule: missing, severity: fault, title: M, message: M., means: M.}
"""


@dataclass(frozen=True)
class Recording:
    """Things at ticks, and states from ticks on, from 0 to `end`."""

    things: Mapping[str, tuple[int, ...]]
    states: Mapping[str, tuple[tuple[int, bool], ...]]
    end: int

    def signal(self, name: str) -> Signal:
        """One of them as a signal: not known outside the recording.

        Nothing is observed outside it; a scope opens and closes only inside it, but what is so at its beginning may
        have been so before.
        """
        if name in self.things:
            points = Spans.of([(t, t) for t in self.things[name]])
            outside = Spans.of([(-signals.FOREVER, -1), *zip(points.lo, points.hi, strict=True)])
            beyond = Spans.of([*zip(outside.lo, outside.hi, strict=True), (self.end + 1, signals.FOREVER)])
            return signals.from_spans(points, points if name == "p" else beyond)
        known = signals.from_steps([(t, Truth.of(value)) for t, value in self.states[name]], 0, self.end)
        if name in "qr" and not self.states[name][0][1]:
            inside = Spans.of([(0, signals.FOREVER)])
            return signals.conjunction(known, signals.from_spans(inside, inside))
        return known

    def scope(self, kind: ScopeKind) -> Scope:
        """The scope as signals."""
        return Scope(kind, self.signal("q"), self.signal("r"))


def recorded(chance: random.Random, end: int) -> Recording:
    """A recording made up."""
    often = {"p": chance.choice((0.03, 0.1, 0.3)), "a": chance.choice((0.1, 0.3, 0.8)), "b": chance.choice((0.2, 0.8))}
    things = {name: tuple(t for t in range(end + 1) if chance.random() < rate) for name, rate in often.items()}
    return Recording(things, {name: _steps(chance, end, 4 if name == "c" else 25) for name in STATES}, end)


def _steps(chance: random.Random, end: int, often: int) -> tuple[tuple[int, bool], ...]:
    steps, t, value = [], 0, chance.random() < 0.3
    while t <= end:
        steps.append((t, value))
        t, value = t + chance.randrange(1, often * (3 if value and often < 5 else 1)), not value
    return tuple(steps)


@dataclass(frozen=True)
class Ticked:
    """A pattern as a rule (its fields), the id it reports under, and what it means as a formula.

    `not_before_end`: so many ticks before the end nothing is observed (a formula sees at most one thing at one hidden
    tick, a rule any number).
    """

    fields: str
    body: Callable[[Recording, Scope], Signal]
    rule: str = "tried"
    not_before_end: int | None = None

    def without(self, told: Recording) -> Recording:
        """The recording with nothing observed where the formula cannot say what the rule does."""
        if self.not_before_end is None:
            return told
        kept = tuple(t for t in told.things["p"] if t != told.end - self.not_before_end)
        return replace(told, things={**told.things, "p": kept})

    def formula(self, kind: ScopeKind, told: Recording) -> tuple[Signal, bool]:
        """What the rule means of a recording; with it whether that is one obligation of the first instant."""
        scope = told.scope(kind)
        return meaning.throughout(self.body(told, scope), scope), kind is ScopeKind.BEFORE


def _answer(lo: int, hi: int | None) -> Callable[[Recording, Scope], Signal]:
    return lambda told, scope: meaning.response(told.signal("p"), told.signal("a"), scope, lo, hi)


def _never(lo: int, hi: int) -> Callable[[Recording, Scope], Signal]:
    return lambda told, scope: meaning.bounded_absence(told.signal("p"), told.signal("a"), scope, lo, hi)


def _late(told: Recording, scope: Scope) -> Signal:
    p, a = told.signal("p"), told.signal("a")
    in_time = signals.conjunction(p, meaning.response(p, a, scope, 0, 4))
    return signals.disjunction(in_time, meaning.bounded_absence(p, a, scope, 5, 7))


def _single(told: Recording, scope: Scope) -> Signal:
    """No P but itself in the B ticks before."""
    p, here = told.signal("p"), meaning.is_open(scope)
    inside = signals.conjunction(told.signal("p"), here)
    unseen = Spans.of([(-signals.FOREVER, -1)])
    nothing = signals.from_spans(Spans.of([]), unseen)
    before = signals.disjunction(inside, signals.conjunction(nothing, here))
    going = signals.negation(scope.ends)
    return signals.implication(p, signals.negation(signals.since(going, before, 1, B)))


TICKED: Mapping[str, Ticked] = {
    "absence": Ticked(
        "pattern: absence\nobserve: {what: request}\nnever: [{closure: any, ajar: open}]\n",
        lambda told, scope: signals.negation(signals.conjunction(told.signal("p"), told.signal("c"))),
    ),
    "bounded-absence": Ticked(
        "pattern: bounded-absence\nobserve: {what: request}\nnever: {what: action}\nfrom: 2 ns\nwithin: 4 ns\n",
        _never(2, B),
    ),
    "bounded-absence at once": Ticked(
        "pattern: bounded-absence\nobserve: {what: request}\nnever: {what: action}\nwithin: 4 ns\n", _never(0, B)
    ),
    "bounded-response": Ticked(
        "pattern: bounded-response\nobserve: {what: request}\nexpect: {what: action}\nwithin: 4 ns\n", _answer(0, B)
    ),
    "precedence": Ticked(
        "pattern: precedence\nobserve: {what: request}\nrequire: {what: action}\nwithin: 4 ns\n",
        lambda told, scope: meaning.preceded(told.signal("p"), told.signal("a"), scope, B),
    ),
    "sequence": Ticked(
        "pattern: sequence\nobserve: {what: request}\nsteps:\n  - {what: action, from: 1 ns, within: 8 ns}\n"
        "  - {what: movement, within: 4 ns}\n",
        lambda told, scope: meaning.sequence(
            told.signal("p"), [(told.signal("a"), 1, 2 * B), (told.signal("b"), 0, B)], scope
        ),
    ),
    "at most one": Ticked(
        "pattern: count\nobserve: {what: request}\ncount: {what: action}\nfrom: 1 ns\nwithin: 4 ns\nat-most: 1\n",
        lambda told, scope: meaning.at_most_one(told.signal("p"), told.signal("a"), scope, range(1, B + 1)),
        not_before_end=B - 1,
    ),
    "at least one": Ticked(
        "pattern: count\nobserve: {what: request}\ncount: {what: action}\nwithin: 4 ns\nat-least: 1\n", _answer(0, B)
    ),
    "at most itself": Ticked(
        "pattern: count\nobserve: {what: request}\ncount: {what: request}\nfrom: -4 ns\nwithin: 0\nat-most: 1\n",
        _single,
    ),
    "stability": Ticked(
        "pattern: stability\nobserve: {what: request}\nstate: [{closure: any, ajar: open}]\nfrom: 2 ns\nwithin: 4 ns\n",
        lambda told, scope: meaning.stability(told.signal("p"), told.signal("c"), scope, 2, B),
    ),
    "early": Ticked(f"pattern: delay-classes\n{CLASSES}", _never(0, 1), "early"),
    "late": Ticked(f"pattern: delay-classes\n{CLASSES}", _late, "late"),
    "missing": Ticked(f"pattern: delay-classes\n{CLASSES}", _answer(0, 7), "missing"),
}


@cache
def compiled(pattern: str, kind: ScopeKind) -> Rule:
    """A pattern in a scope, as a rule."""
    head = HEAD if "delay-classes" not in TICKED[pattern].fields else "version: 1\nfunction: chain\n"
    return parse_rule(head + TICKED[pattern].fields + SCOPES[kind], "tried.yaml")


def exact_world(told: Recording) -> World:
    """A recording as the rules see it."""
    things = [Item(THINGS[name], Interval.at(t), {}) for name, ticks in told.things.items() for t in ticks]
    states = {
        STATES[name][0]: [(Interval.at(t), STATES[name][1 if value else 2]) for t, value in steps]
        for name, steps in told.states.items()
    }
    return world(*things, end=told.end / 1e9, states=states)


def said_by_rule(pattern: str, kind: ScopeKind, told: Recording) -> Truth:
    """NO where the rule finds anything, UNKNOWN where it is undecided of something, else YES."""
    rule = compiled(pattern, kind)
    judgements = PATTERNS[rule.pattern].judge(rule, exact_world(told))
    return verdict(one for one in judgements if one.rule_id == TICKED[pattern].rule)


def verdict(judgements: Iterable[Judgement]) -> Truth:
    """What judgements say taken together."""

    rulings = {one.ruling for one in judgements}
    if Ruling.FAIL in rulings:
        return Truth.NO
    return Truth.UNKNOWN if Ruling.UNDECIDED in rulings else Truth.YES
