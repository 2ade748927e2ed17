"""Many occasions of one stream at once.

An answer is a level for each occasion: 0 NO, 2 YES, 1 where the columns alone cannot tell. Level 1 is no verdict: such
an occasion is looked at one by one, by the meaning of its condition, which these answers never contradict.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from latchtrace.model.coding import Codes, Flags, distinct
from latchtrace.model.eventtable import Rows, Times
from latchtrace.rules.columns import Columns
from latchtrace.rules.conditions import Selector
from latchtrace.rules.world import World

Levels = npt.NDArray[np.int8]
NO, OPEN, YES = np.int8(0), np.int8(1), np.int8(2)


@dataclass(frozen=True, slots=True)
class Many:
    """Rows of one stream, each for one closure where `which` says so (numbers into `closures`)."""

    world: World
    columns: Columns
    rows: Rows
    closures: tuple[str, ...] = ()
    which: Codes | None = None

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def lo(self) -> Times:
        """The earliest each can have happened."""
        return self.columns.lo[self.rows]

    @property
    def hi(self) -> Times:
        """The latest each can have happened."""
        return self.columns.hi[self.rows]

    def constant(self, level: np.int8) -> Levels:
        """The same answer for all."""
        return np.full(len(self), level, np.int8)

    def fact(self, name: str) -> tuple[Codes, Flags] | None:
        """A fact's numbers, and where it may not be certain; None where the columns do not hold it."""
        if name == "closure" and self.which is not None:
            codes = self.world.coding.codes(self.closures)
            return codes[self.which], np.zeros(len(self), np.bool_)
        known = self.columns.fact(name)
        return None if known is None else (known[0][self.rows], known[1][self.rows])

    def part(self, chosen: Rows) -> Many:
        """Some of them."""
        which = self.which[chosen] if self.which is not None else None
        return replace(self, rows=self.rows[chosen], which=which)

    def whole(self) -> Many:
        """Every row of the stream."""
        return Many(self.world, self.columns, np.arange(len(self.columns)))


def at_moments(world: World, moments: Times) -> Many:
    """Moments of the recording, to be asked for states."""
    columns = Columns("moment", world.coding, moments, moments, moments, moments, {}, lambda _: {})
    return Many(world, columns, np.arange(len(moments)))


def every(levels: Sequence[Levels], many: Many) -> Levels:
    """All of them; one NO decides."""
    return np.minimum.reduce(levels) if levels else many.constant(YES)


def some(levels: Sequence[Levels], many: Many) -> Levels:
    """Any of them; one YES decides."""
    return np.maximum.reduce(levels) if levels else many.constant(NO)


def negated(levels: Levels) -> Levels:
    """The opposite; what is open stays so."""
    return (2 - levels).astype(np.int8)


def decided(yes: Flags, no: Flags) -> Levels:
    """Levels from where the answer is surely YES and surely NO."""
    return np.where(yes, YES, np.where(no, NO, OPEN)).astype(np.int8)


def fact_levels(known: tuple[Codes, Flags] | None, values: Sequence[str], wanted: bool, many: Many) -> Levels:
    """Whether a fact is one of the values (or, not wanted, none of them)."""
    if known is None or any(value.startswith("$") for value in values):
        return many.constant(OPEN)
    codes, unsure = known
    hit = many.world.coding.holding(values)[codes]
    levels = decided(hit, ~hit & ~unsure)
    return levels if wanted else negated(levels)


def bindings(many: Many, names: Sequence[str]) -> Iterator[tuple[Rows, Mapping[str, tuple[str, ...]]]]:
    """The occasions by the values of the facts that stand for names, those aside where a fact is not certain."""
    if not names:
        yield np.arange(len(many)), {}
        return
    known = [many.fact(name) for name in names]
    columns = [one for one in known if one is not None]
    if len(columns) < len(known):
        return
    unsure = np.logical_or.reduce([one[1] for one in columns])
    sure = np.flatnonzero(~unsure)
    size = len(many.world.coding.values)
    combined = np.zeros(len(sure), np.int64)
    for codes, _ in columns:
        combined = combined * size + codes[sure]
    number_of = size ** len(columns)
    for one in distinct(combined, number_of) if number_of < 2**20 else np.unique(combined).tolist():
        numbers, left = [], one
        for _ in columns:
            left, number = divmod(left, size)
            numbers.append(number)
        facts = [many.world.coding.values[number] for number in reversed(numbers)]
        values = [(fact,) if isinstance(fact, str) else fact for fact in facts]
        yield sure[combined == one], dict(zip(names, values, strict=True))


def names_in(selector: Selector) -> tuple[str, ...]:
    """The facts of the occasion a selector's values stand for."""
    found = [value[1:] for _, values, _ in selector.facts for value in values if value.startswith("$")]
    return tuple(dict.fromkeys(found))
