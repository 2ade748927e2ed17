"""Every press of a key as one stream: its slot, the decoder's answer, and how its counter stood.

The counter may stand in the decoder's answer or in the press itself. A press and the answer to it are one attempt. No
fact holds a counter or a code: only the slot, words, and differences.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from latchtrace.model.events import Blind, EventKind, LockEvent, Reason
from latchtrace.model.history import History
from latchtrace.model.results import EvidenceRef
from latchtrace.model.time import Interval
from latchtrace.rules.columns import Columns
from latchtrace.rules.item import Doubt
from latchtrace.rules.trackers.desynchronised import Spell, desynchronised
from latchtrace.rules.trackers.rolling_code import AHEAD, Attempt, Limits, Result, Slot, Step, follow_keys
from latchtrace.rules.world import World, frame_of

WAITING = 16
"""Among how many of the last presses an answer looks for its own."""
SHOWN = 20
"""How many of the later presses that failed are shown with the first one."""
_UNSEEN = (Reason.GAP, Reason.LOSS)
_OPEN = ("desynchronised", "refusal")


def key_codes(world: World) -> Columns:
    """The stream of attempts in the order of the presses."""
    presses = _presses(world.history, int(world.limit("command_deadline") or 0))
    told = _told(world, presses)
    episodes = _episodes(world)
    lo = np.array([one.at.lo for one in presses], np.int64)
    hi = np.array([one.at.hi for one in presses], np.int64)
    names = ("key", "result", "standing", "desynchronised", "refusal", "lead", "failed")
    facts = {name: world.coding.codes(one.facts[name] for one in told) for name in names}

    def more(row: int) -> Mapping[str, Any]:
        frames = [ref for one in (row, *told[row].later[:SHOWN]) for ref in presses[one].frames]
        return {
            "episode": next((episodes[name] for name in presses[row].names if name in episodes), ""),
            "evidence": tuple(dict.fromkeys(frames)),
            "open_facts": told[row].doubts,
        }

    unsure = {name: np.array([name in one.doubts for one in told], np.bool_) for name in names}
    return Columns("key-code", world.coding, lo, hi, lo, hi, facts, more, open=unsure)


# presses and their answers


@dataclass(frozen=True, slots=True)
class _Press:
    """A press of a key and the decoder's answer to it, as far as each is shown."""

    request: LockEvent | None
    answer: LockEvent | None

    @property
    def events(self) -> tuple[LockEvent, ...]:
        return tuple(event for event in (self.request, self.answer) if event is not None)

    @property
    def at(self) -> Interval:
        return self.events[0].at

    @property
    def slot(self) -> Slot | None:
        return next((slot for event in self.events if (slot := event.detail("slot")) is not None), None)

    @property
    def counter(self) -> int | None:
        """The counter; to be shown nowhere."""
        return next((counter for event in self.events if (counter := _counter(event)) is not None), None)

    @property
    def result(self) -> Result:
        return Result.UNKNOWN if self.answer is None else Result(self.answer.value)

    @property
    def role(self) -> str:
        """Where more of it would be shown."""
        return "validation" if self.request is None or self.answer is not None else self.request.subject

    @property
    def frames(self) -> tuple[EvidenceRef, ...]:
        return tuple(ref for event in self.events for ref in frame_of(event))

    @property
    def names(self) -> tuple[tuple[str, Interval], ...]:
        """How chains name its request and its answer."""
        return tuple((event.subject if event is self.request else "validation", event.at) for event in self.events)


def _counter(event: LockEvent) -> int | None:
    counter = event.detail("counter")
    return counter if isinstance(counter, int) else None


def _presses(history: History, deadline: int) -> list[_Press]:
    """Every attempt: each answer of the decoder with the press it answers, and each press with a counter by itself."""
    requests = [event for event in history.events(EventKind.REQUEST) if _of_key(event)]
    answers = [event for event in history.events(EventKind.VALIDATION) if event.change]
    moments = [(event.at.lo, 0, i) for i, event in enumerate(requests)]
    moments += [(event.at.hi, 1, i) for i, event in enumerate(answers)]
    waiting: deque[int] = deque(maxlen=WAITING)
    answer_of: dict[int, LockEvent] = {}
    presses: list[_Press] = []
    for _, is_answer, i in sorted(moments):
        if not is_answer:
            waiting.append(i)
            continue
        own = next((j for j in reversed(waiting) if _answers(answers[i], requests[j], deadline)), None)
        if own is None:
            presses.append(_Press(None, answers[i]))
        else:
            answer_of[own] = answers[i]
            waiting.remove(own)
    found = (_Press(request, answer_of.get(i)) for i, request in enumerate(requests))
    presses += [one for one in found if one.answer is not None or one.counter is not None]
    return sorted(presses, key=lambda one: (one.at.hi, one.at.lo))


def _of_key(event: LockEvent) -> bool:
    """Whether a request tells of a key; one that leaves its zone is checked by its absence."""
    told = event.detail("slot") is not None or _counter(event) is not None
    return told and event.subject != "walk-away"


def _answers(answer: LockEvent, request: LockEvent, deadline: int) -> bool:
    """Whether an answer that is not before a request may be the one to it."""
    slots = {answer.detail("slot"), request.detail("slot")} - {None}
    counters = {_counter(answer), _counter(request)} - {None}
    return len(slots) < 2 and len(counters) < 2 and answer.at.lo - request.at.hi <= deadline


def _episodes(world: World) -> dict[tuple[str, Interval], str]:
    """The chain of each request and of each answer."""
    found: dict[tuple[str, Interval], str] = {}
    for episode in world.episodes:
        for name, stage in ((episode.request.value, episode.request), ("validation", episode.validation)):
            if stage.at is not None:
                found.setdefault((name, stage.at), episode.id)
    return found


# what is told of them


@dataclass(frozen=True, slots=True)
class _Told:
    """The facts of an attempt, why some are not certain, and the rows of later ones that failed of the same spell."""

    facts: Mapping[str, str]
    doubts: dict[str, tuple[Doubt, ...]]
    later: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a press stands in a spell: whether it is the one to tell of it, and which later presses failed."""

    refusal: str = "none"
    later: tuple[int, ...] = ()
    unsure: bool = False


@dataclass(slots=True)
class _Keys:
    """The steps of every key, and their places in spells; told one by one in the order of the presses."""

    steps: Mapping[Slot, Sequence[Step]]
    places: Mapping[Slot, Mapping[int, _Place]]
    next_of: dict[Slot, int] = field(default_factory=lambda: defaultdict(int))

    def take(self, slot: Slot) -> tuple[Step, _Place]:
        i = self.next_of[slot]
        self.next_of[slot] += 1
        return self.steps[slot][i], self.places[slot].get(i, _Place())


def _told(world: World, presses: Sequence[_Press]) -> list[_Told]:
    limits = Limits(*(_whole(world.limit(f"rolling.{name}")) for name in ("window", "resync_window", "bits")))
    attempts = [(one.slot, Attempt(one.at, one.counter, one.result)) for one in presses]
    steps = follow_keys(attempts, _unseen(world.history, presses), limits)
    keys = _Keys(steps, {slot: _places(known, desynchronised(known, limits)) for slot, known in steps.items()})
    rows: dict[Slot, list[int]] = defaultdict(list)
    for row, one in enumerate(presses):
        if one.slot is not None:
            rows[one.slot].append(row)
    found = []
    for one in presses:
        told = _unnamed(one) if one.slot is None else _named(one, *keys.take(one.slot), limits)
        later = tuple(rows[one.slot][i] for i in told.later) if one.slot is not None else ()
        if one.answer is None:
            told.doubts["result"] = (_unanswered(world, one),)
        found.append(replace(told, later=later))
    return found


def _whole(limit: float | None) -> int | None:
    return None if limit is None else int(limit)


def _unseen(history: History, presses: Sequence[_Press]) -> list[Blind]:
    """The spans in which a key could have been pressed unseen."""
    roles = {"validation", *(f"request.{one.request.subject}" for one in presses if one.request is not None)}
    return [blind for role in sorted(roles) for blind in history.coverage(role).blind if blind.reason in _UNSEEN]


def _unanswered(world: World, press: _Press) -> Doubt:
    """Why the answer to a press is not known."""
    until = press.at.hi + int(world.limit("command_deadline") or 0)
    return world.history.hidden("validation", Interval(press.at.lo, until)) or Reason.NOT_VISIBLE, "validation"


def _unnamed(press: _Press) -> _Told:
    """A press of a key that is not told: accepted it is in step, whichever it was; else nothing is known of it."""
    doubt = ((Reason.NOT_VISIBLE, press.role),)
    accepted = press.result == Result.ACCEPTED
    facts = {"key": "unknown", "result": str(press.result), "standing": "unknown", "lead": "unknown", "failed": "0"}
    facts |= {"desynchronised": "no", "refusal": "none"} if accepted else dict.fromkeys(_OPEN, "unknown")
    return _Told(facts, {name: doubt for name in ("key", "standing", "lead", *_OPEN) if facts[name] == "unknown"})


def _named(press: _Press, step: Step, place: _Place, limits: Limits) -> _Told:
    out = _out_of_step(step, place)
    doubt = (_doubt(press, step, limits),)
    facts = {
        "key": str(press.slot),
        "result": str(press.result),
        "standing": str(step.standing),
        "desynchronised": out,
        "refusal": "unknown" if out == "unknown" else place.refusal,
        "lead": "unknown" if step.lead is None else str(step.lead),
        "failed": str(len(place.later)),
    }
    return _Told(
        facts,
        {name: doubt for name in ("standing", "lead", *_OPEN) if facts[name] == "unknown"},
        place.later,
    )


def _out_of_step(step: Step, place: _Place) -> str:
    """Whether the key was desynchronised at a press."""
    if place.refusal != "none":
        return "yes"
    if place.unsure:
        return "unknown"
    return "unknown" if step.possible & AHEAD and not step.worked else "no"


def _doubt(press: _Press, step: Step, limits: Limits) -> Doubt:
    """Why it is not certain how a press stood."""
    reason = step.reason or Reason.NOT_VISIBLE
    if reason != Reason.LIMIT_NOT_STATED:
        return reason, press.role
    if limits.window is None:
        return reason, "rolling.window"
    return reason, "rolling.bits" if limits.bits is None else "rolling.resync_window"


def _places(steps: Sequence[Step], spells: Sequence[Spell]) -> dict[int, _Place]:
    """The place of each press inside a spell: the first one refused tells of it, all others are more of the same."""
    places: dict[int, _Place] = {}
    for spell in spells:
        unsure = frozenset(spell.unsure)
        first = next((i for i in spell.failed if _shown(steps[i])), spell.failed[0])
        for i in range(spell.failed[0], len(steps) if spell.back is None else spell.back):
            places[i] = _Place(unsure=True) if i in unsure else _Place("another")
        places[first] = _Place("first", tuple(i for i in spell.failed if i > first))
    return places


def _shown(step: Step) -> bool:
    """Whether the decoder's own answer shows a refusal, and the frames its lead."""
    return step.attempt.result == Result.REFUSED and step.lead is not None
