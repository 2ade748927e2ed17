"""Limits as rule files write them: `relock.delay - relock.tolerance`, `2 * relock.delay`, `300 ms`."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from latchtrace.model.quantity import parse_speed, parse_time

_TERM = re.compile(r"\s*([+-])?\s*(?:(\d+(?:\.\d+)?)\s*\*\s*)?([a-z_]+(?:[._][a-z_]+)*|\d+(?:\.\d+)?\s*[a-zµ/]*)\s*")

Lookup = Callable[[str], int | float | None]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A sum of terms, each a factor times a parameter's name or a fixed value (ns or km/h)."""

    text: str
    terms: tuple[tuple[Fraction, str | Fraction], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The parameters it depends on."""
        return tuple(what for _, what in self.terms if isinstance(what, str))

    def value(self, lookup: Lookup) -> float | None:
        """Its value; None where a parameter is not stated. Whole numbers stay exact."""
        total = Fraction(0)
        for factor, what in self.terms:
            known = lookup(what) if isinstance(what, str) else what
            if known is None:
                return None
            total += factor * Fraction(known)
        return int(total) if total.denominator == 1 else float(total)


def parse_quantity(text: str) -> Quantity:
    """Read a limit; ValueError says what is wrong with it."""
    terms: list[tuple[Fraction, str | Fraction]] = []
    at = 0
    while at < len(text) or not terms:
        match = _TERM.match(text, at)
        if not match or (terms and match[1] is None):
            raise ValueError(f"'{text}' is not a limit; write parameter names and durations joined by + and -")
        factor = Fraction(match[2] or 1) * (-1 if match[1] == "-" else 1)
        terms.append((factor, _operand(match[3].strip(), text)))
        at = match.end()
    return Quantity(text, tuple(terms))


def _operand(word: str, text: str) -> str | Fraction:
    if not word[0].isdigit():
        return word
    if word == "0":
        return Fraction(0)
    try:
        return Fraction(parse_speed(word)) if word.endswith("km/h") else Fraction(parse_time(word))
    except ValueError as error:
        raise ValueError(f"in '{text}': {error}") from None
