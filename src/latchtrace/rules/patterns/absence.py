"""Absence: what is observed never meets certain conditions.

Meaning: G !(observe & never). Dwyer, Avrunin & Corbett, ICSE 1999 (absence; formula from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.rules.conditions import both
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.occasions import occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each item observed."""
    for one in occasions(rule, world):
        met = both([one.match, *(condition.ask(world, one.item) for condition in rule.never)])
        yield judge(rule, world, one.item, met, in_force=one.in_force)
