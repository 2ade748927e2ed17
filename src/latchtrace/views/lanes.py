"""Lays an analysis out as a swimlane: who asked, what was decided, what each closure did, and the context."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from latchtrace.model.events import Coverage, EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalTrack, Validity
from latchtrace.model.results import AnalysisResult
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import REQUEST_SOURCES, RoleStatus, Vehicle
from latchtrace.views.relock import relock_lane
from latchtrace.views.swimlane import Band, Curve, FindingMark, Lane, LaneKind, SpanRows, Spans, Swimlane, Value
from latchtrace.views.terms import term
from latchtrace.views.wording import closure_title, rule_title, sentence, source_title, state_text

RESTING = frozenset({"locked", "deadlocked", "shut", "off", "unknown"})
"""Tones that count as rest where activity is too dense to draw."""

_CHAIN = (EventKind.RECEPTION, EventKind.VALIDATION)
_Key = tuple[EventKind, str]


def swimlane(result: AnalysisResult, segment: int | None = None) -> Swimlane:
    """The swimlane of an analysis, or of one segment of it (segments can overlap where a clock was set back).

    Lanes the vehicle does not have are absent; those it has are there even where the capture shows nothing on them.
    """
    timelines = [line for line in result.timelines if segment is None or line.segment == segment]
    events = _by_subject(timelines)
    lanes = [
        *_request_lanes(result, timelines, events),
        *_chain_lanes(result, timelines, events),
        *_closure_lanes(result.vehicle, timelines, events),
        *_context_lanes(result, timelines, events),
    ]
    return Swimlane(
        zero=result.capture.zero,
        span=_span(result, timelines),
        lanes=tuple(lanes),
        marks=_marks(result, timelines, segment),
        bands=_bands(result, timelines, lanes),
    )


def overlapping_segments(result: AnalysisResult) -> tuple[int, ...]:
    """The segments to show one at a time because their times overlap; nothing where all fit on one axis."""
    lines = sorted(result.timelines, key=lambda line: line.span.lo)
    overlap = any(after.span.lo <= before.span.hi for before, after in pairwise(lines))
    return tuple(sorted(line.segment for line in lines)) if overlap else ()


def _span(result: AnalysisResult, timelines: Sequence[Timeline]) -> Interval:
    if not timelines:
        return Interval(result.capture.zero, max(result.capture.last, result.capture.zero))
    return Interval(min(line.span.lo for line in timelines), max(line.span.hi for line in timelines))


def _by_subject(timelines: Iterable[Timeline]) -> dict[_Key, list[tuple[Timeline, LockEvent]]]:
    found: dict[_Key, list[tuple[Timeline, LockEvent]]] = {}
    for timeline in timelines:
        for event in timeline.events:
            found.setdefault((event.kind, event.subject), []).append((timeline, event))
    return found


_Events = Mapping[_Key, Sequence[tuple[Timeline, LockEvent]]]


def _request_lanes(result: AnalysisResult, timelines: Sequence[Timeline], events: _Events) -> Iterable[Lane]:
    mapped = [role.subject for role in result.vehicle.roles.values() if _shown(role.kind, role.status, "request")]
    heard = [subject for kind, subject in events if kind is EventKind.REQUEST]
    order = {source: i for i, source in enumerate(REQUEST_SOURCES)}
    for source in sorted(set(mapped) | set(heard), key=lambda name: (order.get(name, len(order)), name)):
        pairs = events.get((EventKind.REQUEST, source), ())
        role = f"request.{source}" if f"request.{source}" in result.vehicle.roles else source
        yield _event_lane(f"request.{source}", source_title(source), "asked", pairs, timelines, role)
    marks = [event for event in result.marks if any(line.span.overlaps(event.at) for line in timelines)]
    if marks:
        rows = SpanRows()
        for mark in marks:
            rows.add(mark.at, mark.at, Value(_action(mark.subject, mark.value), mark.subject))
        yield Lane("mark", LaneKind.EVENTS, term("lanes", "mark"), "asked", rows.values, rows.columns())


def _shown(kind: str, status: RoleStatus, wanted: str) -> bool:
    return kind == wanted and status is RoleStatus.MAPPED


def _chain_lanes(result: AnalysisResult, timelines: Sequence[Timeline], events: _Events) -> Iterable[Lane]:
    roles = result.vehicle.roles
    for kind in _CHAIN:
        pairs = events.get((kind, ""), ())
        if pairs or (kind in roles and roles[kind].status is RoleStatus.MAPPED):
            yield _event_lane(str(kind), term("lanes", kind), "decided", pairs, timelines, kind)
    mapped = [role.subject for role in roles.values() if _shown(role.kind, role.status, "command")]
    heard = [subject for kind, subject in events if kind is EventKind.COMMAND]
    groups = sorted(set(heard) or set(mapped))
    for group in groups:
        title = term("lanes", "command") + (f", {group.replace('-', ' ')}" if len(groups) > 1 and group else "")
        role = f"command.{group}" if f"command.{group}" in roles else "command"
        pairs = events.get((EventKind.COMMAND, group), ())
        yield _event_lane(f"command.{group}".rstrip("."), title, "decided", pairs, timelines, role)
    reports = [pair for (kind, _), pairs in events.items() if kind is EventKind.REPORT for pair in pairs]
    if reports or ("action-report" in roles and roles["action-report"].status is RoleStatus.MAPPED):
        yield _event_lane(
            "action-report", term("lanes", "action-report"), "decided", reports, timelines, "action-report"
        )


def _event_lane(
    key: str,
    title: str,
    group: str,
    pairs: Sequence[tuple[Timeline, LockEvent]],
    timelines: Sequence[Timeline],
    role: str,
) -> Lane:
    rows = SpanRows()
    for _, event in pairs:
        rows.add(event.at, event.end or event.at, Value(_event_text(event), event.value))
    return _lane(key, LaneKind.EVENTS, title, group, rows, timelines, role)


def _event_text(event: LockEvent) -> str:
    text = state_text(event.value)
    slot = event.detail("slot")
    if event.kind is EventKind.REPORT and event.subject:
        text += f", because of: {source_title(event.subject).lower()}"
    return text if slot is None else f"{text}, key {slot}"


def _action(action: str, note: str) -> str:
    return f"{state_text(action)}: {note}" if note else state_text(action)


def _closure_lanes(vehicle: Vehicle, timelines: Sequence[Timeline], events: _Events) -> Iterable[Lane]:
    for closure in vehicle.closures:
        title = sentence(closure_title(closure.name, vehicle))
        latch = events.get((EventKind.LATCH, closure.name), ())
        latched = bool(latch) or _mapped(vehicle, "latch", closure.name)
        if latched:
            role = _role(vehicle, "latch", closure.name)
            yield _state_lane(f"latch.{closure.name}", LaneKind.STATES, title, closure.name, latch, timelines, role)
        ajar = events.get((EventKind.AJAR, closure.name), ())
        if ajar or _mapped(vehicle, "ajar", closure.name):
            role = _role(vehicle, "ajar", closure.name)
            contact = term("roles", "ajar")
            lane = _state_lane(
                f"ajar.{closure.name}",
                LaneKind.CONTACT,
                f"{title}, {contact}",
                closure.name,
                ajar,
                timelines,
                role,
            )
            yield replace(lane, short=term("lanes", "ajar") if latched else f"{title} {term('lanes', 'ajar')}")


def _role(vehicle: Vehicle, kind: str, subject: str) -> str:
    own = f"{kind}.{subject}"
    return own if own in vehicle.roles else kind


def _mapped(vehicle: Vehicle, kind: str, subject: str) -> bool:
    """Whether a role of the closure's own, or one for the whole car, shows it."""
    own, whole = vehicle.roles.get(f"{kind}.{subject}"), vehicle.roles.get(kind)
    if own is not None:
        return own.status is RoleStatus.MAPPED
    if whole is None or whole.status is not RoleStatus.MAPPED:
        return False
    labels = (reading.labels.by_raw.values() for reading in whole.readings if reading.labels)
    return any(name in ("", subject) for pairs in labels for values in pairs for name, _ in values)


def _context_lanes(result: AnalysisResult, timelines: Sequence[Timeline], events: _Events) -> Iterable[Lane]:
    relock = relock_lane(result, timelines)
    if relock is not None:
        yield relock
    speed = _speed_lane(result.vehicle, timelines)
    if speed is not None:
        yield speed
    roles = result.vehicle.roles
    mapped = [name for name in ("ignition", "speed-lock-enabled") if _is_mapped(result.vehicle, name)]
    heard = [subject for kind, subject in events if kind is EventKind.STATE and subject not in mapped]
    for subject in (*mapped, *sorted(heard)):
        pairs = events.get((EventKind.STATE, subject), ())
        title = sentence(term("lanes", subject).replace("-", " "))
        role = subject if subject in roles else ""
        yield _state_lane(subject, LaneKind.STATES, title, "context", pairs, timelines, role)


def _is_mapped(vehicle: Vehicle, name: str) -> bool:
    return name in vehicle.roles and vehicle.roles[name].status is RoleStatus.MAPPED


def _state_lane(
    key: str,
    kind: LaneKind,
    title: str,
    group: str,
    pairs: Sequence[tuple[Timeline, LockEvent]],
    timelines: Sequence[Timeline],
    role: str,
) -> Lane:
    rows = SpanRows()
    for i, (timeline, event) in enumerate(pairs):
        follows = pairs[i + 1] if i + 1 < len(pairs) and pairs[i + 1][0] is timeline else None
        start = event.at if event.change else Interval.at(event.at.hi)
        end = follows[1].at if follows else _last(timeline, role, event)
        rows.add(start, end, Value(state_text(event.value), event.value), counted=event.change)
    return _lane(key, kind, title, group, rows, timelines, role)


def _lane(
    key: str, kind: LaneKind, title: str, group: str, rows: SpanRows, timelines: Sequence[Timeline], role: str
) -> Lane:
    return Lane(
        key=key,
        kind=kind,
        title=title,
        group=group,
        values=rows.values,
        spans=rows.columns(),
        rest=() if kind is LaneKind.EVENTS else rows.codes_of(RESTING),
        channel=_channel(timelines, role),
        note=_note(timelines, role),
    )


def _last(timeline: Timeline, role: str, event: LockEvent) -> Interval:
    seen = timeline.coverage[role].seen if role in timeline.coverage else None
    return Interval.at(max(event.at.hi, min(seen.hi, timeline.span.hi) if seen else timeline.span.hi))


def _speed_lane(vehicle: Vehicle, timelines: Sequence[Timeline]) -> Lane | None:
    tracks = [line.numeric["speed"] for line in timelines if "speed" in line.numeric]
    if not tracks and not _is_mapped(vehicle, "speed"):
        return None
    t = np.concatenate([np.append(track.t_hi, track.known_until) for track in tracks] or [np.empty(0, np.int64)])
    value = np.concatenate([_known(track) for track in tracks] or [np.empty(0)])
    order = np.argsort(t, kind="stable")
    known = value[np.isfinite(value)]
    threshold, tolerance = _number(vehicle, "speed_lock.threshold"), _number(vehicle, "speed_lock.tolerance")
    top = max(float(known.max()) if len(known) else 0.0, (threshold or 0.0) * 1.25, 10.0)
    curve = Curve(t[order], value[order], "km/h", top, threshold, tolerance)
    title = term("lanes", "speed")
    none: Spans = SpanRows().columns()
    channel, note = _channel(timelines, "speed"), _note(timelines, "speed")
    return Lane("speed", LaneKind.CURVE, title, "context", (), none, channel=channel, curve=curve, note=note)


def _known(track: SignalTrack) -> np.typing.NDArray[np.float64]:
    value = np.where(track.validity == Validity.KNOWN, track.value, np.nan)
    return np.append(value, np.nan)


def _number(vehicle: Vehicle, name: str) -> float | None:
    parameter = vehicle.parameters.get(name)
    return float(parameter.value) if parameter and parameter.unit == "km/h" else None


def _coverages(timelines: Iterable[Timeline], role: str) -> list[Coverage]:
    return [line.coverage[role] for line in timelines if role in line.coverage]


def _channel(timelines: Iterable[Timeline], role: str) -> str:
    names = {coverage.channel for coverage in _coverages(timelines, role)}
    return names.pop() if len(names) == 1 else ""


def _note(timelines: Iterable[Timeline], role: str) -> str:
    coverages = _coverages(timelines, role)
    silent = coverages and all(coverage.seen is None for coverage in coverages)
    return "silent in this capture" if silent else ""


def _marks(result: AnalysisResult, timelines: Sequence[Timeline], segment: int | None) -> tuple[FindingMark, ...]:
    segments = {episode.id: episode.segment for episode in result.episodes}
    spans = [line.span for line in timelines]
    return tuple(
        FindingMark(
            finding.id,
            str(finding.severity),
            finding.at,
            rule_title(finding.rule),
            finding.by_design,
            finding.conclusive,
        )
        for finding in result.findings
        if segments.get(finding.episode, segment) == segment or segment is None
        if any(span.overlaps(finding.at) for span in spans) or segment is None
    )


def _bands(result: AnalysisResult, timelines: Sequence[Timeline], lanes: Sequence[Lane]) -> tuple[Band, ...]:
    spans = [line.span for line in timelines]

    def inside(span: Interval) -> bool:
        return any(span.overlaps(whole) for whole in spans)

    bands = [Band("sleep", s.span, s.channel) for s in result.capture.sleeps if inside(s.span)]
    bands += [Band("gap", gap.span, gap.channel) for gap in result.capture.gaps if inside(gap.span)]
    for lane in lanes:
        role = _role(result.vehicle, *lane.key.split(".", 1)) if "." in lane.key else lane.key
        bands += [
            Band("blind", blind.span, lane=lane.key)
            for coverage in _coverages(timelines, role)
            for blind in coverage.blind
            if blind.reason != "gap"
        ]
    return tuple(sorted(bands, key=lambda band: (band.span, band.kind, band.channel, band.lane)))
