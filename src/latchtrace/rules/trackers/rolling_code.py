"""Where a rolling counter stands against what the decoder must have stored, key by key, press by press.

A key with rolling code counts its presses, its decoder keeps the counter of the last one it accepted. With the lead
d = counter - stored, modulo 2^bits, the decoder does one of four things:

====================================  ================================================================
d = 0                                 `repeat`: the same press again, no action
1 <= d <= window                      `next` (d = 1) or `in-window`: accepted, the counter is stored
window < d <= resync_window           `beyond-window`: not accepted but held; where the next press is the held
                                      counter + 1 it is `resynchronised`: accepted, and stored
beyond that                           `behind`: an old counter, blocked
====================================  ================================================================

Source: datasheets of code-hopping encoders and decoders, HCS410 (4.3.1), HCS500 (3.5), HCS515 (3.4) and HCS360 (7.3).
They call it "only a typical implementation", and differ in the second window (32K, 16K), so all sizes are parameters.
An accepted press forgets the held counter (a choice of ours). Whether a repeated or blocked press between two presses
in a row forgets it is stated nowhere: both are possible here. Where `resync_window` is not stated it is taken to be
at most half of the range (a larger one would let any old press back in): a lead below half of the range is
`beyond-window`, but whether a second press in a row is accepted stays unknown.

The tracker keeps every state the decoder can be in: the stored counter, and the held one. Each attempt gives, for each
state, the standings it may have; what is the same in all states is definite. The decoder's own answer outranks this:
what it accepted is stored from then on, whatever was thought before; what it refused changes nothing that is stored,
and states in which it would have been accepted are dropped while any other is left. Before the first accepted press
nothing is known. After a span in which presses could have happened unseen nothing is known either, until the next
accepted one: presses out of the recorder's sight are legal, and the last stored value is only a lower bound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar

from latchtrace.model.events import Blind, Reason
from latchtrace.model.time import Interval

LONGEST_COUNTER = 64
"""Bits of the longest counter."""
MOST_STATES = 100
"""With more possible states than this the stored counter counts as not known."""

Slot = int | str
_T = TypeVar("_T")


class Result(StrEnum):
    """What the decoder said of an attempt; `unknown` where the network does not show it."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    UNKNOWN = "unknown"


class Standing(StrEnum):
    """How a counter stands against the stored one; `unknown` where the frames leave more than one open."""

    NEXT = "next"
    IN_WINDOW = "in-window"
    BEYOND_WINDOW = "beyond-window"
    RESYNCHRONISED = "resynchronised"
    REPEAT = "repeat"
    BEHIND = "behind"
    UNKNOWN = "unknown"


ACCEPTING = frozenset({Standing.NEXT, Standing.IN_WINDOW, Standing.RESYNCHRONISED})
"""The standings with which a decoder accepts."""
AHEAD = frozenset({Standing.BEYOND_WINDOW, Standing.RESYNCHRONISED})
"""The standings of a counter that leads by more than the window."""
EVERY = frozenset(Standing) - {Standing.UNKNOWN}


@dataclass(frozen=True, slots=True)
class Attempt:
    """One press as the network shows it: when, its counter (None: not shown), and the decoder's answer."""

    at: Interval
    counter: int | None = field(default=None, repr=False)
    result: Result = Result.UNKNOWN


@dataclass(frozen=True, slots=True)
class Limits:
    """What the vehicle file states of the decoder: `rolling.window`, `rolling.resync_window`, `rolling.bits`.

    None is not stated. ValueError where `bits` is not 1 to 64.
    """

    window: int | None = None
    resync_window: int | None = None
    bits: int | None = None

    def __post_init__(self) -> None:
        if self.bits is not None and not 1 <= self.bits <= LONGEST_COUNTER:
            raise ValueError(f"a rolling counter of {self.bits} bits: state 1 to {LONGEST_COUNTER}")

    @property
    def modulus(self) -> int | None:
        """How many values the counter has."""
        return None if self.bits is None else 1 << self.bits

    def fits(self, counter: int) -> bool:
        """Whether a counter of the stated bits can have this value."""
        return counter >= 0 and (self.modulus is None or counter < self.modulus)

    def lead(self, stored: int, counter: int) -> int | None:
        """How far a counter is ahead of another; None where the number of bits would decide it."""
        if self.modulus is None:
            return counter - stored if counter >= stored else None
        return (counter - stored) % self.modulus


@dataclass(frozen=True, slots=True)
class Step:
    """What one attempt was to the decoder.

    `standing` is definite where `possible` holds one alone, else `unknown` for the `reason`: `not-visible` (the
    counter was not shown, or one before), `unknown-before` (nothing accepted yet, or a press between two in a row),
    `gap` or `loss` (presses could have happened unseen), `limit-not-stated`. `expected` is whether the decoder
    accepts such a counter, None where that is open. `stored_before` and `stored_after` are exact or None;
    `last_stored` is the last value known to have been stored before, a lower bound. `lead` is exact or None.
    Counters are secret: of all numbers here only `lead` may be shown.
    """

    attempt: Attempt
    standing: Standing
    possible: frozenset[Standing]
    reason: Reason | None
    lead: int | None
    expected: bool | None
    stored_before: int | None = field(repr=False)
    stored_after: int | None = field(repr=False)
    last_stored: int | None = field(repr=False)

    @property
    def agrees(self) -> bool | None:
        """Whether the decoder's own answer is the expected one; None where either is not known."""
        if self.expected is None or self.attempt.result == Result.UNKNOWN:
            return None
        return self.expected == (self.attempt.result == Result.ACCEPTED)

    @property
    def worked(self) -> bool | None:
        """Whether the press was accepted: as the decoder says, else as it must have been."""
        shown = self.attempt.result
        return self.expected if shown == Result.UNKNOWN else shown == Result.ACCEPTED


def follow(attempts: Sequence[Attempt], unseen: Sequence[Blind], limits: Limits) -> tuple[Step, ...]:
    """Say how each press of one key stood against what the decoder had stored: a step for each attempt.

    `attempts` in the order they were seen (`at.hi`). `unseen` are spans in which attempts could have happened that
    no frame shows; what was seen at either end of a span lies outside it.
    """
    return follow_keys([(0, attempt) for attempt in attempts], unseen, limits).get(0, ())


def follow_keys(
    presses: Sequence[tuple[Slot | None, Attempt]], unseen: Sequence[Blind], limits: Limits
) -> Mapping[Slot, tuple[Step, ...]]:
    """The same for every key of a capture: `presses` name the slot; one of no known slot may be any key's."""
    keys = {slot: _Key(limits) for slot, _ in presses if slot is not None}
    spans = sorted(unseen, key=lambda one: one.span.lo)
    longest: Blind | None = None
    passed = 0
    for slot, attempt in presses:
        while passed < len(spans) and spans[passed].span.lo < attempt.at.hi:
            if longest is None or spans[passed].span.hi > longest.span.hi:
                longest = spans[passed]
            passed += 1
        for key in keys.values() if slot is None else [keys[slot]]:
            key.look_away(longest, attempt.at.hi)
            if slot is None:
                key.perhaps(attempt.result)
            else:
                key.attempt(attempt)
    return {slot: tuple(key.steps) for slot, key in keys.items()}


_ANY = -1
"""A held counter that is not known, if there is one at all."""


@dataclass(frozen=True, slots=True)
class _State:
    """What a decoder may have stored of a key, and the counter it holds back (None: none)."""

    stored: int
    held: int | None = None


class _Key:
    """Every state the decoder may be in for one key; none at all where nothing is known, and `why`."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.states: frozenset[_State] = frozenset()
        self.why = Reason.UNKNOWN_BEFORE
        self.last: int | None = None
        self.seen: int | None = None
        self.steps: list[Step] = []

    def look_away(self, blind: Blind | None, now: int) -> None:
        """Forget what is known where presses could have happened unseen since the last one that was seen."""
        if blind is not None and self.seen is not None and blind.span.hi > self.seen and self.states:
            self._forget(blind.reason)
        self.seen = now

    def perhaps(self, result: Result) -> None:
        """A press with a counter that is not shown, perhaps of this key."""
        if not self.states:
            return
        if result == Result.REFUSED:
            self.states = frozenset(_State(state.stored, _ANY) for state in self.states)
            self.why = Reason.NOT_VISIBLE
        else:
            self._forget(Reason.NOT_VISIBLE)

    def attempt(self, attempt: Attempt) -> None:
        """A press of this key: note how it stands, then what the decoder has stored after it."""
        before, last, counter = self.states, self.last, attempt.counter
        lead, possible, reason = None, EVERY, self.why
        if counter is None or not self.limits.fits(counter):
            reason = Reason.NOT_VISIBLE
            self.perhaps(attempt.result)
        else:
            each = {state: self._standings(state, counter) for state in before}
            if each:
                lead = _alone({self.limits.lead(state.stored, counter) for state in before})
                possible = frozenset[Standing]().union(*each.values())
                reason = Reason.LIMIT_NOT_STATED if any(map(self._limit_missing, each.values())) else self.why
            self._answered(each, counter, attempt.result)
            self._note_why(possible, reason)
        standing = _alone(possible)
        self.steps.append(
            Step(
                attempt,
                standing or Standing.UNKNOWN,
                possible,
                None if standing else reason,
                lead,
                _expected(possible),
                _stored(before),
                _stored(self.states),
                last,
            )
        )
        self.last = self.last if (stored := _stored(self.states)) is None else stored

    def _forget(self, why: Reason) -> None:
        self.states, self.why = frozenset(), why

    def _standings(self, state: _State, counter: int) -> frozenset[Standing]:
        """Every standing a counter may have in one state."""
        limits, lead = self.limits, self.limits.lead(state.stored, counter)
        ahead = self._ahead(state.held, counter)
        if lead is None:
            return ahead | {Standing.NEXT, Standing.IN_WINDOW, Standing.BEHIND}
        if lead == 0:
            return frozenset({Standing.REPEAT})
        if lead == 1 and limits.window != 0:
            return frozenset({Standing.NEXT})
        if limits.window is not None and lead <= limits.window:
            return frozenset({Standing.IN_WINDOW})
        beyond = self._beyond(lead, ahead)
        return beyond | {Standing.IN_WINDOW} if limits.window is None and beyond & AHEAD else beyond

    def _ahead(self, held: int | None, counter: int) -> frozenset[Standing]:
        """The standings of a counter ahead of the window, by what is held back."""
        if held is None:
            return frozenset({Standing.BEYOND_WINDOW})
        after_held = None if held == _ANY else self.limits.lead(held, counter)
        if after_held is None:
            return AHEAD
        return frozenset({Standing.RESYNCHRONISED if after_held == 1 else Standing.BEYOND_WINDOW})

    def _beyond(self, lead: int, ahead: frozenset[Standing]) -> frozenset[Standing]:
        """The standings of a lead beyond the window."""
        behind = frozenset({Standing.BEHIND})
        if self.limits.resync_window is not None:
            return ahead if lead <= self.limits.resync_window else behind
        if self.limits.modulus is None or 2 * lead == self.limits.modulus:
            return ahead | behind
        return ahead if 2 * lead < self.limits.modulus else behind

    def _limit_missing(self, possible: frozenset[Standing]) -> bool:
        """Whether one state leaves several standings open since a limit is not stated."""
        return len(possible) > 1 and possible != AHEAD

    def _answered(self, each: Mapping[_State, frozenset[Standing]], counter: int, result: Result) -> None:
        """The states after an attempt, by what the decoder said of it."""
        if result == Result.ACCEPTED:
            self.states = frozenset({_State(counter)})
            return
        after: set[_State] = set()
        for state, possible in each.items():
            for standing in possible if result == Result.UNKNOWN else possible - ACCEPTING:
                after |= self._after(state, standing, counter)
        self.states = frozenset(after or (_State(state.stored, _ANY) for state in each))

    def _after(self, state: _State, standing: Standing, counter: int) -> set[_State]:
        """The states a decoder may be in after an attempt of one standing."""
        if standing in ACCEPTING:
            return {_State(counter)}
        if standing == Standing.BEYOND_WINDOW and self.limits.resync_window is not None:
            return {_State(state.stored, counter)}
        held = {counter} if standing == Standing.BEYOND_WINDOW else set[int]()
        return {_State(state.stored, one) for one in (state.held, None, *held)}

    def _note_why(self, possible: frozenset[Standing], reason: Reason) -> None:
        """Keep why the state after an attempt is not known, where it is not."""
        if len(self.states) > MOST_STATES:
            self._forget(reason)
        elif len(self.states) == 1 and all(state.held != _ANY for state in self.states):
            self.why = Reason.UNKNOWN_BEFORE
        elif len(possible) > 1:
            self.why = reason
        elif Standing.BEYOND_WINDOW in possible and self.limits.resync_window is None:
            self.why = Reason.LIMIT_NOT_STATED


def _alone(values: Set[_T]) -> _T | None:
    """The one value of a set; None where there are several."""
    return next(iter(values)) if len(values) == 1 else None


def _stored(states: frozenset[_State]) -> int | None:
    return _alone({state.stored for state in states})


def _expected(possible: frozenset[Standing]) -> bool | None:
    """Whether a decoder accepts, where all that is possible agrees."""
    if possible <= ACCEPTING:
        return True
    return None if possible & ACCEPTING else False
