"""Lays lock events and episodes out as the streams that rules name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from operator import attrgetter
from typing import Any

import numpy as np

from latchtrace.model.coding import Codes, Fact, Flags
from latchtrace.model.events import EventKind, LockEvent, Reason
from latchtrace.model.eventtable import Rows, Times
from latchtrace.model.history import History
from latchtrace.model.results import Episode, SourceRuling, Stage, StageStatus
from latchtrace.model.time import NO_TIME, Interval
from latchtrace.model.vehicle import RoleStatus, Vehicle, side_of
from latchtrace.rules.blindness import hidden_in
from latchtrace.rules.columns import Columns
from latchtrace.rules.item import Doubt
from latchtrace.rules.key_codes import key_codes
from latchtrace.rules.world import TARGET, World, frame_of, not_yet

_ACTION = {"locked": "lock", "unlocked": "unlock", "deadlocked": "deadlock"}
_CAUSES = {"locked": ("lock", "deadlock"), "unlocked": ("unlock",), "deadlocked": ("deadlock", "lock")}
_UNSURE = ("none", "unknown")
_BEGUN = (EventKind.AJAR, EventKind.STATE)


def build_world(history: History, vehicle: Vehicle, episodes: Sequence[Episode]) -> World:
    """All streams of one segment."""
    return World(history, vehicle, episodes, LAYOUTS)


def _times(spans: Iterable[Interval]) -> tuple[Times, Times]:
    listed = list(spans)
    lo, hi = (np.fromiter(map(attrgetter(name), listed), np.int64, len(listed)) for name in ("lo", "hi"))
    return lo, hi


def _yes(flags: Flags, world: World) -> Codes:
    """Flags as the facts yes and no."""
    no, yes = world.coding.code("no"), world.coding.code("yes")
    return np.where(flags, yes, no).astype(np.int32)


# actions


def _actions(world: World) -> Columns:
    """Central actions: commands, or (with no command signal) closures that moved together or on a request."""
    visible = world.command_visible
    chosen: list[tuple[Interval, Episode]] = []
    for episode in world.episodes:
        if episode.action not in TARGET or not episode.group:
            continue
        commanded = episode.command.status == StageStatus.SEEN
        central = commanded or (not visible and (len(episode.group) > 1 or episode.request.status == StageStatus.SEEN))
        if central:
            moved = [stage.at for stage in episode.feedback.values() if stage.at is not None]
            chosen.append((episode.command.at or min(moved, default=episode.at), episode))
    chosen.sort(key=lambda pair: (pair[0].hi, pair[0].lo))
    lo, hi = _times(at for at, _ in chosen)
    episodes = [episode for _, episode in chosen]
    coding = world.coding
    action, origin = (
        coding.codes(map(attrgetter("action"), episodes)),
        coding.codes(map(attrgetter("origin"), episodes)),
    )
    named = np.array([episode.origin_by for episode in episodes], dtype="U10")
    left = np.array([bool(episode.cannot_rule_out) for episode in episodes], np.bool_)
    unsure = coding.holding(_UNSURE)[origin] if len(origin) else left
    facts = {
        "action": action,
        "origin": origin,
        "side": coding.translated(origin, lambda fact: side_of(str(fact))),
        "target": coding.translated(action, lambda fact: TARGET[str(fact)]),
        "closure": coding.codes(map(attrgetter("group"), episodes)),
        "commanded": _yes(np.array([e.command.status == StageStatus.SEEN for e in episodes], np.bool_), world),
        "reported": _yes(named == "report", world),
        "bounced": _yes(named == "bounce", world),
        "others-ruled-out": coding.translated(_yes(left, world), lambda fact: "unknown" if fact == "yes" else "yes"),
        "key": coding.codes(map(_key_of, episodes)),
    }
    unreported = _report_unseen(world, lo, hi) & (named != "report")
    facts["reported"] = np.where(unreported, coding.code("unknown"), facts["reported"]).astype(np.int32)
    unknown_origin = coding.holding(("unknown",))[origin] if len(origin) else left
    open_facts = {
        "origin": unsure & left,
        "side": unknown_origin & left,
        "others-ruled-out": left,
        "reported": unreported,
        "key": coding.holding(("unknown",))[facts["key"]] if len(origin) else left,
    }
    asked = [episode.request.status == StageStatus.SEEN and episode.request.at is not None for episode in episodes]
    request_lo = [
        episode.request.at.lo if seen and episode.request.at is not None else NO_TIME
        for episode, seen in zip(episodes, asked, strict=True)
    ]

    columns: Columns

    def more(row: int) -> Mapping[str, Any]:
        episode = episodes[row]
        doubts = _left_open(episode)
        made: dict[str, tuple[Doubt, ...]] = {}
        if open_facts["origin"][row]:
            made["origin"] = doubts
        if open_facts["side"][row]:
            made["side"] = doubts
        if left[row]:
            made["others-ruled-out"] = doubts
        if unreported[row]:
            made["reported"] = ((_report_doubt(world, Interval(int(lo[row]), int(hi[row]))), "action-report"),)
        if open_facts["key"][row]:
            made["key"] = ((Reason.NOT_VISIBLE, "validation"),)
        return {
            "closures": episode.group,
            "episode": episode.id,
            "evidence": (
                *episode.command.evidence,
                *(ref for stage in episode.feedback.values() for ref in stage.evidence),
            ),
            "before": lambda: columns.item(row - 1) if row else None,
            "request_at": episode.request.at if asked[row] else None,
            "open_facts": made,
        }

    columns = Columns(
        "action",
        coding,
        lo,
        hi,
        lo,
        hi,
        facts,
        more,
        sources=episodes,
        open=open_facts,
        previous=np.arange(len(lo), dtype=np.int64) - 1,
        request_lo=np.array(request_lo, np.int64),
    )
    columns.actions = columns
    return columns


def _left_open(episode: Episode) -> tuple[Doubt, ...]:
    return tuple((Reason(one.reason), one.source) for one in episode.sources if one.ruling == SourceRuling.OPEN)


def _key_of(episode: Episode) -> str:
    """The slot of the key that asked."""
    return str(episode.key_slot) if episode.key_slot is not None else "unknown"


def _report_lag(world: World) -> int | None:
    lag = world.vehicle.parameters.get("report_lag")
    mapped = world.history.coverage("action-report").status == RoleStatus.MAPPED
    return int(lag.value) if lag is not None and mapped else None


def _report_unseen(world: World, lo: Times, hi: Times) -> Flags:
    """Where the report of an action could not be seen; it may come a little before or after."""
    lag = _report_lag(world)
    if lag is None:
        return np.zeros(len(lo), np.bool_)
    return hidden_in(world.history, ("action-report",), lo - lag, hi + lag)


def _report_doubt(world: World, at: Interval) -> Reason:
    return world.history.hidden("action-report", at.widen(_report_lag(world) or 0)) or Reason.SILENT


def _last_actions(world: World, lo: Times) -> tuple[Columns, Rows]:
    """For each moment the row of the central action surely before it, -1 where there is none."""
    actions = world.stream("action")
    ends = np.maximum.accumulate(actions.hi) if len(actions) else actions.hi
    return actions, np.searchsorted(ends, lo) - 1


# movements


def _movements(world: World) -> Columns:
    """Each change of a latch, with the chain that claims it."""
    history, coding, episodes = world.history, world.coding, world.episodes
    visible = world.command_visible
    owner: dict[tuple[str, int, int], int] = {}
    for number, chain in enumerate(episodes):
        for closure, stage in chain.feedback.items():
            if stage.at is not None and stage.status == StageStatus.SEEN:
                owner[closure, stage.at.lo, stage.at.hi] = number
    known, all_of_them = history.columns(EventKind.LATCH), history.events(EventKind.LATCH)
    rows = np.flatnonzero(known.change & coding.holding(tuple(_ACTION))[known.value]) if all_of_them else known.lo
    events = [all_of_them[row] for row in rows.tolist()]
    lo, hi = known.lo[rows], known.hi[rows]
    keys = zip(map(attrgetter("subject"), events), lo.tolist(), hi.tolist(), strict=True)
    own = np.array([owner.get(key, -1) for key in keys], np.int64)

    def of_owner(values: Iterable[Fact], missing: Fact) -> Codes:
        return coding.codes([*values, missing])[own]

    def flag(values: Iterable[bool]) -> Flags:
        return np.array([*values, False], np.bool_)[own]

    state = known.value[rows]
    asked = (StageStatus.SEEN, StageStatus.NOT_VISIBLE)
    requested = flag(episode.request.status in asked for episode in episodes)
    origin = of_owner(map(attrgetter("origin"), episodes), "unknown")
    facts = {
        "closure": known.subject[rows],
        "state": state,
        "action": coding.translated(state, lambda fact: _ACTION[str(fact)]),
        "causes": coding.translated(state, lambda fact: _CAUSES[str(fact)]),
        "origin": origin,
        "commanded": _yes(flag(episode.command.status == StageStatus.SEEN for episode in episodes), world),
        "together": _yes(flag(not visible and len(episode.group) > 1 for episode in episodes), world),
        "requested": _yes(requested & np.bool_(not visible), world),
        "reported": _yes(flag(episode.origin_by == "report" for episode in episodes), world),
    }
    left = flag(episode.origin in _UNSURE and bool(_left_open(episode)) for episode in episodes)
    unsure = coding.holding(_UNSURE)[origin] & (own >= 0) & left if len(origin) else left
    actions, previous = _last_actions(world, lo)

    def more(row: int) -> Mapping[str, Any]:
        event, episode = events[row], episodes[own[row]] if own[row] >= 0 else None
        return {
            "closures": (event.subject,),
            "episode": episode.id if episode is not None else "",
            "evidence": frame_of(event),
            "before": lambda: actions.item(int(previous[row])) if previous[row] >= 0 else None,
            "open_facts": {"origin": _left_open(episode)} if episode is not None and unsure[row] else {},
        }

    return Columns(
        "movement",
        coding,
        lo,
        hi,
        lo,
        hi,
        facts,
        more,
        sources=events,
        open={"origin": unsure},
        previous=previous,
        actions=actions,
    )


# requests and keys


def _whose(event: LockEvent) -> str:
    """The closure a handle or a release belongs to; `any` where the vehicle file does not say."""
    return str(event.detail("closure") or "any")


def _key(event: LockEvent) -> str:
    slot = event.detail("slot")
    return "unknown" if slot is None else str(slot)


def _plain(
    world: World, what: str, events: Sequence[LockEvent], facts: Mapping[str, Codes], closures: bool = False
) -> Columns:
    """A stream of events as they came; a state that was there when first seen may have begun at any time unseen."""
    history, coding = world.history, world.coding
    lo, hi = _times(event.at for event in events)
    lasting = np.array([event.end is not None for event in events], np.bool_)
    end_lo, end_hi = _times(event.end or event.at for event in events)
    perhaps = np.array([not event.change and event.kind in _BEGUN for event in events], np.bool_)
    unseen: dict[int, tuple[Doubt, ...]] = {}
    for row in np.flatnonzero(perhaps).tolist():
        at, doubt = _began_unseen(history, events[row])
        lo[row], hi[row], end_lo[row], end_hi[row] = at.lo, at.hi, at.lo, at.hi
        unseen[row] = (doubt,)

    def more(row: int) -> Mapping[str, Any]:
        event = events[row]
        return {
            "closures": (event.subject,) if closures else (),
            "evidence": frame_of(event),
            "perhaps": unseen.get(row, ()),
        }

    return Columns(what, coding, lo, hi, end_lo, end_hi, facts, more, events, perhaps=perhaps, lasts=lasting)


def _began_unseen(history: History, event: LockEvent) -> tuple[Interval, Doubt]:
    """When a state that was there when first seen (again) may have begun, and why that is not known."""
    states = history.states(event.kind, event.subject)
    before = [state.at.lo for state in states[: states.index(event)]]
    unseen = Interval(before[-1] if before else min(history.span.lo, event.at.hi), event.at.hi)
    reason = Reason.GAP if history.gap_in(unseen) else Reason.UNKNOWN_BEFORE
    role = f"{event.kind}.{event.subject}" if event.kind == EventKind.AJAR else event.subject
    return unseen, (reason, role)


def _requests(world: World) -> Columns:
    events, coding = world.history.events(EventKind.REQUEST), world.coding
    source = coding.codes(map(attrgetter("subject"), events))
    facts = {
        "source": source,
        "action": coding.codes(map(attrgetter("value"), events)),
        "side": coding.translated(source, lambda fact: side_of(str(fact))),
        "closure": coding.codes(map(_whose, events)),
        "key": coding.codes(map(_key, events)),
    }
    return _plain(world, "request", events, facts)


def _validations(world: World) -> Columns:
    events = [event for event in world.history.events(EventKind.VALIDATION) if event.change]
    coding = world.coding
    facts = {"result": coding.codes(map(attrgetter("value"), events)), "key": coding.codes(map(_key, events))}
    return _plain(world, "validation", events, facts)


def _openings(world: World) -> Columns:
    events = [event for event in world.history.events(EventKind.AJAR) if event.value == "open"]
    return _plain(
        world, "opening", events, {"closure": world.coding.codes(map(attrgetter("subject"), events))}, closures=True
    )


def _ignition(world: World) -> Columns:
    events = [
        event
        for event in world.history.events(EventKind.STATE)
        if event.subject == "ignition" and event.value != "unknown"
    ]
    return _plain(world, "ignition", events, {"state": world.coding.codes(map(attrgetter("value"), events))})


def _hand_releases(world: World) -> Columns:
    events = [
        event
        for event in world.history.events(EventKind.STATE)
        if event.subject == "hand-release" and event.value == "release"
    ]
    return _plain(world, "hand-release", events, {"closure": world.coding.codes(map(_whose, events))})


def _asked(world: World) -> Columns:
    """Each chain that began with a request, at the moment its key was accepted, or where none is needed it asked."""
    history, coding = world.history, world.coding
    chosen: list[tuple[Interval, Interval, Episode]] = []
    for episode in world.episodes:
        request, validation = episode.request, episode.validation
        if request.status == StageStatus.SEEN and request.at is not None and episode.action in TARGET:
            accepted = validation.value == "accepted" and validation.at
            chosen.append((accepted or request.at, request.at, episode))
    chosen.sort(key=lambda one: (one[0].hi, one[0].lo))
    episodes = [episode for _, _, episode in chosen]
    lo, hi = _times(at for at, _, _ in chosen)
    lasting = {
        (event.subject, event.at.lo, event.at.hi): event.end
        for event in history.events(EventKind.REQUEST)
        if event.end is not None
    }
    ends = [_let_go(lasting, episode.request, at) for at, _, episode in chosen]
    end_lo, end_hi = _times(end or at for end, (at, _, _) in zip(ends, chosen, strict=True))
    keys = [_key_stage(episode) for episode in episodes]
    facts = {
        "source": coding.codes(episode.request.value or episode.origin for episode in episodes),
        "action": coding.codes(map(attrgetter("action"), episodes)),
        "target": coding.codes(TARGET[episode.action] for episode in episodes),
        "validation": coding.codes(keys),
        "commanded": _yes(np.array([e.command.status == StageStatus.SEEN for e in episodes], np.bool_), world),
        "moved": _yes(np.array([bool(e.group) for e in episodes], np.bool_), world),
        "key": coding.codes(map(_key_of, episodes)),
    }
    unsure = np.array([key == "unknown" for key in keys], np.bool_)
    actions, previous = _last_actions(world, lo)

    def more(row: int) -> Mapping[str, Any]:
        at, asked_at, episode = chosen[row]
        hidden = history.hidden("validation", at) or Reason.NOT_VISIBLE
        return {
            "closures": not_yet(history, world.vehicle, asked_at, TARGET[episode.action]),
            "episode": episode.id,
            "evidence": (*episode.request.evidence, *episode.validation.evidence),
            "before": lambda: actions.item(int(previous[row])) if previous[row] >= 0 else None,
            "request_at": asked_at,
            "open_facts": {"validation": ((hidden, "validation"),)} if unsure[row] else {},
        }

    return Columns(
        "asked",
        coding,
        lo,
        hi,
        end_lo,
        end_hi,
        facts,
        more,
        sources=episodes,
        open={"validation": unsure},
        lasts=np.array([end is not None for end in ends], np.bool_),
        previous=previous,
        actions=actions,
        request_lo=np.array([asked_at.lo for _, asked_at, _ in chosen], np.int64),
    )


def _key_stage(episode: Episode) -> str:
    """What became of the key: accepted, refused, not needed, missing, or unknown where nothing shows it."""
    validation = episode.validation
    if validation.status == StageStatus.SEEN:
        return validation.value
    return {StageStatus.NOT_NEEDED: "not-needed", StageStatus.MISSING: "missing"}.get(validation.status, "unknown")


def _let_go(lasting: Mapping[tuple[str, int, int], Interval], request: Stage, at: Interval) -> Interval | None:
    """When a request that lasts was let go, if that was after it was accepted."""
    if request.at is None:
        return None
    end = lasting.get((request.value, request.at.lo, request.at.hi))
    return end if end is not None and end.hi > at.hi else None


LAYOUTS: Mapping[str, Callable[[World], Columns]] = {
    "action": _actions,
    "movement": _movements,
    "request": _requests,
    "asked": _asked,
    "validation": _validations,
    "key-code": key_codes,
    "opening": _openings,
    "ignition": _ignition,
    "hand-release": _hand_releases,
}
"""One line a stream."""
