"""Traces the origin of a chain: every source that could have started it is ruled in, ruled out, or left open."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from latchtrace.episodes.chain import Anchor, limit
from latchtrace.model.events import EventKind, LockEvent, Reason
from latchtrace.model.history import History
from latchtrace.model.results import EvidenceRef, NoneIn, Seen, SourceCheck, SourceRuling
from latchtrace.model.time import SECOND, Interval, Truth, within
from latchtrace.model.vehicle import (
    MECHANICAL_SOURCES,
    REQUEST_SOURCES,
    TIMED_SOURCES,
    RoleStatus,
    Vehicle,
    side_of,
)

BOUNCE = 3 * SECOND // 2
"""Lock and at once unlock again, with a closure open (1.5 s, common practice)."""

_OPENED = "its delay after the unlock, although a closure was opened"

IN, OUT, OPEN = SourceRuling.IN, SourceRuling.OUT, SourceRuling.OPEN


@dataclass(frozen=True, slots=True)
class Past:
    """The central action before: what it was, where it came from, when."""

    action: str
    origin: str
    at: Interval


@dataclass(frozen=True, slots=True)
class Origin:
    """What a chain is traced to, with every source's ruling and the request that started it.

    `by` says what names it: the car's `report`, a `request`, a designed `bounce`, a source's own `definition`, or
    nothing.
    """

    name: str
    checks: tuple[SourceCheck, ...]
    request: LockEvent | None = None
    report: LockEvent | None = None
    by: str = ""

    @property
    def left_open(self) -> tuple[str, ...]:
        """Sources that could not be ruled out."""
        return tuple(check.source for check in self.checks if check.ruling == OPEN)


def request_names(vehicle: Vehicle) -> tuple[str, ...]:
    """Every source that may show as a request on this vehicle, hand release included."""
    others = (role.subject for role in vehicle.roles.values() if role.kind == "request")
    return tuple(dict.fromkeys((*REQUEST_SOURCES, *others)))


def seen(event: LockEvent) -> tuple[EvidenceRef, ...]:
    """The frame that shows an event."""
    return (Seen(event.row, event.signal, event.value),) if event.row >= 0 else ()


def requests_before(history: History, action: str, at: Interval, window: int, by_hand: bool = False) -> list[LockEvent]:
    """Requests of an action that may lie in the window before `at`, which runs from their start to their end.

    Inside one cycle of its message the order of request and command cannot be seen; it is taken as causal. A
    movement with no command (`by_hand`) is also explained by an inside handle that releases the latch.
    """
    found = []
    for event in history.lasting(EventKind.REQUEST, at.lo - window, at.hi):
        pulled = by_hand and action == "unlock" and (event.subject, event.value) == ("inside-handle", "release")
        if event.value == action or pulled:
            found.append(event)
    return found


def concerns(event: LockEvent, closures: Collection[str]) -> bool:
    """Whether a handle or a release is one of these closures, or the vehicle file does not say whose it is."""
    closure = event.detail("closure")
    return closure is None or closure in closures


def _surely(event: LockEvent, at: Interval, window: int) -> bool:
    """Whether `at` surely lies in the window after an event, whatever the true moment of its end was."""
    return (event.end or event.at).lo + window >= at.hi


def report_near(history: History, action: str, at: Interval, lag: int) -> LockEvent | None:
    """The action report of this action within the lag before or after; the nearest where there are several."""
    near = [event for event in history.near(EventKind.REPORT, at.lo - lag, at.hi + lag) if event.value in (action, "")]
    return min(near, key=lambda event: abs(event.at.hi - at.hi), default=None)


def trace(history: History, vehicle: Vehicle, anchor: Anchor, past: Past | None) -> Origin:
    """Rule every source in or out; the action report outranks requests, requests outrank timers."""
    report = report_near(history, anchor.action, anchor.at, limit(vehicle, "report_lag"))
    window, by_hand = limit(vehicle, "request_window"), anchor.command is None
    asked = [
        event
        for event in requests_before(history, anchor.action, anchor.at, window, by_hand)
        if event.subject != "inside-handle" or concerns(event, anchor.closures)
    ]
    unsure = {
        event.subject
        for event in asked
        if by_hand and event.subject in MECHANICAL_SOURCES and not _surely(event, anchor.at, window)
    }
    requests = [event for event in asked if event.subject not in unsure]
    checks = [
        SourceCheck(check.source, OPEN, Reason.STRADDLES) if check.source in unsure else check
        for check in _request_checks(history, vehicle, anchor, requests)
    ]
    checks += _hand_release(history, vehicle, anchor)
    started = max(requests, key=lambda event: (event.at.lo, event.at.hi), default=None)
    timed = {} if started else dict(_timed_checks(history, vehicle, anchor, past))
    checks += [timed[source] for source in TIMED_SOURCES if source in timed]
    if report is not None and report.subject:
        reported = SourceCheck(report.subject, IN, "the car's own action report names it", seen(report))
        checks = [reported, *(check for check in checks if check.source != report.subject)]
        matching = [event for event in requests if event.subject == report.subject]
        return Origin(report.subject, tuple(checks), matching[-1] if matching else None, report, "report")
    bounced = None if started else _designed_bounce(history, anchor, past)
    if bounced is not None:
        others = (check for check in checks if check.source != bounced.source)
        return Origin(bounced.source, (bounced, *others), None, report, "bounce")
    ruled_in = next((check.source for check in checks if check.ruling == IN), None)
    if started is not None:
        name, by = started.subject, "request"
    elif ruled_in is not None:
        name, by = ruled_in, "definition"
    else:
        undecided = any(check.ruling == OPEN and check.reason != Reason.NOT_VISIBLE for check in checks)
        name, by = "unknown" if undecided else "none", ""
    return Origin(name, tuple(checks), started, report, by)


def _request_checks(
    history: History, vehicle: Vehicle, anchor: Anchor, requests: list[LockEvent]
) -> Iterator[SourceCheck]:
    window = Interval(anchor.at.lo - limit(vehicle, "request_window"), anchor.at.hi)
    for source in request_names(vehicle):
        role = f"request.{source}"
        known = history.coverage(role)
        matching = [event for event in requests if event.subject == source]
        if matching:
            yield SourceCheck(source, IN, "asked for it", tuple(ref for event in matching for ref in seen(event)))
        elif known.status == RoleStatus.NOT_FITTED:
            yield SourceCheck(source, OUT, "not fitted")
        elif (reason := history.hidden(role, window)) is not None:
            yield SourceCheck(source, OPEN, reason)
        else:
            last = history.last_request(source, anchor.at.lo)
            after = (last.end or last.at).hi if last is not None else history.span.lo
            until = max(after, anchor.at.hi)
            absent: tuple[EvidenceRef, ...] = ()
            if known.can_id is not None:
                what = f"{anchor.action} request by {source}"
                absent = (NoneIn(known.channel, known.can_id, known.extended, Interval(after, until), what),)
            yield SourceCheck(source, OUT, "asked for nothing", absent)


def _hand_release(history: History, vehicle: Vehicle, anchor: Anchor) -> list[SourceCheck]:
    """A hand release moves latches without a command; it matters to movements alone."""
    if anchor.command is not None or anchor.central:
        return []
    window = limit(vehicle, "request_window")
    known = history.coverage("hand-release")
    if known.status == RoleStatus.NOT_FITTED:
        return [SourceCheck("hand-release", OUT, "not fitted")]
    used = [
        event
        for event in history.lasting(EventKind.STATE, anchor.at.lo - window, anchor.at.hi)
        if (event.subject, event.value) == ("hand-release", "release") and concerns(event, anchor.closures)
    ]
    if used and _surely(used[-1], anchor.at, window):
        return [SourceCheck("hand-release", IN, "was used", seen(used[-1]))]
    if used:
        return [SourceCheck("hand-release", OPEN, Reason.STRADDLES, seen(used[-1]))]
    reason = history.hidden("hand-release", Interval(anchor.at.lo - window, anchor.at.hi))
    return [SourceCheck("hand-release", OPEN, reason) if reason else SourceCheck("hand-release", OUT, "was not used")]


def _timed_checks(
    history: History, vehicle: Vehicle, anchor: Anchor, past: Past | None
) -> Iterator[tuple[str, SourceCheck]]:
    if anchor.action not in ("lock", "deadlock") or not anchor.central:
        return
    yield "relock-timer", _relock(history, vehicle, anchor, past)
    yield "speed", _speed(history, vehicle, anchor)


def _relock(history: History, vehicle: Vehicle, anchor: Anchor, past: Past | None) -> SourceCheck:
    """The relock timer owns a lock after an unlock from outside that nobody used, even at a wrong time."""
    delay, tolerance = limit(vehicle, "relock.delay"), limit(vehicle, "relock.tolerance")
    if vehicle.functions.get("auto-relock") is False:
        result, reason = OUT, "not fitted"
    elif past is None and history.possible(EventKind.STATE, "ignition", anchor.at) == {"on"}:
        result, reason = OUT, "the ignition is on"
    elif past is None:
        too_long = delay and anchor.at.lo - history.span.lo > 2 * delay + tolerance
        result, reason = (OUT, "no unlock before") if too_long else (OPEN, str(Reason.UNKNOWN_BEFORE))
    elif past.action != "unlock":
        result, reason = OUT, "the car was not unlocked before"
    elif side_of(past.origin) not in ("outside", "none", "unknown"):
        result, reason = OUT, f"unlocked by {past.origin}, which starts no relock timer"
    else:
        result, reason = _relock_time(history, vehicle, anchor, past)
    fitted = vehicle.functions.get("auto-relock") is not False
    if result is OUT and fitted and _unlock_unseen(history, past, anchor, 2 * delay + tolerance):
        result, reason = OPEN, Reason.GAP
    return SourceCheck("relock-timer", result, reason)


def _unlock_unseen(history: History, past: Past | None, anchor: Anchor, reach: int) -> bool:
    """Whether a gap since the last action known could hide an unlock that started the timer."""
    start = max(past.at.hi if past is not None else history.span.lo, anchor.at.lo - reach)
    return reach > 0 and start < anchor.at.lo and history.gap_in(Interval(start, anchor.at.lo))


def _relock_time(history: History, vehicle: Vehicle, anchor: Anchor, past: Past) -> tuple[SourceRuling, str]:
    """Whether the time since the unlock, and what was opened meanwhile, fit the timer."""
    switched_on = _switched_on(history, past.at, anchor.at)
    if switched_on == Truth.YES:
        return OUT, "the ignition was switched on"
    if switched_on == Truth.UNKNOWN:
        return OPEN, Reason.GAP
    delay, tolerance = limit(vehicle, "relock.delay"), limit(vehicle, "relock.tolerance")
    elapsed = anchor.at.since(_timer_start(history, vehicle, past, anchor))
    on_time = within(elapsed, delay - tolerance, delay + tolerance) if delay else Truth.UNKNOWN
    opened = opened_between(history, past.at, anchor.at)
    if opened == Truth.YES:
        if not delay:
            return OPEN, Reason.LIMIT_NOT_STATED
        why = "its delay after the last opening" if _restarts(vehicle) else _OPENED
        if on_time == Truth.NO and _restarts(vehicle):
            if delay + tolerance < elapsed.lo <= 2 * delay + tolerance:
                return IN, "late after the last opening"
            on_time, why = within(anchor.at.since(past.at), delay - tolerance, delay + tolerance), _OPENED
        if on_time == Truth.NO:
            return OUT, "a closure was opened"
        return (IN, why) if on_time == Truth.YES else (OPEN, Reason.STRADDLES)
    if not delay:
        fitted = vehicle.functions.get("auto-relock")
        return (
            (IN, "after an unlock that nobody used (delay not stated)") if fitted else (OPEN, Reason.LIMIT_NOT_STATED)
        )
    if elapsed.lo > 2 * delay + tolerance:
        return OUT, "twice its delay was over"
    if opened == Truth.UNKNOWN and on_time != Truth.YES:
        return OPEN, Reason.GAP
    return IN, "after an unlock that nobody used"


def _switched_on(history: History, start: Interval, end: Interval) -> Truth:
    """Whether the ignition came on between two things; on when first seen again, it may have."""
    possibly = False
    for event in history.near(EventKind.STATE, start.hi, end.lo):
        if event.subject != "ignition" or event.value != "on" or event.at.hi > end.lo:
            continue
        if event.change and event.at.lo >= start.hi:
            return Truth.YES
        possibly = possibly or (not event.change and event.at.hi > start.hi)
    return Truth.UNKNOWN if possibly else Truth.NO


def _restarts(vehicle: Vehicle) -> bool:
    """Whether opening a closure starts the relock timer anew instead of stopping it."""
    policy = vehicle.parameters.get("relock.policy")
    return policy is not None and policy.value == "restart"


def _timer_start(history: History, vehicle: Vehicle, past: Past, anchor: Anchor) -> Interval:
    """When the timer last started: at the unlock, or at the last opening where the vehicle's policy says so."""
    if not _restarts(vehicle):
        return past.at
    openings = [
        event.at
        for event in history.near(EventKind.AJAR, past.at.lo, anchor.at.hi)
        if event.value == "open" and event.change and event.at.lo > past.at.lo
    ]
    return openings[-1] if openings else past.at


def opened_between(history: History, start: Interval, end: Interval) -> Truth:
    """Whether any closure was opened after something at `start` and before something at `end`."""
    surely = possibly = False
    for event in history.near(EventKind.AJAR, start.lo, end.hi):
        if event.value != "open":
            continue
        surely |= event.change and event.at.lo >= start.hi and event.at.hi <= end.lo
        possibly = True
    if surely:
        return Truth.YES
    span = Interval(start.lo, max(start.lo, end.hi))
    hidden = any(
        known.status == RoleStatus.MAPPED and history.hidden(known.role, span) for known in history.roles("ajar")
    )
    return Truth.UNKNOWN if possibly or hidden else Truth.NO


def _speed(history: History, vehicle: Vehicle, anchor: Anchor) -> SourceCheck:
    """The speed lock owns a lock at or above its speed, and one while the car speeds up below it."""

    def ruling(result: SourceRuling, reason: str) -> SourceCheck:
        return SourceCheck("speed", result, reason)

    if vehicle.functions.get("speed-lock") is False or history.coverage("speed").status == RoleStatus.NOT_FITTED:
        return ruling(OUT, "not fitted")
    now = history.number("speed", anchor.at)
    if now is None:
        reason = history.hidden("speed", anchor.at) or Reason.UNKNOWN_BEFORE
        return ruling(OPEN, reason)
    if now[1] <= 0:
        return ruling(OUT, "the car stood still")
    threshold = vehicle.parameters.get("speed_lock.threshold")
    tolerance = vehicle.parameters.get("speed_lock.tolerance")
    if threshold is None:
        return ruling(OPEN, Reason.LIMIT_NOT_STATED)
    reached = float(threshold.value) - (float(tolerance.value) if tolerance else 0.0)
    if now[1] >= reached:
        return ruling(IN, f"at {now[1]:.1f} km/h")
    before = history.number("speed", Interval.at(max(anchor.at.lo - SECOND, history.span.lo)))
    ignition = history.possible(EventKind.STATE, "ignition", anchor.at)
    if before is not None and now[1] > before[0] and ignition <= {"on", "unknown"}:
        return ruling(IN, f"while speeding up, at {now[1]:.1f} km/h")
    return ruling(OUT, f"{now[1]:.1f} km/h and not speeding up")


def _designed_bounce(history: History, anchor: Anchor, past: Past | None) -> SourceCheck | None:
    """Locked by the interior switch with a closure open, and at once unlocked again: meant that way."""
    if anchor.action != "unlock" or past is None or past.action != "lock" or past.origin != "interior-switch":
        return None
    if anchor.at.since(past.at).lo > BOUNCE:
        return None
    for known in history.roles("ajar"):
        subject = known.role.partition(".")[2]
        for closure in [subject] if subject else history.subjects(EventKind.AJAR):
            if "open" in history.possible(EventKind.AJAR, closure, past.at):
                return SourceCheck("interior-switch", IN, f"bounced, as meant with the {closure} open")
    return None
