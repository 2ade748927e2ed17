"""Finds the names a person probably meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

SHOWN = 12


def nearest(name: str, names: Iterable[str], count: int = 3) -> tuple[str, ...]:
    """The names most like the one written, best first, upper and lower case and hyphens put aside."""
    plain: dict[str, str] = {}
    for known in names:
        plain.setdefault(_plain(known), known)
    found = get_close_matches(_plain(name)[:200], plain, n=count, cutoff=0.6)
    return tuple(plain[close] for close in found)


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """How to mend an unknown name: the nearest names, else the whole list where it is short."""
    known = sorted(set(names))
    close = nearest(name, known)
    if close:
        return "did you mean " + listed([f"'{one}'" for one in close], "or") + "?"
    if not known:
        return ""
    more = "" if len(known) <= SHOWN else f" and {len(known) - SHOWN} more"
    return "known are " + ", ".join(known[:SHOWN]) + more


def listed(words: list[str] | tuple[str, ...], joint: str = "and") -> str:
    """Words in a row as a sentence has them: `a, b and c`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joint} {words[-1]}"


def _plain(name: str) -> str:
    return name.lower().replace("_", "").replace("-", "").replace(" ", "")
