"""Finds signals of a DBC that could play a role, by the words in names, comments, value tables and units."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from latchtrace.model.network import Database, MessageSpec, SignalSpec
from latchtrace.model.userfile import parse_user_text
from latchtrace.vehicle.kinds import KINDS, Kind

LEAST_SCORE = 3
SHOWN = 5
INSIDE = 4
"""Words of at least this many letters also count inside a longer one."""

_SPLIT = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A signal that could play a role, how strongly its words speak for it, and which they are."""

    database: str
    message: MessageSpec
    signal: SignalSpec
    score: int
    reasons: tuple[str, ...]

    @property
    def name(self) -> str:
        """`Message.Signal`."""
        return f"{self.message.name}.{self.signal.name}"


@cache
def word_lists() -> Mapping[str, Any]:
    """The word lists of the trade."""
    raw = (files("latchtrace") / "data" / "role-words.yaml").read_bytes()
    data: Mapping[str, Any] = parse_user_text(raw, "role-words.yaml").data
    return data


def tokens(text: str) -> tuple[str, ...]:
    """The words in a name or text, in lower case: `DrLckSts_FL` gives dr, lck, sts, fl."""
    return tuple(word.lower() for word in _SPLIT.findall(text.translate(_UMLAUTS)))


class Words:
    """The words of one name or text, and of neighbours joined, as in `door lock`."""

    def __init__(self, text: str) -> None:
        self.plain = tokens(text)
        joined = {"".join(self.plain[i:j]) for i in range(len(self.plain)) for j in range(i + 2, i + 5)}
        self.all = set(self.plain) | {word for word in joined if len(word) < 30}

    def has(self, word: str) -> bool:
        """Whether a word stands in the text, whole, or inside a longer one where it is long enough."""
        plain = word.replace(" ", "")
        return plain in self.all or (len(plain) >= INSIDE and any(plain in known for known in self.plain))

    def says(self, word: str) -> bool:
        """Whether the text says a word as such: `locked` does not stand in `unlocked`."""
        return word.replace(" ", "").replace("/", "") in self.all


def candidates(role: str, databases: Sequence[Database], closure: str = "") -> tuple[Candidate, ...]:
    """The signals that fit a role best, best first; for a closure only those whose name speaks of it."""
    found = [
        candidate
        for database in databases
        for message in database.messages
        for signal in message.signals
        if (not closure or closure in closures_in(f"{message.name} {signal.name}"))
        and (candidate := _judged(role, database.name, message, signal)).score >= LEAST_SCORE
    ]
    found.sort(key=lambda candidate: (-candidate.score, candidate.name))
    return tuple(found[:SHOWN])


def _judged(role: str, database: str, message: MessageSpec, signal: SignalSpec) -> Candidate:
    lists = word_lists()["roles"][role]
    name, around = Words(signal.name), Words(message.name)
    told, table = Words(signal.comment), Words(" , ".join(signal.choices.values()))
    score, reasons = 0, []
    for words, weight in ((lists["strong"], 3), (lists["words"], 2)):
        hits = _distinct([word for word in words if name.has(word)])
        score += weight * len(hits)
        reasons += [f"name has '{word}'" for word in hits]
    every = [*lists["strong"], *lists["words"]]
    for words, where in ((around, "message name"), (told, "comment")):
        hits = _distinct([word for word in every if words.has(word)])
        score += min(len(hits), 3)
        reasons += [f"{where} has '{word}'" for word in hits[:3]]
    named = score > 0
    hits = [word for word in lists["values"] if table.says(word)]
    score += 2 * min(len(hits), 2)
    reasons += [f"values have '{word}'" for word in hits[:3]]
    if signal.unit.strip().lower() in lists["units"]:
        score += 4
        named = True
        reasons.append(f"unit is {signal.unit.strip()}")
    against = [word for word in lists["against"] if name.has(word)]
    score -= 4 * len(against)
    reasons += [f"but name has '{word}'" for word in against]
    if not named or _unfit(KINDS[role.partition(".")[0]], lists, signal):
        return Candidate(database, message, signal, -1, ())
    return Candidate(database, message, signal, score, tuple(reasons))


def _distinct(words: Sequence[str]) -> list[str]:
    """Words that are no part of another one among them."""
    return [word for word in words if not any(word != other and word in other for other in words)]


def _unfit(kind: Kind, lists: Mapping[str, Any], signal: SignalSpec) -> bool:
    """Whether the signal cannot play the role, whatever its name."""
    if kind.numeric:
        return len(signal.bits) < 6 and not signal.is_float
    unit = signal.unit.strip()
    return signal.is_float or (kind.state and len(signal.bits) > 8) or (bool(unit) and unit not in lists["units"])


def closures_in(text: str) -> tuple[str, ...]:
    """The closures a name speaks of."""
    words = Words(text)
    named: Mapping[str, Sequence[Sequence[str]]] = word_lists()["closures"]
    return tuple(closure for closure, ways in named.items() if any(all(map(words.has, way)) for way in ways))


def proposed_values(kind: Kind, signal: SignalSpec, *, whole: bool = False) -> dict[int, str]:
    """The labels a value table suggests; for a whole-car signal only where the text speaks of all closures."""
    labels: Mapping[str, Sequence[str]] = word_lists()["labels"]
    fits = [label for label in labels if label in kind.labels]
    proposed: dict[int, str] = {}
    for raw, text in sorted(signal.choices.items()):
        words = Words(text)
        label = next((label for label in fits if any(map(words.says, labels[label]))), None)
        if label is not None and not (whole and (closures_in(text) or words.has("only") or words.has("nur"))):
            proposed[raw] = label
    return proposed
