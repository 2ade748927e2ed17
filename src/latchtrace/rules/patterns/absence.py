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
    for item, match in occasions(rule, world):
        yield judge(rule, world, item, both([match, *(condition.ask(world, item) for condition in rule.never)]))
