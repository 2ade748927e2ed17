"""Turns the lines of an example into the timeline a capture of it would give."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from latchtrace.model.events import Blind, Coverage, EventKind, LockEvent, Reason, Timeline
from latchtrace.model.network import Onset, SignalRef, SignalTrack, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.example_car import Car, role_names
from latchtrace.rules.example_lines import AJAR, CLOSURES, STATES, Happening, Lines

GOES_ON = 120 * SECOND
"""How long the recording goes on after the last line, where no line says when it ends."""

_AT_REST: Mapping[str, str] = {"latch": "locked", "ajar": "shut", "ignition": "off", "speed-lock-enabled": "on"}
"""How the little car stands at the beginning, where no line at time 0 says otherwise; it stands still."""

_KINDS: Mapping[str, EventKind] = {
    "latch": EventKind.LATCH,
    "ajar": EventKind.AJAR,
    "request": EventKind.REQUEST,
    "reception": EventKind.RECEPTION,
    "validation": EventKind.VALIDATION,
    "command": EventKind.COMMAND,
    "action-report": EventKind.REPORT,
    "hand-release": EventKind.STATE,
    "ignition": EventKind.STATE,
    "speed-lock-enabled": EventKind.STATE,
}


def example_timeline(lines: Lines, car: Car) -> Timeline:
    """The timeline of an example; the number of a line stands for the frame that shows it."""
    span = Interval(0, _end(lines))
    mapped = [name for name in all_roles(lines) if car.status(name) == "mapped"]
    events = [*_happenings(lines, span), *_states(lines, mapped)]
    return Timeline(
        segment=0,
        span=span,
        events=tuple(sorted(events, key=lambda event: (event.at.hi, event.at.lo, event.row))),
        numeric={"speed": _speed(lines, span)} if "speed" in mapped else {},
        coverage={name: _coverage(name, car, lines, span) for name in all_roles(lines)},
        gaps=lines.gaps,
    )


def all_roles(lines: Lines) -> tuple[str, ...]:
    """The roles of the little car, and the sources of other names its lines speak of."""
    others = (f"request.{one.subject}" for one in lines.happenings if one.what == "request")
    return tuple(dict.fromkeys((*role_names(), *others)))


def role_of(happening: Happening) -> str:
    """The role that shows what a line tells."""
    if happening.what in ("latch", "ajar", "request"):
        return f"{happening.what}.{happening.subject}"
    return happening.what


def _end(lines: Lines) -> int:
    if lines.end is not None:
        return lines.end
    times = [(one.end or one.at).hi for one in lines.happenings]
    times += [span.hi for span in (*lines.gaps, *(loss.span for loss in lines.losses))]
    return max(times, default=0) + GOES_ON


def _coverage(name: str, car: Car, lines: Lines, span: Interval) -> Coverage:
    status = car.status(name)
    if status != "mapped":
        return Coverage(name, RoleStatus.MAPPED if status == "silent" else RoleStatus(status))
    blind = [Blind(gap, Reason.GAP) for gap in lines.gaps]
    blind += [Blind(loss.span, Reason.LOSS) for loss in lines.losses if loss.role in (name, name.partition(".")[0])]
    return Coverage(name, RoleStatus.MAPPED, span, tuple(sorted(blind, key=lambda one: one.span)))


def _unseen(at: Interval, gaps: Sequence[Interval]) -> bool:
    return any(gap.lo < at.lo and at.hi < gap.hi for gap in gaps)


def _happenings(lines: Lines, span: Interval) -> Iterator[LockEvent]:
    """What happens at a moment; what happens inside a gap is not seen."""
    for one in lines.happenings:
        if one.what in STATES or one.what == "speed" or _unseen(one.at, lines.gaps):
            continue
        end = one.end
        if end is not None and end.hi > span.hi:
            end = Interval(min(end.lo, span.hi), span.hi)
        whose = (("closure", one.closure),) if one.closure else ()
        yield LockEvent(
            _KINDS[one.what],
            one.subject,
            one.value,
            one.at,
            one.line,
            end=end,
            signal=one.what,
            details=(*whose, *one.details),
        )


def _states(lines: Lines, mapped: Sequence[str]) -> Iterator[LockEvent]:
    """Every lasting state: how it is at the beginning, each change, and what a gap makes of it."""
    subjects = [*(("latch", closure) for closure in CLOSURES), *(("ajar", closure) for closure in AJAR)]
    subjects += [("ignition", "ignition"), ("speed-lock-enabled", "speed-lock-enabled")]
    for kind, subject in subjects:
        role = f"{kind}.{subject}" if kind in ("latch", "ajar") else kind
        if role in mapped:
            told = [one for one in lines.happenings if (one.what, one.subject) == (kind, subject)]
            yield from _state(kind, subject, sorted(told, key=lambda one: one.at.hi), lines.gaps)


def _state(kind: str, subject: str, told: Sequence[Happening], gaps: Sequence[Interval]) -> Iterator[LockEvent]:
    def event(value: str, at: Interval, row: int, change: bool) -> LockEvent:
        return LockEvent(_KINDS[kind], subject, value, at, row, change, signal=kind)

    first = [one for one in told if one.at.hi == 0]
    value = first[-1].value if first else _AT_REST[kind]
    if value != "unknown":
        yield event(value, Interval.at(0), first[-1].line if first else 0, False)
    changes: list[Happening | Interval] = [*(one for one in told if one.at.hi > 0), *gaps]
    for one in sorted(changes, key=lambda one: one.hi if isinstance(one, Interval) else one.at.hi):
        if isinstance(one, Interval):
            yield event("unknown", Interval.at(one.lo), -1, False)
            if value != "unknown":
                yield event(value, Interval.at(one.hi), 0, False)
            continue
        if one.value != value and not _unseen(one.at, gaps):
            yield event(one.value, one.at, one.line, "unknown" not in (one.value, value))
        value = one.value


def _speed(lines: Lines, span: Interval) -> SignalTrack:
    told = sorted((one for one in lines.happenings if one.what == "speed"), key=lambda one: one.at.hi)
    rows: list[tuple[Interval, float, Validity, Onset, int]] = []
    start = [one for one in told if one.at.hi == 0]
    value, known = (start[-1].number, start[-1].value == "known") if start else (0.0, True)
    rows.append((Interval.at(0), value, _validity(known), Onset.FIRST_SEEN, start[-1].line if start else 0))
    changes: list[Happening | Interval] = [*(one for one in told if one.at.hi > 0), *lines.gaps]
    for one in sorted(changes, key=lambda one: one.hi if isinstance(one, Interval) else one.at.hi):
        if isinstance(one, Interval):
            rows.append((Interval.at(one.lo), value, Validity.LOST, Onset.CHANGED, -1))
            rows.append((Interval.at(one.hi), value, _validity(known), Onset.FIRST_SEEN, 0))
            continue
        value, known = one.number, one.value == "known"
        if not _unseen(one.at, lines.gaps):
            rows.append((one.at, value, _validity(known), Onset.CHANGED, one.line))
    values = np.array([row[1] for row in rows], dtype=np.float64)
    return SignalTrack(
        ref=SignalRef("Example", "Speed"),
        key=MessageKey(None, 1, False),
        t_lo=np.array([row[0].lo for row in rows], dtype=np.int64),
        t_hi=np.array([row[0].hi for row in rows], dtype=np.int64),
        raw=values,
        value=values,
        validity=np.array([row[2] for row in rows], dtype=np.uint8),
        onset=np.array([row[3] for row in rows], dtype=np.uint8),
        row=np.array([row[4] for row in rows], dtype=np.int64),
        known_until=span.hi,
    )


def _validity(known: bool) -> Validity:
    return Validity.KNOWN if known else Validity.ABSENT
