"""Maximum duration: once a state begins it ends within a time.

Meaning: G(begin P → F[0,at-most] ¬P). Konrad & Cheng, ICSE 2005 (maximum duration). Begin and end are intervals: a stay
is judged by the shortest and the longest it may have been.
"""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.rules.judgement import Judgement
from latchtrace.rules.rule import Rule
from latchtrace.rules.watched import durations
from latchtrace.rules.world import World


def judgements(rule: Rule, world: World) -> Iterator[Judgement]:
    """One judgement for each stay whose beginning was seen."""
    yield from durations(rule, world, rule.at_most, least=False)
