"""Says whether requests, commands and latches go the same way, and which of them is read the wrong way round.

Two of the three that agree speak against the third. Where only two are shown, the doubt names both.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.time import SECOND

ANSWER = 2 * SECOND
"""How long after a request or command what follows counts as its answer (common practice, no published source)."""

_WAYS = {
    "lock": "lock",
    "deadlock": "lock",
    "unlock": "unlock",
    "locked": "lock",
    "deadlocked": "lock",
    "unlocked": "unlock",
}
"""The way an action or a latch state goes; what is not here goes no way."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """How often an answer went the way it was told to, and how often the other way."""

    along: int = 0
    against: int = 0

    @property
    def opposed(self) -> bool:
        """Whether it goes the other way more often than not, and more than once."""
        return self.against > self.along and self.against > 1

    @property
    def together(self) -> bool:
        """Whether it goes the same way more often than not."""
        return self.along > self.against

    @property
    def nothing(self) -> bool:
        """Whether there is nothing to compare."""
        return not self.along and not self.against


def direction_doubts(kind: EventKind, own: Sequence[LockEvent], timelines: Sequence[Timeline]) -> Iterator[str]:
    """What speaks for a latch, command or request that is read the wrong way round; `own` are the role's events."""
    latches, commands, requests = (
        [event for line in timelines for event in line.events if event.kind == one]
        for one in (EventKind.LATCH, EventKind.COMMAND, EventKind.REQUEST)
    )
    if kind == EventKind.LATCH:
        yield from _latch(agreement(own, commands), agreement(own, requests))
    elif kind == EventKind.COMMAND:
        yield from _command(agreement(latches, own), agreement(own, requests), agreement(latches, requests))
    elif kind == EventKind.REQUEST:
        served, done = agreement(commands, own), agreement(latches, commands)
        if served.opposed and done.together:
            yield f"the opposite was commanded and done {served.against} times: lock and unlock exchanged?"


def _latch(commanded: Agreement, asked: Agreement) -> Iterator[str]:
    told = asked if commanded.nothing else commanded
    if not told.opposed or (told is commanded and asked.together):
        return
    moved = f"moved against what was asked {told.against} times and with it {told.along} times"
    if asked.opposed and not commanded.nothing:
        yield f"{moved}: polarity reversed?"
    else:
        other = "request" if commanded.nothing else "command"
        yield f"{moved}: polarity reversed, or lock and unlock exchanged in the {other}?"


def _command(moved: Agreement, asked: Agreement, done: Agreement) -> Iterator[str]:
    if moved.opposed and done.together:
        yield f"the latches moved against it {moved.against} times, and as was asked: lock and unlock exchanged?"
    elif asked.opposed and moved.nothing:
        opposite = f"the opposite of what was asked just before it {asked.against} times"
        yield f"{opposite}: lock and unlock exchanged, here or in the request?"


def agreement(answers: Sequence[LockEvent], told: Sequence[LockEvent]) -> Agreement:
    """How often each answer goes the way of the last of `told` within `ANSWER` before it."""
    ways = sorted((event.at.hi, _WAYS[event.value]) for event in told if event.change and event.value in _WAYS)
    ends = [end for end, _ in ways]
    along = against = 0
    for event in answers:
        if not event.change or event.value not in _WAYS:
            continue
        i = bisect_right(ends, event.at.hi) - 1
        if i >= 0 and event.at.hi - ends[i] <= ANSWER:
            same = _WAYS[event.value] == ways[i][1]
            along, against = along + same, against + (not same)
    return Agreement(along, against)
