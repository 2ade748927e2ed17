"""Reads the timed lines of an example: `10.1 latch all unlocked`, `gap 12..15`, `end 60`.

A line is TIME, what, and its words. TIME is seconds from the start, `10.1`, or `10..10.1` where something happened
at some moment in between. `#` begins a remark. Every mistake is told with its line and column.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from fractions import Fraction

from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import ACTIONS, AJAR_STATES, LATCH_STATES, REQUEST_SOURCES, TIMED_SOURCES

LONGEST = 10_000_000 * SECOND
"""The latest time a line may name."""
MOST_LINES = 2_000

CLOSURES = ("front-left", "front-right", "rear-left", "rear-right", "tailgate")
AJAR = (*CLOSURES, "bonnet")
"""What has an ajar contact; the bonnet alone does not lock."""
GROUPS: Mapping[str, tuple[str, ...]] = {"all": CLOSURES, "doors": CLOSURES[:4]}

_NUMBER = r"\d{1,12}(?:\.\d{1,9})?"
_WHOLE = re.compile(r"\d{1,19}|0x[0-9A-Fa-f]{1,16}")
_TIME = re.compile(rf"({_NUMBER})(?:\.\.({_NUMBER}))?")
_WORD = re.compile(r"\S+")
_SWITCH = ("on", "off", "unknown")

STATES: Mapping[str, tuple[str, ...]] = {
    "latch": LATCH_STATES,
    "ajar": AJAR_STATES,
    "ignition": _SWITCH,
    "speed-lock-enabled": _SWITCH,
}
"""What lasts until the next line about it, and the values it takes."""

FORMS: Mapping[str, str] = {
    "latch": "latch CLOSURE|all STATE",
    "ajar": "ajar CLOSURE|all open|shut",
    "request": "request SOURCE ACTION [at CLOSURE] [slot N] [counter N] [code N] [until TIME]",
    "reception": "reception decoded|undecoded",
    "validation": "validation accepted|refused [slot N] [counter N] [code N]",
    "command": "command ACTION [CLOSURE|GROUP]",
    "action-report": "action-report SOURCE ACTION",
    "ignition": "ignition on|off",
    "speed": "speed NUMBER km/h",
    "speed-lock-enabled": "speed-lock-enabled on|off",
    "hand-release": "hand-release [CLOSURE]",
}
"""What a timed line can say; N is a whole number such as 257 or 0x101, and what follows an action has no order."""
KEY_FACTS = ("slot", "counter", "code")
"""What the frame of a key tells of it, each a whole number."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: line and column count from 1 within the lines."""

    line: int
    column: int
    what: str
    mend: str = ""


@dataclass(frozen=True, slots=True)
class Happening:
    """One line: `what` is the role's kind, `subject` a closure, group or source, `value` its state or action.

    Times in nanoseconds. `end` is when a request that lasts was let go. `number` is a speed in km/h. `closure` is the
    one a handle or a release belongs to. `details` are slot, counter and code of a key, as far as the line tells.
    """

    at: Interval
    what: str
    subject: str
    value: str
    line: int
    end: Interval | None = None
    number: float = 0.0
    closure: str = ""
    details: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Loss:
    """A span in which frames of a role (or of all roles of a kind) were lost."""

    role: str
    span: Interval
    line: int


@dataclass(frozen=True, slots=True)
class Lines:
    """All lines of one example. `end` is when the recording ends; None where no line says so."""

    happenings: tuple[Happening, ...] = ()
    gaps: tuple[Interval, ...] = ()
    losses: tuple[Loss, ...] = ()
    end: int | None = None


class _Wrong(Exception):  # noqa: N818 - never leaves this file
    def __init__(self, place: int, what: str, mend: str = "") -> None:
        self.place, self.what, self.mend = place, what, mend


@dataclass(frozen=True, slots=True)
class _Word:
    text: str
    column: int


class _Words:
    """The words of one line, taken one after another."""

    def __init__(self, words: Sequence[_Word], line: int) -> None:
        self._words = list(words)
        self._end = words[-1].column + len(words[-1].text)
        self.line = line

    def next(self, wanted: str) -> _Word:
        if not self._words:
            raise _Wrong(self._end, f"ends where {wanted} should follow", f"add {wanted}")
        return self._words.pop(0)

    def optional(self) -> _Word | None:
        return self._words.pop(0) if self._words else None

    def done(self) -> None:
        if self._words:
            word = self._words[0]
            raise _Wrong(word.column, f"'{word.text[:40]}' is not understood here", "remove it")

    def one_of(self, wanted: str, choices: Sequence[str]) -> str:
        word = self.next(wanted)
        return chosen(word, wanted, choices)


def chosen(word: _Word, wanted: str, choices: Sequence[str]) -> str:
    """The word, where it is one of the choices."""
    if word.text in choices:
        return word.text
    raise _Wrong(word.column, f"'{word.text[:40]}' is no {wanted}", meant(word.text, choices))


def meant(word: str, choices: Sequence[str]) -> str:
    """What a mistyped word may have been, else all it could be."""
    near = get_close_matches(word[:60], choices, 1, 0.55)
    return f"did you mean '{near[0]}'?" if near else f"write one of {', '.join(choices)}"


def parse_lines(text: str) -> tuple[Lines, tuple[Mistake, ...]]:
    """The lines of an example, and every mistake in them."""
    happenings: list[Happening] = []
    gaps: list[Interval] = []
    losses: list[Loss] = []
    ends: list[int] = []
    mistakes: list[Mistake] = []
    for number, line in enumerate(text.split("\n"), 1):
        found = [_Word(match[0], match.start() + 1) for match in _WORD.finditer(line.partition("#")[0])]
        if not found:
            continue
        if number > MOST_LINES:
            mistakes.append(Mistake(number, 1, f"comes after {MOST_LINES} lines", "split the example"))
            break
        words = _Words(found, number)
        try:
            first = words.next("a time")
            if first.text == "gap":
                gaps.append(_span(words.next("FROM..TO")))
            elif first.text == "loss":
                losses.append(Loss(words.next("a role").text, _span(words.next("FROM..TO")), number))
            elif first.text == "end":
                if ends:
                    raise _Wrong(first.column, "says a second time when the recording ends", "keep one of the two")
                ends.append(_moment(words.next("a time")))
            else:
                happenings += _happening(words, _time(first))
            words.done()
        except _Wrong as wrong:
            mistakes.append(Mistake(number, wrong.place, wrong.what, wrong.mend))
    end = ends[0] if ends else None
    mistakes += _late(happenings, end)
    return Lines(tuple(happenings), tuple(sorted(gaps)), tuple(losses), end), tuple(mistakes)


def _late(happenings: Sequence[Happening], end: int | None) -> list[Mistake]:
    late = [one for one in happenings if end is not None and one.at.hi > end]
    return [
        Mistake(line, 1, "comes after the end of the recording", "move `end`")
        for line in dict.fromkeys(one.line for one in late)
    ]


def _nanoseconds(text: str, word: _Word) -> int:
    value = int(Fraction(text) * SECOND)
    if value > LONGEST:
        raise _Wrong(word.column, f"'{word.text[:40]}' is too late", f"stay below {LONGEST // SECOND} seconds")
    return value


def _time(word: _Word) -> Interval:
    match = _TIME.fullmatch(word.text)
    if not match:
        mend = "begin with seconds such as 10.1 or 10..10.1, or with gap, loss or end"
        raise _Wrong(word.column, f"'{word.text[:40]}' is no time", mend)
    lo = _nanoseconds(match[1], word)
    hi = _nanoseconds(match[2], word) if match[2] else lo
    if lo > hi:
        raise _Wrong(word.column, f"'{word.text[:40]}' ends before it starts", "exchange the two times")
    return Interval(lo, hi)


def _moment(word: _Word) -> int:
    at = _time(word)
    if not at.exact:
        raise _Wrong(word.column, f"'{word.text[:40]}' is a span", "write one time")
    return at.lo


def _span(word: _Word) -> Interval:
    at = _time(word)
    if at.exact:
        raise _Wrong(word.column, f"'{word.text[:40]}' is no span", "write FROM..TO in seconds, such as 12..15")
    return at


def _happening(words: _Words, at: Interval) -> list[Happening]:
    word = words.next("what happened")
    what = chosen(word, "thing that can happen", list(FORMS))
    return _READERS[what](words, at, what)


def _closures(words: _Words, at: Interval, what: str) -> list[Happening]:
    known = AJAR if what == "ajar" else CLOSURES
    subject = words.one_of("closure", ["all", *known])
    value = words.one_of(f"{what} state", STATES[what])
    return [Happening(at, what, name, value, words.line) for name in (known if subject == "all" else (subject,))]


def _switch(words: _Words, at: Interval, what: str) -> list[Happening]:
    return [Happening(at, what, what, words.one_of("state", STATES[what]), words.line)]


def _request(words: _Words, at: Interval, what: str) -> list[Happening]:
    source = _source(words, REQUEST_SOURCES)
    action = words.one_of("action", ACTIONS)
    end, closure, facts = None, "", dict[str, int]()
    for more in _continued(words, ("at", *KEY_FACTS, "until")):
        if more.text == "at":
            closure = words.one_of("closure", CLOSURES)
        elif more.text == "until":
            end = _time(words.next("a time"))
            if end.lo < at.hi:
                raise _Wrong(more.column, "ends before it begins", "write a later time")
        else:
            facts[more.text] = _whole(words, more.text)
    return [Happening(at, what, source, action, words.line, end, closure=closure, details=tuple(facts.items()))]


def _continued(words: _Words, known: Sequence[str]) -> Iterator[_Word]:
    """The words that go on with a line, each at most once, in any order."""
    left = list(known)
    while left and (word := words.optional()) is not None:
        left.remove(chosen(word, "continuation", left))
        yield word


def _whole(words: _Words, name: str) -> int:
    word = words.next(f"the {name}'s number")
    if not _WHOLE.fullmatch(word.text):
        raise _Wrong(word.column, f"'{word.text[:40]}' is no whole number", "write one such as 257 or 0x101")
    return int(word.text, 16 if word.text.startswith("0x") else 10)


def _source(words: _Words, known: Sequence[str]) -> str:
    word = words.next("a source")
    if word.text.startswith("other:") and len(word.text) > len("other:"):
        return word.text
    return chosen(word, "source", known)


def _reception(words: _Words, at: Interval, what: str) -> list[Happening]:
    return [Happening(at, what, "", words.one_of("result", ("decoded", "undecoded")), words.line)]


def _validation(words: _Words, at: Interval, what: str) -> list[Happening]:
    result = words.one_of("result", ("accepted", "refused"))
    facts = {word.text: _whole(words, word.text) for word in _continued(words, KEY_FACTS)}
    return [Happening(at, what, "", result, words.line, details=tuple(facts.items()))]


def _command(words: _Words, at: Interval, what: str) -> list[Happening]:
    action = words.one_of("action", ACTIONS)
    word = words.optional()
    subject = chosen(word, "closure or group", [*GROUPS, *CLOSURES]) if word else "all"
    return [Happening(at, what, subject, action, words.line)]


def _report(words: _Words, at: Interval, what: str) -> list[Happening]:
    source = _source(words, (*REQUEST_SOURCES, *TIMED_SOURCES))
    return [Happening(at, what, source, words.one_of("action", ACTIONS), words.line)]


def _speed(words: _Words, at: Interval, what: str) -> list[Happening]:
    word = words.next("a speed")
    if word.text == "unknown":
        return [Happening(at, what, what, "unknown", words.line)]
    if not re.fullmatch(r"\d{1,4}(?:\.\d{1,9})?", word.text):
        raise _Wrong(word.column, f"'{word.text[:40]}' is no speed", "write a number and km/h, such as 15 km/h")
    words.one_of("unit", ["km/h"])
    return [Happening(at, what, what, "known", words.line, number=float(word.text))]


def _hand_release(words: _Words, at: Interval, what: str) -> list[Happening]:
    word = words.optional()
    closure = chosen(word, "closure", CLOSURES) if word else ""
    return [Happening(at, what, what, "release", words.line, closure=closure)]


_READERS: Mapping[str, Callable[[_Words, Interval, str], list[Happening]]] = {
    "latch": _closures,
    "ajar": _closures,
    "request": _request,
    "reception": _reception,
    "validation": _validation,
    "command": _command,
    "action-report": _report,
    "ignition": _switch,
    "speed": _speed,
    "speed-lock-enabled": _switch,
    "hand-release": _hand_release,
}
