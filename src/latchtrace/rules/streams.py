"""Lays lock events and episodes out as the streams that rules name."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import replace

from latchtrace.model.events import EventKind, LockEvent, Reason
from latchtrace.model.history import History
from latchtrace.model.results import Episode, Outcome, SourceRuling, Stage, StageStatus
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle, side_of
from latchtrace.rules.conditions import hidden
from latchtrace.rules.world import TARGET, Fact, Item, World, frame_of, not_yet, shown_latches

_ACTION = {"locked": "lock", "unlocked": "unlock", "deadlocked": "deadlock"}
_CAUSES = {"locked": ("lock", "deadlock"), "unlocked": ("unlock",), "deadlocked": ("deadlock", "lock")}


def build_world(history: History, vehicle: Vehicle, episodes: Sequence[Episode]) -> World:
    """All streams of one segment."""
    visible = any(known.status == RoleStatus.MAPPED for known in history.roles("command"))
    actions = list(_actions(history, vehicle, episodes, visible))
    streams = {
        "action": actions,
        "command": list(_commands(actions)),
        "answer": [
            answer for action in actions if action.fact("commanded") == "yes" for answer in _answers(history, action)
        ],
        "movement": list(_movements(history, episodes, actions, visible)),
        "request": [_request(event) for event in history.events(EventKind.REQUEST)],
        "accepted-request": list(_accepted(history, vehicle, episodes, actions)),
        "validation": [
            Item("validation", event.at, {"result": event.value}, evidence=frame_of(event))
            for event in history.events(EventKind.VALIDATION)
            if event.change
        ],
        "opening": [
            _begun(history, event, Item("opening", event.at, {"closure": event.subject}, (event.subject,)))
            for event in history.events(EventKind.AJAR)
            if event.value == "open"
        ],
        "ignition": [
            _begun(history, event, Item("ignition", event.at, {"state": event.value}))
            for event in history.events(EventKind.STATE)
            if event.subject == "ignition" and event.value != "unknown"
        ],
        "hand-release": [
            Item("hand-release", event.at, {"closure": _whose(event)}, end=event.end, evidence=frame_of(event))
            for event in history.events(EventKind.STATE)
            if event.subject == "hand-release" and event.value == "release"
        ],
    }
    return World(history, vehicle, episodes, streams)


def _begun(history: History, event: LockEvent, item: Item) -> Item:
    """A state that began; where it was there when first seen (again), it may have begun at any time unseen before."""
    item = replace(item, evidence=frame_of(event))
    if event.change:
        return item
    states = history.states(event.kind, event.subject)
    before = [state.at.lo for state in states[: states.index(event)]]
    unseen = Interval(before[-1] if before else min(history.span.lo, event.at.hi), event.at.hi)
    reason = Reason.GAP if history.gap_in(unseen) else Reason.UNKNOWN_BEFORE
    role = f"{event.kind}.{event.subject}" if event.kind == EventKind.AJAR else event.subject
    return replace(item, at=unseen, perhaps=((reason, role),))


def _whose(event: LockEvent) -> str:
    """The closure a handle or a release belongs to; `any` where the vehicle file does not say."""
    return str(event.detail("closure") or "any")


def _request(event: LockEvent) -> Item:
    facts: dict[str, Fact] = {
        "source": event.subject,
        "action": event.value,
        "side": side_of(event.subject),
        "closure": _whose(event),
    }
    return Item("request", event.at, facts, end=event.end, evidence=frame_of(event))


def _actions(history: History, vehicle: Vehicle, episodes: Sequence[Episode], visible: bool) -> Iterator[Item]:
    """Central actions: commands, or (with no command signal) closures that moved together or on a request."""
    last: Item | None = None
    for episode in episodes:
        if episode.action not in TARGET or not episode.group:
            continue
        commanded = episode.command.status == StageStatus.SEEN
        asked = episode.request.status == StageStatus.SEEN
        moved = [stage.at for stage in episode.feedback.values() if stage.at is not None]
        if not commanded and (visible or not (len(episode.group) > 1 or asked)):
            continue
        at = episode.command.at or min(moved, default=episode.at)
        item = _action(history, episode, at, commanded, last)
        item = item if item.fact("reported") == "yes" else _unreported(history, vehicle, item)
        yield item
        last = replace(item, previous=None)


def _action(history: History, episode: Episode, at: Interval, commanded: bool, last: Item | None) -> Item:
    left_open = {check.source: Reason(check.reason) for check in episode.sources if check.ruling == SourceRuling.OPEN}
    evidence = (*episode.command.evidence, *(ref for stage in episode.feedback.values() for ref in stage.evidence))
    bounced = any("bounced" in check.reason for check in episode.sources)
    facts: dict[str, Fact] = {
        "action": episode.action,
        "origin": episode.origin,
        "side": side_of(episode.origin),
        "target": TARGET[episode.action],
        "commanded": "yes" if commanded else "no",
        "reported": _reported(episode),
        "bounced": "yes" if bounced else "no",
        "others-ruled-out": "unknown" if left_open else "yes",
        "last-action": last.fact("action") if last else "unknown",
        "last-side": last.fact("side") if last else "unknown",
        "last-origin": last.fact("origin") if last else "unknown",
    }
    facts["opened"], unseen = _opened(history, last.at if last else None, at)
    doubts = tuple((reason, source) for source, reason in left_open.items())
    unsure = episode.origin in ("none", "unknown")
    open_facts = {"origin": doubts if unsure else (), "side": doubts if episode.origin == "unknown" else ()}
    open_facts |= {"others-ruled-out": doubts, "opened": unseen}
    if last is None:
        before = ((Reason.UNKNOWN_BEFORE, "command"),)
        open_facts |= {"last-action": before, "last-side": before, "last-origin": before}
    elif last.fact("side") == "unknown":
        open_facts |= {"last-side": last.open_facts.get("origin", ())}
    return Item(
        "action",
        at,
        facts,
        episode.group,
        episode=episode.id,
        evidence=evidence,
        previous=last,
        request_at=episode.request.at if episode.request.status == StageStatus.SEEN else None,
        open_facts=open_facts,
    )


def _opened(history: History, since: Interval | None, at: Interval) -> tuple[str, tuple[tuple[Reason, str], ...]]:
    """Whether anything was opened between two actions, and why that is not known."""
    if since is None:
        return "unknown", ((Reason.UNKNOWN_BEFORE, "command"),)
    straddles = False
    for event in history.near(EventKind.AJAR, since.lo, at.hi):
        if event.value != "open" or not event.change:
            continue
        if event.at.lo >= since.hi and event.at.hi <= at.lo:
            return "yes", ()
        straddles = True
    if straddles:
        return "unknown", ((Reason.STRADDLES, ""),)
    doubts = hidden(history, ("ajar",), Interval(since.lo, max(since.lo, at.hi)))
    return ("unknown", doubts) if doubts else ("no", ())


def _reported(episode: Episode) -> str:
    """Whether the car's own action report names the origin."""
    return "yes" if any("action report" in check.reason for check in episode.sources) else "no"


def _unreported(history: History, vehicle: Vehicle, item: Item) -> Item:
    """An action with no report, as far as its report could be seen: it may come a little before or after."""
    lag = vehicle.parameters.get("report_lag")
    if lag is None or history.coverage("action-report").status != RoleStatus.MAPPED:
        return item
    reason = history.hidden("action-report", item.at.widen(int(lag.value)))
    if reason is None:
        return item
    doubt = {"reported": ((reason, "action-report"),)}
    return replace(item, facts={**item.facts, "reported": "unknown"}, open_facts={**item.open_facts, **doubt})


def _commands(actions: Sequence[Item]) -> Iterator[Item]:
    """Commands alone, one for each closure they address, for rules about single latches."""
    for action in actions:
        if action.fact("commanded") == "yes":
            for closure in action.closures:
                facts = {**action.facts, "closure": closure}
                yield replace(action, what="command", facts=facts, closures=(closure,))


def _answers(history: History, action: Item) -> Iterator[Item]:
    """What a command expects of each closure it addresses, as far as its latch is on the network."""
    for closure in shown_latches(history, action.closures):
        frames = tuple(dict.fromkeys(action.evidence[:1]))
        facts = {**action.facts, "closure": closure}
        yield replace(action, what="answer", facts=facts, closures=(closure,), evidence=frames)


def _movements(history: History, episodes: Sequence[Episode], actions: Sequence[Item], visible: bool) -> Iterator[Item]:
    owner: dict[tuple[str, Interval], Episode] = {}
    ends = [action.at.hi for action in actions]
    for known in episodes:
        for closure, stage in known.feedback.items():
            if stage.at is not None and stage.status == StageStatus.SEEN:
                owner[closure, stage.at] = known
    for event in history.events(EventKind.LATCH):
        if not event.change or event.value not in _ACTION:
            continue
        episode = owner.get((event.subject, event.at))
        commanded = episode is not None and episode.command.status == StageStatus.SEEN
        together = not visible and episode is not None and len(episode.group) > 1
        requested = episode is not None and episode.request.status in (StageStatus.SEEN, StageStatus.NOT_VISIBLE)
        facts: dict[str, Fact] = {
            "closure": event.subject,
            "state": event.value,
            "action": _ACTION[event.value],
            "causes": _CAUSES[event.value],
            "origin": episode.origin if episode is not None else "unknown",
            "commanded": "yes" if commanded else "no",
            "together": "yes" if together else "no",
            "requested": "yes" if requested and not visible else "no",
            "reported": _reported(episode) if episode is not None else "no",
        }
        unsure = episode is not None and episode.origin in ("none", "unknown")
        checks = episode.sources if episode is not None and unsure else ()
        left = tuple((Reason(check.reason), check.source) for check in checks if check.ruling == SourceRuling.OPEN)
        yield Item(
            "movement",
            event.at,
            facts,
            (event.subject,),
            episode=episode.id if episode is not None else "",
            evidence=frame_of(event),
            previous=actions[before - 1] if (before := bisect_left(ends, event.at.lo)) else None,
            open_facts={"origin": left},
        )


def _accepted(
    history: History, vehicle: Vehicle, episodes: Sequence[Episode], actions: Sequence[Item]
) -> Iterator[Item]:
    """Requests that must be served: accepted by the decoder, or from a source that needs no key."""
    for episode in episodes:
        request, validation = episode.request, episode.validation
        if request.status != StageStatus.SEEN or request.at is None or episode.action not in TARGET:
            continue
        if validation.status == StageStatus.MISSING or episode.outcome == Outcome.REFUSED:
            continue
        pulled = request.value == "inside-handle" and episode.command.status != StageStatus.SEEN
        if validation.value == "refused" or (pulled and episode.group):
            continue  # a handle that moved its own latch asked for nothing else
        needless = validation.status == StageStatus.NOT_NEEDED
        at = validation.at if validation.value == "accepted" and validation.at else request.at
        last = next((action for action in reversed(actions) if action.at.hi < at.lo), None)
        accepted = "yes" if needless or validation.value == "accepted" else "unknown"
        hidden = history.hidden("validation", at) or Reason.NOT_VISIBLE
        facts: dict[str, Fact] = {
            "source": episode.origin if request.value == "" else request.value,
            "action": episode.action,
            "target": TARGET[episode.action],
            "accepted": accepted,
            "last-side": last.fact("side") if last else "unknown",
            "last-action": last.fact("action") if last else "unknown",
        }
        open_facts = {"accepted": ((hidden, "validation"),)} if accepted == "unknown" else {}
        if last is None:
            open_facts["last-side"] = open_facts["last-action"] = ((Reason.UNKNOWN_BEFORE, "command"),)
        yield Item(
            "accepted-request",
            at,
            facts,
            not_yet(history, vehicle, request.at, TARGET[episode.action]),
            end=_let_go(history, request, at),
            episode=episode.id,
            evidence=(*request.evidence, *validation.evidence),
            request_at=request.at,
            open_facts=open_facts,
        )


def _let_go(history: History, request: Stage, at: Interval) -> Interval | None:
    """When a request that lasts was let go, if that was after it was accepted."""
    if request.at is None:
        return None
    near = history.near(EventKind.REQUEST, request.at.lo, request.at.hi)
    ends = [event.end for event in near if (event.subject, event.at) == (request.value, request.at) and event.end]
    return max((end for end in ends if end.hi > at.hi), default=None)
