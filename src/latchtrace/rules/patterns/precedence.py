"""Precedence: what is observed is preceded by what is required, within a time.

Meaning: !observe W require; bounded: G (observe → O[0,within] require), O the past "once"; in a scope the requirement
must lie after the opening: observe → (!close S[0,within] (require & open)).
Dwyer, Avrunin & Corbett, ICSE 1999 (precedence; formula from memory).
The window runs from the start of a lasting requirement to its end plus `within`. A violation needs every role that
could show the requirement to be visible throughout the window. What moved with no command and is first seen after a
sleep violates nothing for certain: the network may have been awake for it where the recorder was not.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from latchtrace.model.events import Reason
from latchtrace.model.time import NO_TIME, Truth
from latchtrace.rules.at_once.answers import occurs as occurs_at_once
from latchtrace.rules.at_once.clear import Clear, all_open, settled
from latchtrace.rules.at_once.many import negated as negated_at_once
from latchtrace.rules.at_once.windows import FAR, Window
from latchtrace.rules.conditions import Answer, both, negated, occurs, unknown
from latchtrace.rules.judgement import Judgement, judge
from latchtrace.rules.occasions import Occasion, Occasions, occasions
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World, clear: Clear | None = None) -> Iterator[Judgement]:
    """One judgement for each item observed, or for those the columns leave open."""
    for one in occasions(rule, world, clear.chosen if clear else None):
        violated = both([one.match, _missing(rule, world, one)])
        yield judge(rule, world, one.item, violated, excuse_first=False, in_force=one.in_force)


def _missing(rule: Rule, world: World, one: Occasion) -> Answer:
    if rule.require is None or rule.within is None:
        raise ValueError("precedence needs require and within")
    window = rule.within.value(world.limit)
    if window is None:
        return unknown(Reason.LIMIT_NOT_STATED, rule.within.text)
    item = one.item
    since = item.request_at if rule.since_request else None
    reach = int(window)
    if since is not None:
        reach = max(reach, item.at.hi - since.lo)
    required = occurs(world, rule.require, item, -reach, 0, since, one.clip)
    if required.truth == Truth.NO and item.fact("commanded") == "no" and world.history.asleep_in(item.at):
        return unknown(Reason.UNKNOWN_BEFORE)
    return negated(required)


def at_once(occasions: Occasions) -> Clear:
    """What the columns tell of all of them."""
    rule, many = occasions.rule, occasions.many
    within = rule.within.value(many.world.limit) if rule.within else None
    if within is None or rule.require is None:
        return all_open(occasions)
    window, asked = Window(-int(within), 0), many.columns.request_lo
    if rule.since_request and asked is not None:
        since = asked[many.rows]
        known = since != NO_TIME
        reach = np.where(known, np.maximum(int(within), many.hi - np.where(known, since, many.hi)), int(within))
        window = Window(-reach, 0, np.where(known, since, -FAR))
    required = occurs_at_once(rule.require, many, window)
    return settled(occasions, negated_at_once(required), excuse_first=False)
