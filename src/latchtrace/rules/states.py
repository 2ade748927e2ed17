"""Conditions as signals over the whole recording, and the moments at which they begin to hold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from latchtrace.model.events import EventKind, Reason
from latchtrace.model.network import Validity
from latchtrace.model.results import EvidenceRef, Seen
from latchtrace.model.time import Interval, Truth
from latchtrace.rules import signals
from latchtrace.rules.conditions import YES, Answer, ClosureIs, Condition, Joined, NumberIs, StateIs, both
from latchtrace.rules.quantities import Quantity
from latchtrace.rules.signals import FOREVER, Signal
from latchtrace.rules.world import Item, World

_FALLS, _BETWEEN, _OPEN, _RISES = -1, 0, 1, 2


@dataclass(frozen=True, slots=True)
class Reaches:
    """`{number: speed, reaches: LIMIT, give: TOLERANCE, until-below: LIMIT}`: a state with hysteresis.

    It begins where the value rises to the limit (somewhere from limit - give to limit + give) and lasts until the
    value falls below the other limit.
    """

    role: str
    limit: Quantity
    give: Quantity | None = None
    until_below: Quantity | None = None

    def ask(self, world: World, item: Item) -> Answer:
        """Whether it holds at the item."""
        truth = self.signal(world).over(item.at)
        reason = world.history.hidden(self.role, item.at) or Reason.STRADDLES
        return Answer(truth, ((reason, self.role),) if truth is Truth.UNKNOWN else ())

    def signal(self, world: World) -> Signal:
        """The state over the whole recording."""
        track, span = world.history.timeline.numeric.get(self.role), world.history.span
        limit = self.limit.value(world.limit)
        if track is None or not len(track) or limit is None:
            return signals.constant(Truth.UNKNOWN)
        give = (self.give.value(world.limit) if self.give else 0) or 0
        low = self.until_below.value(world.limit) if self.until_below else limit - give
        value = track.value
        kind = np.where(value >= limit + give, _RISES, np.where(value >= limit - give, _OPEN, _BETWEEN))
        kind = np.where(value < (limit - give if low is None else low), _FALLS, kind)
        kind = np.where(track.validity != Validity.KNOWN, _BETWEEN, kind)
        steps: list[tuple[int, Truth]] = []
        state = Truth.UNKNOWN
        moments = zip(kind.tolist(), track.t_lo.tolist(), track.t_hi.tolist(), track.validity.tolist(), strict=True)
        for what, lo, hi, validity in moments:
            new = _next(state, what) if validity == Validity.KNOWN else Truth.UNKNOWN
            if new is not state:
                if lo < hi:
                    steps.append((lo, Truth.UNKNOWN))
                steps.append((hi, new))
                state = new
        return signals.from_steps(_ordered(steps), span.lo, span.hi)


def _next(state: Truth, what: int) -> Truth:
    """The hysteresis: up at the upper edge, down at the lower one, open in the tolerance unless it held already."""
    if what == _RISES:
        return Truth.YES
    if what == _FALLS:
        return Truth.NO
    return Truth.UNKNOWN if what == _OPEN and state is not Truth.YES else state


def _ordered(steps: Iterable[tuple[int, Truth]]) -> list[tuple[int, Truth]]:
    """Steps in order of time; where intervals overlap, the later row still has the last word."""
    result: list[tuple[int, Truth]] = []
    for t, value in steps:
        result.append((max(t, result[-1][0]) if result else t, value))
    return result


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
    span = world.history.span
    moments = sorted({span.lo, *(t for t in _edges(condition, world, item) if span.lo <= t <= span.hi)})
    steps = [(t, condition.ask(world, _probe(item, t)).truth) for t in moments]
    return signals.from_steps(steps, span.lo, span.hi)


def _probe(item: Item, moment: int) -> Item:
    return Item("moment", Interval.at(moment), item.facts, item.closures, open_facts=item.open_facts)


def _edges(condition: Condition, world: World, item: Item) -> Iterable[int]:
    """Every instant at which the answer to a condition may change."""
    history = world.history
    if isinstance(condition, ClosureIs):
        for closure in condition.closures(world, item):
            for event in history.states(condition.kind, closure):
                yield from (event.at.lo, event.at.hi)
    elif isinstance(condition, StateIs):
        for event in history.states(EventKind.STATE, condition.role):
            yield from (event.at.lo, event.at.hi)
    elif isinstance(condition, NumberIs):
        track = history.timeline.numeric.get(condition.role)
        if track is not None:
            yield from np.concatenate((track.t_lo, track.t_hi)).tolist()
    for known in history.timeline.coverage.values():
        for blind in known.blind[-4:]:
            if blind.reason is Reason.ENDED:
                yield blind.span.lo
    for gap in history.timeline.gaps:
        yield from (gap.lo, gap.hi + 1)


def beginnings(conditions: Sequence[Condition], world: World, item: Item) -> list[tuple[Item, Answer]]:
    """Each time the conditions begin to hold: from the last moment they did not to the first they do.

    Where a state that is not known leaves open whether they ever hold, that may be a beginning: UNKNOWN, with its
    doubts. A tolerance alone leaves nothing open, and what held when the recording or a gap ended began before.
    """
    found = [
        (_beginning(conditions, world, item, at), YES) for at in _runs(signal_of(conditions, world, item), world, True)
    ]
    strict = [_sure(condition, world, item) for condition in conditions]
    for at in _runs(signals.conjunction(*strict), world, False):
        moment = Interval.at(at.lo)
        doubts = both([condition.ask(world, _probe(item, at.lo)) for condition in conditions]).doubts
        found.append((_beginning(conditions, world, item, moment), Answer(Truth.UNKNOWN, doubts)))
    return sorted(found, key=lambda pair: (pair[0].at.hi, pair[0].at.lo))


def _beginning(conditions: Sequence[Condition], world: World, item: Item, at: Interval) -> Item:
    return Item("beginning", at, item.facts, item.closures, evidence=frames_at(conditions, world, at))


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
