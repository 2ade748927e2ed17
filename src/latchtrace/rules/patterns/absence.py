"""Absence: something never happens, or never within a window after what is observed.

Meaning: G !(observe & never); with a window [a, b]: G (observe → G[a,b] !never).
Dwyer, Avrunin & Corbett, ICSE 1999 (absence), Konrad & Cheng, ICSE 2005 (bounded); formulas from memory.
Three-valued: a window that a gap, a loss or the capture's end cuts, with nothing seen in the rest, is undecided.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from latchtrace.model.events import Reason
from latchtrace.rules.conditions import Answer, both, occurs, unknown
from latchtrace.rules.item import Item
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each item observed."""
    for item, match in occasions(rule, world):
        violated = both([match, _violated(rule, world, item)])
        yield _told_of(judge(rule, world, item, violated), violated, rule)


def _told_of(judged: Judgement, violated: Answer, rule: Rule) -> Judgement:
    """What came inside the window although it never should is what is told of, not what opened the window."""
    if rule.never_selector is None or judged.ruling in (Ruling.PASS, Ruling.SKIPPED) or not violated.items:
        return judged
    wrong = violated.items[-1]
    return replace(judged, item=wrong, at=wrong.at, closures=wrong.closures)


def _violated(rule: Rule, world: World, item: Item) -> Answer:
    parts = [*(condition.ask(world, item) for condition in rule.never)]
    if rule.never_selector is not None:
        lo = rule.lo.value(world.limit) if rule.lo else 0
        hi = rule.within.value(world.limit) if rule.within else None
        if lo is None or hi is None:
            parts.append(unknown(Reason.LIMIT_NOT_STATED, rule.within.text if rule.within else ""))
        else:
            parts.append(occurs(world, rule.never_selector, item, int(lo), int(hi)))
    return both(parts)
