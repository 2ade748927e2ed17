"""Gives texts small numbers, so that columns can hold them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable

import numpy as np
import numpy.typing as npt

Fact = str | tuple[str, ...]
"""A fact of something that happened: a word, or several at once."""
Codes = npt.NDArray[np.int32]
Flags = npt.NDArray[np.bool_]


def distinct(codes: npt.NDArray[np.integer], size: int) -> list[int]:
    """The numbers below `size` that stand in a column."""
    found: list[int] = np.flatnonzero(np.bincount(codes, minlength=size)).tolist()
    return found


class _Codes(dict[Fact, int]):
    """Numbers by fact; one not met before gets the next number."""

    def __init__(self) -> None:
        super().__init__()
        self.facts: list[Fact] = []

    def __missing__(self, fact: Fact) -> int:
        self[fact] = len(self.facts)
        self.facts.append(fact)
        return self[fact]


class Coding:
    """Gives each fact a small number, the same one in every column made with it."""

    def __init__(self) -> None:
        self._codes = _Codes()
        self.values = self._codes.facts
        self._holding: dict[tuple[str, ...], Flags] = {}

    def code(self, fact: Fact) -> int:
        """The number of a fact."""
        return self._codes[fact]

    def codes(self, facts: Iterable[Fact]) -> Codes:
        """The numbers of many facts."""
        known = self._codes
        return np.array([known[fact] for fact in facts], np.int32)

    def translated(self, codes: Codes, change: Callable[[Fact], Fact]) -> Codes:
        """A column of facts worked out from another one."""
        table = np.zeros(len(self.values), np.int32)
        for code in distinct(codes, len(self.values)):
            table[code] = self.code(change(self.values[code]))
        return table[codes]

    def holding(self, values: Collection[str]) -> Flags:
        """For each number, whether one of the values is in its fact."""
        key = tuple(values)
        known = self._holding.get(key)
        if known is None or len(known) < len(self.values):
            facts = ((fact,) if isinstance(fact, str) else fact for fact in self.values)
            known = self._holding[key] = np.array([any(one in values for one in fact) for fact in facts], np.bool_)
        return known
