"""Bounded absence: something never comes within a window after what is observed.

Meaning: G (observe → G[from,within] !never). Konrad & Cheng, ICSE 2005 (bounded forms; formula from memory), absence
as in Dwyer, Avrunin & Corbett, ICSE 1999. The window is closed at both ends; what
comes after the scope closes is none of the rule's business.
Three-valued: a window that a gap, a loss or the capture's end cuts, with nothing seen in the rest, is undecided.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from latchtrace.rules.at_once.answers import occurs as occurs_at_once
from latchtrace.rules.at_once.clear import Clear, all_open, settled
from latchtrace.rules.at_once.windows import Window
from latchtrace.rules.conditions import Answer, both, occurs
from latchtrace.rules.judgement import Judgement, Ruling, judge
from latchtrace.rules.occasions import Occasion, Occasions, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.windows import not_stated, window_of
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """One judgement for each item observed, or for those the columns leave open."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        came = _came(rule, world, one)
        yield _told_of(judge(rule, world, one.item, both([one.match, came]), in_force=one.in_force), came)


def _came(rule: Rule, world: World, one: Occasion) -> Answer:
    if rule.never_selector is None:
        raise ValueError("bounded-absence needs never")
    window = window_of(rule, world)
    if window is None:
        return not_stated(rule, world)
    return occurs(world, rule.never_selector, one.item, *window, clip=one.clip)


def _told_of(judged: Judgement, came: Answer) -> Judgement:
    """What came inside the window although it never should is what is told of, not what opened the window."""
    if judged.ruling in (Ruling.PASS, Ruling.SKIPPED):
        return judged
    if not came.items:
        return replace(judged, suspect=False)  # that something could have come unseen looks like no violation
    wrong = came.items[-1]
    return replace(judged, item=wrong, at=wrong.at, closures=wrong.closures)


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them."""
    rule, many = occasions.rule, occasions.many
    window = window_of(rule, many.world)
    if window is None or rule.never_selector is None:
        return all_open(occasions)
    return settled(occasions, occurs_at_once(rule.never_selector, many, Window(*window)))
