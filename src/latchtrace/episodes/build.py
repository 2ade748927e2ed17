"""Groups lock events into episodes: request → reception → validation → command → feedback per closure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from latchtrace.episodes.chain import STATES_OF_ACTION, Anchor, command_visible, find_anchors, limit
from latchtrace.episodes.origin import Origin, Past, requests_before, seen, trace
from latchtrace.model.events import EventKind, LockEvent
from latchtrace.model.history import History
from latchtrace.model.results import Episode, Outcome, SourceCheck, SourceRuling, Stage, StageStatus
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle

KEY_SOURCES = frozenset({"remote-button", "handle-touch", "handle-button", "handle-lift"})
"""Sources whose request is only served after a key was accepted."""

_NOT_VISIBLE = Stage(StageStatus.NOT_VISIBLE)


def build_episodes(history: History, vehicle: Vehicle) -> tuple[Episode, ...]:
    """All episodes of one timeline in time order, numbered E1, E2, … by the caller's merge.

    Every command, every movement no command explains, and every request nothing came of is one episode.
    """
    return _Builder(history, vehicle).build()


@dataclass(slots=True)
class _Builder:
    history: History
    vehicle: Vehicle
    widest: int = 0

    def build(self) -> tuple[Episode, ...]:
        anchors = find_anchors(self.history, self.vehicle)
        self.widest = max((anchor.at.width for anchor in anchors), default=0)
        used: set[int] = set()
        past: Past | None = None
        episodes: list[Episode] = []
        for i, anchor in enumerate(anchors):
            origin = trace(self.history, self.vehicle, anchor, past)
            window = limit(self.vehicle, "request_window")
            by_hand = anchor.command is None
            asked = requests_before(self.history, anchor.action, anchor.at, window, by_hand)
            used.update(id(event) for event in asked if event is origin.request or self._in_time(event, anchor.at))
            episodes.append(self._chain(anchor, origin, self._soon(anchors, i)))
            if anchor.central or past is None:
                past = Past(anchor.action, origin.name, anchor.at)
        leftover = [event for event in self.history.events(EventKind.REQUEST) if id(event) not in used]
        episodes += self._unserved(leftover)
        return tuple(sorted(episodes, key=lambda episode: (episode.at.hi, episode.at.lo, episode.action)))

    def _soon(self, anchors: Sequence[Anchor], i: int) -> list[Anchor]:
        """The anchors after one that may begin before its latches must have answered."""
        horizon = anchors[i].at.hi + limit(self.vehicle, "actuation_deadline")
        soon = []
        for j in range(i + 1, len(anchors)):
            if anchors[j].at.hi > horizon + self.widest:
                break
            if anchors[j].at.lo <= horizon:
                soon.append(anchors[j])
        return soon

    def _in_time(self, request: LockEvent, at: Interval) -> bool:
        """Whether an action may have served a request before its deadline, counted from its end or its acceptance."""
        names = ["command_deadline", *([] if command_visible(self.history) else ["actuation_deadline"])]
        deadline = sum(limit(self.vehicle, name) for name in names)
        due = (request.end or request.at).hi + deadline
        accepted = [
            e.at.hi for e in self.history.near(EventKind.VALIDATION, request.at.lo, due) if e.value == "accepted"
        ]
        return max([due, *(moment + deadline for moment in accepted)]) >= at.lo

    def _chain(self, anchor: Anchor, origin: Origin, soon: Sequence[Anchor]) -> Episode:
        request = self._request_stage(anchor, origin)
        reception, validation, accepted = self._key_stages(origin.request, anchor.at)
        feedback = self._feedback(anchor, soon)
        stages = [request, reception, validation, *feedback.values()]
        times = [stage.at for stage in stages if stage.at is not None and stage.status == StageStatus.SEEN]
        start = origin.request.at if origin.request is not None else anchor.at
        return Episode(
            id="",
            action=anchor.action,
            origin=origin.name,
            at=start,
            end=max([anchor.at.hi, *(time.hi for time in times)]),
            outcome=_outcome(feedback),
            cannot_rule_out=() if origin.request is not None or origin.report is not None else origin.left_open,
            key_slot=_slot(accepted) if accepted is not None else _slot(origin.request),
            request=request,
            reception=reception,
            validation=validation,
            command=self._command_stage(anchor),
            feedback=feedback,
            sources=origin.checks,
            origin_by=origin.by,
            group=anchor.closures,
            segment=self.history.timeline.segment,
        )

    def _request_stage(self, anchor: Anchor, origin: Origin) -> Stage:
        if origin.request is not None:
            return Stage(StageStatus.SEEN, origin.request.at, origin.request.subject, seen(origin.request))
        if origin.report is not None:
            return Stage(StageStatus.NOT_VISIBLE, origin.report.at, origin.name, seen(origin.report))
        if origin.name in ("relock-timer", "speed"):
            return Stage(StageStatus.NOT_NEEDED, anchor.at, origin.name)
        return Stage(StageStatus.UNKNOWN if origin.name == "unknown" else StageStatus.MISSING)

    def _command_stage(self, anchor: Anchor) -> Stage:
        if anchor.command is not None:
            return Stage(StageStatus.SEEN, anchor.at, anchor.action, seen(anchor.command))
        if not command_visible(self.history):
            return _NOT_VISIBLE
        window = Interval(anchor.at.lo - limit(self.vehicle, "request_window"), anchor.at.hi)
        hidden = any(
            known.status == RoleStatus.MAPPED and self.history.hidden(known.role, window)
            for known in self.history.roles("command")
        )
        return Stage(StageStatus.UNKNOWN if hidden else StageStatus.MISSING)

    def _key_stages(self, request: LockEvent | None, until: Interval) -> tuple[Stage, Stage, LockEvent | None]:
        """Reception, validation, and the event that accepted or refused the key."""
        if request is None or request.subject not in KEY_SOURCES:
            not_needed = Stage(StageStatus.NOT_NEEDED)
            return not_needed, not_needed, None
        span = Interval(request.at.lo, max(request.at.lo, until.hi))
        reception, _ = self._between("reception", EventKind.RECEPTION, span, ())
        validation, event = self._between("validation", EventKind.VALIDATION, span, ("accepted",))
        return reception, validation, event

    def _between(
        self, role: str, kind: EventKind, span: Interval, wanted: tuple[str, ...]
    ) -> tuple[Stage, LockEvent | None]:
        if self.history.coverage(role).status != RoleStatus.MAPPED:
            return _NOT_VISIBLE, None
        found = [event for event in self.history.near(kind, span.lo, span.hi) if event.change]
        best = next((event for event in found if event.value in wanted), found[0] if found else None)
        if best is not None:
            return Stage(StageStatus.SEEN, best.at, best.value, seen(best)), best
        hidden = self.history.hidden(role, span)
        return Stage(StageStatus.UNKNOWN if hidden else StageStatus.MISSING), None

    def _feedback(self, anchor: Anchor, soon: Sequence[Anchor]) -> dict[str, Stage]:
        target = STATES_OF_ACTION[anchor.action]
        horizon = anchor.at.hi + limit(self.vehicle, "actuation_deadline")
        overtaken = any(later.action != anchor.action for later in soon)
        stages: dict[str, Stage] = {}
        for closure in anchor.closures:
            moved = next((e for e in anchor.movements if e.subject == closure and e.value in target), None)
            before = self.history.settled_before(EventKind.LATCH, closure, anchor.at)
            if moved is not None:
                stages[closure] = Stage(StageStatus.SEEN, moved.at, moved.value, seen(moved))
            elif not self.history.states(EventKind.LATCH, closure):
                stages[closure] = _NOT_VISIBLE
            elif before <= target:
                stages[closure] = Stage(StageStatus.NOT_NEEDED, None, next(iter(before)))
            else:
                after = self.history.possible(EventKind.LATCH, closure, Interval.at(horizon))
                open_end = overtaken or "unknown" in after or "unknown" in before
                stages[closure] = Stage(StageStatus.UNKNOWN if open_end else StageStatus.MISSING)
        return stages

    def _unserved(self, requests: Sequence[LockEvent]) -> list[Episode]:
        """Requests that no command or movement followed."""
        episodes: list[Episode] = []
        last: LockEvent | None = None
        for event in requests:
            repeated = (
                last is not None and (last.subject, last.value) == (event.subject, event.value) and event.at == last.at
            )
            last = event
            if not repeated and event.value in STATES_OF_ACTION:
                episodes.append(self._unserved_episode(event))
        return episodes

    def _unserved_episode(self, event: LockEvent) -> Episode:
        until = Interval(event.at.lo, event.at.hi + limit(self.vehicle, "command_deadline"))
        reception, validation, answer = self._key_stages(event, until)
        target = STATES_OF_ACTION[event.value]
        states = [
            self.history.settled_before(EventKind.LATCH, closure, event.at)
            for closure in self.vehicle.lockable
            if self.history.states(EventKind.LATCH, closure)
        ]
        if validation.value == "refused":
            outcome = Outcome.REFUSED
        elif states and all(state <= target for state in states):
            outcome = Outcome.ALREADY
        elif until.hi > self.history.span.hi or self.history.gap_in(until):
            outcome = Outcome.OPEN
        else:
            outcome = Outcome.NO_COMMAND
        times = [stage.at.hi for stage in (reception, validation) if stage.at is not None]
        return Episode(
            id="",
            action=event.value,
            origin=event.subject,
            at=event.at,
            end=max([event.at.hi, *times]),
            outcome=outcome,
            key_slot=_slot(answer) if answer is not None else _slot(event),
            request=Stage(StageStatus.SEEN, event.at, event.subject, seen(event)),
            reception=reception,
            validation=validation,
            command=Stage(StageStatus.MISSING) if command_visible(self.history) else _NOT_VISIBLE,
            sources=(SourceCheck(event.subject, SourceRuling.IN, "asked for it", seen(event)),),
            origin_by="request",
            segment=self.history.timeline.segment,
        )


def _slot(event: LockEvent | None) -> int | None:
    slot = event.detail("slot") if event is not None else None
    return slot if isinstance(slot, int) else None


def _outcome(feedback: dict[str, Stage]) -> Outcome:
    statuses = {stage.status for stage in feedback.values()}
    if StageStatus.MISSING in statuses:
        return Outcome.PARTIAL
    if StageStatus.UNKNOWN in statuses:
        return Outcome.OPEN
    return Outcome.ALREADY if statuses == {StageStatus.NOT_NEEDED} else Outcome.DONE
