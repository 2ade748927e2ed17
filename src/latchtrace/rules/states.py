"""Conditions as signals over the whole recording, and the moments at which they begin to hold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from latchtrace.model.events import EventKind, Reason
from latchtrace.model.eventtable import Times
from latchtrace.model.results import EvidenceRef, Seen
from latchtrace.model.time import Interval, Truth
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules import signals
from latchtrace.rules.at_once.answers import ask
from latchtrace.rules.at_once.many import at_moments
from latchtrace.rules.at_once.states import state_signal
from latchtrace.rules.conditions import (
    YES,
    Answer,
    ClosureIs,
    Condition,
    Joined,
    NumberIs,
    StateIs,
    both,
    bound,
    unbound,
)
from latchtrace.rules.item import Item
from latchtrace.rules.reaches import Reaches
from latchtrace.rules.signals import FOREVER, Signal
from latchtrace.rules.world import World


def signal_of(conditions: Sequence[Condition], world: World, item: Item) -> Signal:
    """All of these conditions at every instant; `item` gives the facts that names starting with $ stand for."""
    return signals.conjunction(*(_one(condition, world, item) for condition in conditions))


def bound_to(conditions: Sequence[Condition]) -> bool:
    """Whether conditions speak of facts of the item they are asked for, so that they differ from item to item."""
    return any(
        bound_to(one.parts)
        if isinstance(one, Joined)
        else isinstance(one, ClosureIs) and any(word.startswith("$") for word in (one.which, one.of, *one.values))
        for one in conditions
    )


def _one(condition: Condition, world: World, item: Item) -> Signal:
    if isinstance(condition, Reaches):
        return condition.signal(world)
    if isinstance(condition, Joined):
        parts = [_one(part, world, item) for part in condition.parts]
        if condition.how == "not":
            return signals.negation(signals.conjunction(*parts))
        return signals.disjunction(*parts) if condition.how == "any-of" else signals.conjunction(*parts)
    if isinstance(condition, ClosureIs) and not condition.before:
        return _closures(condition, world, item)
    if isinstance(condition, StateIs) and world.history.coverage(condition.role).status == RoleStatus.MAPPED:
        return state_signal(world, EventKind.STATE, condition.role, condition.values)
    return asked_everywhere(condition, world, item)


def asked_everywhere(condition: Condition, world: World, item: Item) -> Signal:
    """A condition asked at every instant at which its answer may change."""
    span = world.history.span
    moments = np.unique(np.concatenate(([span.lo], *_edges(condition, world, item))))
    moments = moments[(moments >= span.lo) & (moments <= span.hi)]
    if isinstance(condition, NumberIs):  # of a single instant the columns tell all there is to know
        return signals.from_columns(moments, ask(condition, at_moments(world, moments)), span.lo, span.hi)
    steps = [(t, condition.ask(world, _probe(item, t)).truth) for t in moments.tolist()]
    return signals.from_steps(steps, span.lo, span.hi)


def _closures(condition: ClosureIs, world: World, item: Item) -> Signal:
    """Whether any, or every, closure it speaks of is in one of the states."""
    if unbound(condition.values, item):
        return signals.constant(Truth.UNKNOWN)
    values, history, found = bound(condition.values, item), world.history, []
    for closure in condition.closures(world, item):
        status = condition.coverage(world, closure).status
        if condition.not_there(world, closure):
            found.append(signals.constant(Truth.YES if condition.which == "every" else Truth.NO))
        elif status == RoleStatus.NOT_VISIBLE or not history.states(condition.kind, closure):
            found.append(signals.constant(Truth.UNKNOWN))
        else:
            found.append(state_signal(world, condition.kind, closure, values))
    return signals.disjunction(*found) if condition.which == "any" else signals.conjunction(*found)


def _probe(item: Item, moment: int) -> Item:
    return Item("moment", Interval.at(moment), item.facts, item.closures, open_facts=item.open_facts)


def _edges(condition: Condition, world: World, item: Item) -> Iterator[Times]:
    """Every instant at which the answer to a condition may change."""
    if isinstance(condition, ClosureIs):
        for closure in condition.closures(world, item):
            known = world.state_columns(condition.kind, closure)
            yield from (known.lo, known.hi)
    elif isinstance(condition, StateIs):
        known = world.state_columns(EventKind.STATE, condition.role)
        yield from (known.lo, known.hi)
    elif isinstance(condition, NumberIs):
        track = world.history.timeline.numeric.get(condition.role)
        if track is not None:
            yield from (track.t_lo, track.t_hi)
    ends = [
        blind.span.lo
        for known_role in world.history.timeline.coverage.values()
        for blind in known_role.blind[-4:]
        if blind.reason is Reason.ENDED
    ]
    gaps = [moment for gap in world.history.timeline.gaps for moment in (gap.lo, gap.hi + 1)]
    yield np.array([*ends, *gaps], np.int64)


def beginnings(conditions: Sequence[Condition], world: World, item: Item) -> list[tuple[Interval, Answer]]:
    """Each time the conditions begin to hold: from the last moment they did not to the first they do.

    Where a state that is not known leaves open whether they ever hold, that may be a beginning: UNKNOWN, with its
    doubts. A tolerance alone leaves nothing open, and what held when the recording or a gap ended began before.
    """
    found = [(at, YES) for at in _runs(signal_of(conditions, world, item), world, True)]
    strict = [_sure(condition, world, item) for condition in conditions]
    for at in _runs(signals.conjunction(*strict), world, False):
        doubts = both([condition.ask(world, _probe(item, at.lo)) for condition in conditions]).doubts
        found.append((Interval.at(at.lo), Answer(Truth.UNKNOWN, doubts)))
    return sorted(found, key=lambda pair: (pair[0].hi, pair[0].lo))


def _sure(condition: Condition, world: World, item: Item) -> Signal:
    """The condition, with a tolerance read as not reached."""
    signal = _one(condition, world, item)
    if not isinstance(condition, Reaches):
        return signal
    return signals.from_spans(signal.spans(Truth.YES.value), signal.spans(Truth.YES.value))


def _runs(signal: Signal, world: World, decided: bool) -> list[Interval]:
    """From NO to YES (decided), or from NO into UNKNOWN and never to YES from there."""
    found = []
    for before in np.flatnonzero(signal.level[:-1] == Truth.NO.value).tolist():
        after = before + 1
        if signal.level[after] == Truth.YES.value:
            run, reached = Interval.at(int(signal.start[after])), True
        else:
            reached = after + 1 < len(signal.level) and int(signal.level[after + 1]) == Truth.YES.value
            last = int(signal.start[after + 1]) if after + 1 < len(signal.level) else FOREVER
            run = Interval(int(signal.start[after]), last)
        if reached is decided and run.lo <= world.history.span.hi:
            found.append(run)
    return found


def frames_at(conditions: Sequence[Condition], world: World, at: Interval) -> tuple[EvidenceRef, ...]:
    """The frames around a beginning that show what changed."""
    refs: list[EvidenceRef] = []
    for condition in conditions:
        if isinstance(condition, Joined):
            refs += frames_at(condition.parts, world, at)
        elif isinstance(condition, (ClosureIs, StateIs)):
            kind = condition.kind if isinstance(condition, ClosureIs) else EventKind.STATE
            refs += [
                Seen(event.row, event.signal, event.value)
                for event in world.history.near(kind, at.lo, at.hi)
                if event.row >= 0 and event.change
            ]
        elif isinstance(condition, (NumberIs, Reaches)):
            track = world.history.timeline.numeric.get(condition.role)
            row = int(np.searchsorted(track.t_hi, at.hi, side="right")) - 1 if track is not None else -1
            if track is not None and row >= 0 and track.row[row] >= 0:
                refs.append(Seen(int(track.row[row]), str(track.ref), f"{track.value[row]:.1f}"))
    return tuple(dict.fromkeys(refs))
