"""Minimum duration: once a state begins it stays for at least a time.

Meaning: G(begin P → G[0,at-least] P). Konrad & Cheng, ICSE 2005 (minimum duration; formula from memory). Begin and end
are intervals: a stay is judged by the shortest and the longest it may have been.
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.rules.judgement import Judgement
from latchtrace.rules.rule import Rule
from latchtrace.rules.watched import durations
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each stay whose beginning was seen."""
    yield from durations(rule, world, rule.at_least, least=True)
