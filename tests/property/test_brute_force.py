"""Every pattern in every scope against every exact world that may have looked like what was seen.

Small worlds on a grid of ticks: things and changes of states at uncertain times, gaps, a beginning and an end. All
exact worlds that a capture could have shown like that are enumerated, and the pattern is evaluated naively on each
(support/exact_worlds.py, no code of the rules). A rule that passes must hold in all of them, one that finds something
must be violated in all of them. One thing is taken as so, and no exact world is tried where it is not: where two things
overlap and a window begins or ends with the occasion, they came in the order of cause and effect.

Where all exact worlds agree, a rule may be undecided for one of these reasons only:

- two parts: two parts of what it looks at are uncertain (a time, a stream or a state that a gap hides), and it looks at
  each by itself: what is certain only by both together stays open;
- two occasions: each may be in order for itself, but what is uncertain, or hidden, cannot serve both;
- cause and effect: their order narrows down when something came, which a rule that looks at each thing by itself does
  not use;
- own time: the time of the occasion itself (of the scope that opens, for existence) is uncertain, and several things
  stand against it, each by itself.
"""

from __future__ import annotations

import os
import random
import secrets
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace

import pytest

from latchtrace.model.time import Interval, Truth
from latchtrace.rules.engine import PATTERNS
from latchtrace.rules.item import Item
from latchtrace.rules.meaning import ScopeKind
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.world import World
from support.exact_worlds import (
    END,
    NEEDS,
    SCOPE_STATES,
    WATCHES,
    Seen,
    exact_worlds,
    holds,
    shown,
    size,
    uncertain,
)
from support.pattern_rules import SCOPES, STATES, THINGS, verdict
from support.worlds import HEAD, world

WORLDS = 200 if os.environ.get("LATCHTRACE_LONG") else 5
MOST = 20_000
"""Worlds that may be more exact worlds than this are not tried."""
CROWDS = {"at most one": 2}
"""How many things there may be at one hidden tick."""
UNSEEN = ("existence", "minimum-duration", "maximum-duration")
"""These judge what was seen to begin, and nothing that began and ended inside a gap: they are tried without gaps."""
SEED = secrets.randbelow(1_000_000)
OBSERVE = "observe: {what: request}\n"
CLASSES = """pattern: delay-classes
observe: {what: request}
expect: {what: action}
early-before: 1 ns
late-after: 1 ns
missing-after: 3 ns
classes:
  early: {rule: early, severity: fault, title: E, message: E., means: E.}
  late: {rule: late, severity: fault, title: L, message: L., means: L.}
  missing: {rule: missing, severity: fault, title: M, message: M., means: M.}
"""
STATE = "state: [{closure: any, ajar: open}]\n"
FIELDS: Mapping[str, str] = {
    "absence": f"pattern: absence\n{OBSERVE}never: [{{closure: any, ajar: open}}]\n",
    "bounded-absence": f"pattern: bounded-absence\n{OBSERVE}never: {{what: action}}\nfrom: 1 ns\nwithin: 2 ns\n",
    "bounded-absence at once": f"pattern: bounded-absence\n{OBSERVE}never: {{what: action}}\nwithin: 2 ns\n",
    "bounded-response": f"pattern: bounded-response\n{OBSERVE}expect: {{what: action}}\nwithin: 2 ns\n",
    "precedence": f"pattern: precedence\n{OBSERVE}require: {{what: action}}\nwithin: 2 ns\n",
    "sequence": f"pattern: sequence\n{OBSERVE}steps:\n  - {{what: action, from: 1 ns, within: 2 ns}}\n"
    "  - {what: movement, within: 1 ns}\n",
    "at most one": f"pattern: count\n{OBSERVE}count: {{what: action}}\nfrom: -1 ns\nwithin: 1 ns\nat-most: 1\n",
    "at least one": f"pattern: count\n{OBSERVE}count: {{what: action}}\nfrom: -1 ns\nwithin: 1 ns\nat-least: 1\n",
    "stability": f"pattern: stability\n{OBSERVE}state: [{{closure: any, ajar: open}}]\nfrom: 1 ns\nwithin: 2 ns\n",
    "universality": f"pattern: universality\n{STATE}",
    "existence": f"pattern: existence\n{STATE}",
    "bounded-recurrence": f"pattern: bounded-recurrence\n{STATE}every: 2 ns\n",
    "minimum-duration": f"pattern: minimum-duration\n{STATE}at-least: 2 ns\n",
    "maximum-duration": f"pattern: maximum-duration\n{STATE}at-most: 2 ns\n",
    "early": CLASSES,
    "late": CLASSES,
    "missing": CLASSES,
}


def as_rules_see_it(seen: Seen) -> World:
    """What was seen, as a world of the rules."""
    things = [Item(THINGS[name], Interval(*span), {}) for name, spans in seen.things.items() for span in spans]
    blind = [(seen.gap[0] / 1e9, seen.gap[1] / 1e9)] if seen.gap else []
    states = {STATES[name][0]: _course(seen, name) for name in seen.states}
    return world(*things, end=END / 1e9, states=states, blind={"": blind})


def _course(seen: Seen, name: str) -> list[tuple[Interval | float, str]]:
    """A state as the events of a timeline tell it: unknown in the gap, seen again after it."""
    state, (_, on, off) = seen.states[name], STATES[name]
    changes = [*state.changes]
    value, told = state.first, [(Interval.at(0), on if state.first else off)]
    gone = seen.gap
    while changes or gone:
        if gone and (not changes or changes[0][0] > gone[1]):
            told += [(Interval.at(gone[0]), "unknown"), (Interval.at(gone[1] + 1), on if state.again else off)]
            value, gone = state.again, None
        else:
            value = not value
            told.append((Interval(*changes.pop(0)), on if value else off))
    return list(told)


def said(pattern: str, kind: ScopeKind, seen: Seen) -> Truth:
    """What the rule says."""
    head = "version: 1\nfunction: chain\n" if FIELDS[pattern] is CLASSES else HEAD
    rule = parse_rule(head + FIELDS[pattern] + SCOPES[kind], "tried.yaml")
    judged = PATTERNS[rule.pattern].judge(rule, as_rules_see_it(seen))
    return verdict(one for one in judged if one.rule_id in ("tried", pattern))


def parts(pattern: str, kind: ScopeKind) -> tuple[str, str, str]:
    """The streams and states that matter, and the order taken as causal."""
    streams, states, causal = NEEDS.get(pattern, ("", "c", ""))
    return streams, states + SCOPE_STATES[kind], causal


def meant(pattern: str, kind: ScopeKind, seen: Seen, chance: random.Random) -> Truth:
    """YES where the pattern holds in every exact world, NO where in none."""
    streams, states, causal = parts(pattern, kind)
    found: set[bool] = set()
    for exact in exact_worlds(seen, streams, states, chance, causal=causal, crowd=CROWDS.get(pattern, 1)):
        found.add(WATCHES[pattern](exact, kind) if pattern in WATCHES else holds(exact, pattern, kind))
        if len(found) == 2:
            return Truth.UNKNOWN
    return Truth.of(found == {True})


def allowed(pattern: str, kind: ScopeKind, seen: Seen) -> str:
    """Why a rule may be undecided although all exact worlds agree; empty where it may not."""
    streams, states, causal = parts(pattern, kind)
    if uncertain(seen, streams, states) > 1:
        return "two parts"
    if streams and len(seen.things["p"]) > 1 and uncertain(seen, streams, states):
        return "two occasions"
    spans = [(name, lo, hi) for name in causal for lo, hi in seen.things[name]]
    meet = [
        (one, other)
        for one in spans
        for other in spans
        if one[0] != other[0] and one[1] <= other[2] and other[1] <= one[2]
    ]
    if any(lo != hi for pair in meet for _, lo, hi in pair):
        return "cause and effect"
    own = (
        any(lo != hi for lo, hi in seen.things["p"])
        if streams
        else pattern == "existence" and uncertain(seen, "", SCOPE_STATES[kind])
    )
    return "own time" if own else ""


def tried(pattern: str, kind: ScopeKind, worlds: int, chance: random.Random) -> Iterator[Seen]:
    """Worlds made up that are few enough exact worlds."""
    streams, states, _ = parts(pattern, kind)
    while worlds:
        seen = shown(chance)
        if pattern in UNSEEN and seen.gap:
            seen = replace(seen, gap=None)
        if size(seen, streams, states, CROWDS.get(pattern, 1)) <= MOST:
            worlds -= 1
            yield seen


@pytest.mark.parametrize("kind", list(ScopeKind))
@pytest.mark.parametrize("pattern", FIELDS)
def test_a_rule_says_what_is_so_in_every_exact_world(pattern: str, kind: ScopeKind) -> None:
    chance = random.Random(f"{SEED} {pattern} {kind}")
    open_for: Counter[str] = Counter()
    for seen in tried(pattern, kind, WORLDS, chance):
        verdict, truth = said(pattern, kind, seen), meant(pattern, kind, seen, chance)
        assert verdict in (truth, Truth.UNKNOWN), (SEED, seen, verdict, truth)
        if verdict is not truth:
            why = allowed(pattern, kind, seen)
            assert why, (SEED, seen, verdict, truth)
            open_for[why] += 1
    assert open_for.total() <= max(3, WORLDS // 10), (SEED, open_for)
