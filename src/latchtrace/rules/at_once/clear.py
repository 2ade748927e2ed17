"""What the columns settle of a rule's occasions: those that surely pass, and those to be looked at one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from latchtrace.model.coding import Flags
from latchtrace.model.eventtable import Rows, Times
from latchtrace.rules.at_once.answers import ask, ask_all
from latchtrace.rules.at_once.many import NO, YES, Levels, some
from latchtrace.rules.occasions import Occasions


@dataclass(frozen=True, slots=True)
class Delays:
    """The delays of occasions that surely pass: by number, how long at least and at most, in nanoseconds."""

    numbers: Rows
    lo: Times
    hi: Times


@dataclass(frozen=True, slots=True)
class Clear:
    """How many occasions surely pass under each rule id, and the numbers of those that are `open`."""

    occasions: Occasions
    open: Rows
    passed: Mapping[str, int] = field(default_factory=dict)
    delays: Delays | None = None

    @property
    def chosen(self) -> tuple[Occasions, Rows]:
        """The occasions to be looked at one by one."""
        return self.occasions, self.open


def all_open(occasions: Occasions) -> Clear:
    """Every occasion has to be looked at."""
    return Clear(occasions, np.arange(len(occasions)))


def settled(occasions: Occasions, violated: Levels, *, excuse_first: bool = True) -> Clear:
    """Given ∧ ¬unless → ¬violated, as `judgement.judge` has it, where the columns tell."""
    rule, meant = occasions.rule, occasions.meant()
    if rule.scope is not None:
        return all_open(occasions)
    violated = np.minimum(violated, meant)
    skipped, judged = premises(occasions, violated if not excuse_first else None)
    passed = judged & (violated == NO)
    left = (meant != NO) & ~skipped & ~passed
    return Clear(occasions, np.flatnonzero(left), {rule.texts[0].id: int(np.count_nonzero(passed & (meant != NO)))})


def premises(occasions: Occasions, excusable: Levels | None = None) -> tuple[Flags, Flags]:
    """Which occasions surely do not exercise the rule, and which surely do.

    `excusable`: where an excuse only counts for what is violated, how surely it is.
    """
    rule, many = occasions.rule, occasions.many
    premise = ask_all(rule.given, many)
    excuse = some([ask(condition, many) for condition in rule.unless], many)
    excused, free = excuse == YES, excuse == NO
    if excusable is not None:
        excused, free = excused & (excusable == YES), free | (excusable == NO)
    return (premise == NO) | excused, (premise == YES) & free
