"""Absence: what is observed never meets certain conditions.

Meaning: G !(observe & never). Dwyer, Avrunin & Corbett, ICSE 1999 (absence; formula from memory).
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.rules.at_once.answers import ask_all
from latchtrace.rules.at_once.clear import Clear, settled
from latchtrace.rules.conditions import both
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.occasions import Occasions, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """One judgement for each item observed, or for those the columns leave open."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        met = both([one.match, *(condition.ask(world, one.item) for condition in rule.never)])
        yield judge(rule, world, one.item, met, in_force=one.in_force)


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them."""
    return settled(occasions, ask_all(occasions.rule.never, occasions.many))
