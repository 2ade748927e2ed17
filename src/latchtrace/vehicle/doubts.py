"""Says what in a capture speaks against a role's mapping: polarity, send type, values without a label."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.quantity import time_text
from latchtrace.model.vehicle import Role, SendType
from latchtrace.model.vehicle_report import ReadingReport, ValueSeen
from latchtrace.vehicle.directions import direction_doubts
from latchtrace.vehicle.kinds import KINDS, NONE, UNKNOWN

DRIVING = 10.0
"""Speed in km/h above which closures are shut and the ignition is on (common practice, no published source)."""

FASTEST = 350.0
"""Speed in km/h beyond which the scale of a speed signal is in doubt (common practice, no published source)."""

OFF_PERIOD = 0.2
"""Share by which a measured period may differ from the stated one before it is in doubt."""


def doubts(role: Role, readings: Sequence[ReadingReport], events: Sequence[LockEvent],
           timelines: Sequence[Timeline]) -> Iterator[str]:  # fmt: skip
    """Everything that speaks against the mapping of a role, in plain words."""
    for reading in readings:
        yield from _sending(reading)
        yield from _unlabelled(reading)
    kind = KINDS[role.kind]
    if kind.numeric:
        yield from _speed(readings)
    elif kind.event == EventKind.AJAR:
        yield from _ajar(readings, events, timelines)
    elif kind.event == EventKind.LATCH:
        yield from direction_doubts(kind.event, events, timelines)
    elif kind.idle:
        yield from _idle(readings)
        yield from direction_doubts(kind.event, events, timelines)
    elif role.kind == "ignition":
        yield from _ignition(events, timelines)


def notes(role: Role, readings: Sequence[ReadingReport], changes: int) -> Iterator[str]:
    """What else is worth knowing of a role."""
    silent = [reading.signal for reading in readings if not reading.frames]
    if silent:
        yield f"silent: no frame of {', '.join(silent)} in this capture"
    elif not changes and not KINDS[role.kind].numeric:
        yield "nothing happened in this capture, so it cannot tell whether the mapping is right"


def _sending(reading: ReadingReport) -> Iterator[str]:
    stated, found = reading.send_stated, reading.send_found
    cyclic = (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)
    if found and stated and (stated in cyclic) != (found in cyclic):
        yield f"{reading.signal}: stated as {stated}, but its frames look {found}"
    elif found == SendType.CYCLIC_AND_ON_CHANGE and stated == SendType.CYCLIC:
        yield f"{reading.signal}: stated as cyclic, but some frames come sooner than the period: also on change?"
    period, measured = reading.period_stated, reading.period_found
    if period and measured and stated in cyclic and abs(measured - period) > OFF_PERIOD * period:
        yield f"{reading.signal}: period stated as {time_text(period)}, measured as {time_text(measured)}"


def _unlabelled(reading: ReadingReport) -> Iterator[str]:
    if reading.unlabelled:
        values = ", ".join(f"{value.raw} ({value.times}×)" for value in reading.unlabelled[:8])
        yield f"{reading.signal}: values without a label: {values}"


def _speed(readings: Sequence[ReadingReport]) -> Iterator[str]:
    for reading in readings:
        if reading.highest is not None and reading.highest > FASTEST:
            reached = f"{reading.signal}: up to {reading.highest:.0f} km/h"
            yield f"{reached}: wrong unit or scale, or a value that means not available?"


def _ajar(
    readings: Sequence[ReadingReport], events: Sequence[LockEvent], timelines: Sequence[Timeline]
) -> Iterator[str]:
    moving = _values_while_driving(events, timelines)
    if moving and moving.count("open") > len(moving) / 2:
        yield "reads open most of the time while the car drives: polarity reversed?"
        return
    known = [value for reading in readings for value in reading.values if value.label in ("open", "shut")]
    if known and _share(known, "open") > 0.5:
        yield f"reads open for {_share(known, 'open'):.0%} of the capture: polarity reversed?"


def _idle(readings: Sequence[ReadingReport]) -> Iterator[str]:
    for reading in readings:
        known = [value for value in reading.values if value.label not in ("", UNKNOWN)]
        active = 1 - _share(known, NONE)
        if any(value.held for value in known) and reading.send_stated != SendType.EVENT and active > 0.5:
            yield f"{reading.signal}: active for {active:.0%} of the capture: idle value mistaken?"


def _ignition(events: Sequence[LockEvent], timelines: Sequence[Timeline]) -> Iterator[str]:
    moving = _values_while_driving(events, timelines)
    if moving and moving.count("off") > len(moving) / 2:
        yield "reads off most of the time while the car drives: polarity reversed?"


def _share(values: Sequence[ValueSeen], label: str) -> float:
    """The part of the known time a label held."""
    whole = sum(value.held for value in values)
    return sum(value.held for value in values if value.label == label) / whole if whole else 0.0


def _values_while_driving(events: Sequence[LockEvent], timelines: Sequence[Timeline]) -> list[str]:
    """The role's value, for each of its subjects, at each row of the speed that shows the car driving."""
    own = set(events)
    found: list[str] = []
    for timeline in timelines:
        speed = timeline.numeric.get("speed")
        if speed is None:
            continue
        driving = speed.t_hi[speed.value > DRIVING]
        by_subject: dict[str, list[LockEvent]] = {}
        for event in timeline.events:
            if event in own:
                by_subject.setdefault(event.subject, []).append(event)
        for known in by_subject.values():
            at = np.searchsorted(np.array([event.at.hi for event in known], np.int64), driving, side="right")
            found += [known[int(i) - 1].value for i in at if i > 0]
    return found
