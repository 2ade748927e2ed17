"""Measures what a capture shows of one reading: frames, values and how long they held, how the message was sent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from latchtrace.model.frames import CaptureReport, IdStatistics
from latchtrace.model.network import Onset, SignalTrack, Tracks, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.vehicle import MessageUse, Reading, SendType, Vehicle
from latchtrace.model.vehicle_report import ReadingReport, ValueSeen
from latchtrace.vehicle.columns import Oddities, Reader
from latchtrace.vehicle.values import Pairs
from latchtrace.vehicle.words import listed

OFF_CYCLE = 0.5
"""Frames closer than this share of the period cannot all be cyclic ones (common practice, no published source)."""

LEAST_CHANGES = 3
"""Fewer changes than this do not make two ids look like copies of each other."""

MOSTLY_CHANGES = 0.5
"""Frames without a period of which this share brings a change look sent on change, not as repeats of events."""

MOST_VALUES = 64


@dataclass(frozen=True, slots=True)
class Wire:
    """The statistics of the id a reading's message came on."""

    one: IdStatistics | None
    others: tuple[IdStatistics, ...]


def wire_of(capture: CaptureReport, key: MessageKey) -> Wire:
    """The statistics of an id; of a key without channel those of the channel with the most frames."""
    same = [one for one in capture.ids if (one.can_id, one.extended) == (key.can_id, key.extended)]
    mine = [one for one in same if key.channel in (None, "", one.channel)]
    one = max(mine, key=lambda known: (known.frames, known.channel), default=None)
    return Wire(one, tuple(other for other in capture.ids if other is not one))


def reading_report(
    vehicle: Vehicle, role: str, reading: Reading, tracks: Sequence[Tracks], capture: CaptureReport
) -> ReadingReport:
    """All figures of one reading over all segments."""
    use = vehicle.messages.get(reading.signal.message)
    found = [track for one in tracks if (track := one.tracks.get(reading.signal)) is not None]
    report = ReadingReport(
        signal=str(reading.signal),
        channel=(use.channel if use else None) or "",
        can_id=None,
        extended=False,
        frames=0,
        changes=0,
        send_stated=str(use.send) if use else "",
        period_stated=use.period if use else None,
    )
    if not found:
        return report
    wire = wire_of(capture, found[0].key)
    seen = sum(one.frames.get(found[0].key, 0) for one in tracks)
    values = _values(role, reading, tracks, by_frame=use is not None and use.send == SendType.EVENT)
    lowest, highest = _range(reading, found)
    return replace(
        report,
        channel=wire.one.channel if wire.one else found[0].key.channel or report.channel,
        can_id=found[0].key.can_id,
        extended=found[0].key.extended,
        frames=wire.one.frames if wire.one else seen,
        changes=sum(_changes(track, use) for track in found),
        values=values,
        lowest=lowest,
        highest=highest,
        send_found=send_found(wire.one),
        period_found=wire.one.period if wire.one else None,
        mirrors=mirrors(wire),
    )


def _changes(track: SignalTrack, use: MessageUse | None) -> int:
    known = track.validity == Validity.KNOWN
    if use is not None and use.send == SendType.EVENT:
        return int(np.count_nonzero(known))
    return int(np.count_nonzero(known & (track.onset == Onset.CHANGED)))


def _values(role: str, reading: Reading, tracks: Sequence[Tracks], *, by_frame: bool) -> tuple[ValueSeen, ...]:
    """Each raw value in which the reading's conditions hold, with its label; none for counters and numbers.

    `by_frame` counts frames, where each is an event of its own and no value lasts.
    """
    if reading.labels is None or reading.numeric:
        return ()
    times: dict[int, int] = {}
    held: dict[int, int] = {}
    for one in tracks:
        track = one.tracks.get(reading.signal)
        if track is None or not len(track):
            continue
        counts = (track.validity == Validity.KNOWN) & Reader(role, reading, one, Oddities()).holds(track.row)
        ends = np.append(track.t_hi[1:], max(track.known_until, int(track.t_hi[-1])))
        lengths = ends - track.t_hi
        fresh = np.ones(len(track), np.bool_)
        lengths = np.zeros_like(lengths) if by_frame else lengths
        fresh[1:] = by_frame | (track.raw[1:] != track.raw[:-1]) | ~counts[:-1] | (track.onset[1:] == Onset.FIRST_SEEN)
        raws, at = np.unique(track.raw[counts], return_inverse=True)
        began = np.bincount(at, weights=fresh[counts], minlength=len(raws))
        long = [int(lengths[counts][at == i].sum()) for i in range(min(len(raws), MOST_VALUES))]
        for raw, count, length in zip(raws.tolist(), began.tolist(), long, strict=False):
            times[int(raw)] = times.get(int(raw), 0) + int(count)
            held[int(raw)] = held.get(int(raw), 0) + length
    labels = reading.labels.by_raw
    return tuple(ValueSeen(raw, label_text(labels.get(raw)), times[raw], held[raw]) for raw in sorted(times))


def label_text(pairs: Pairs | None) -> str:
    """What a raw value means, in words: the label, or the closures with theirs."""
    if not pairs:
        return ""
    if len({label for _, label in pairs}) == 1:
        return pairs[0][1]
    by_label: dict[str, list[str]] = {}
    for subject, label in pairs:
        by_label.setdefault(label, []).append(subject)
    return "; ".join(f"{listed(subjects)} {label}" for label, subjects in by_label.items())


def _range(reading: Reading, found: Sequence[SignalTrack]) -> tuple[float | None, float | None]:
    if not reading.numeric:
        return None, None
    values = np.concatenate([track.value[track.validity == Validity.KNOWN] for track in found])
    values = values[np.isfinite(values)] * reading.factor
    return (float(values.min()), float(values.max())) if len(values) else (None, None)


def send_found(one: IdStatistics | None) -> str:
    """What the spacing of an id's frames looks like; empty where too few frames tell."""
    if one is None or one.frames < 3 or one.min_gap is None:
        return ""
    if one.period is not None:
        mixed = one.min_gap < OFF_CYCLE * one.period
        return str(SendType.CYCLIC_AND_ON_CHANGE if mixed else SendType.CYCLIC)
    return str(SendType.ON_CHANGE if one.changes >= one.frames * MOSTLY_CHANGES else SendType.EVENT)


def mirrors(wire: Wire) -> tuple[str, ...]:
    """Ids of other channels that look like copies: the same bits change, equally often, in frames as long."""
    one = wire.one
    if one is None or one.changes < LEAST_CHANGES:
        return ()
    return tuple(
        f"{other.channel}:{MessageKey(None, other.can_id, other.extended)}"
        for other in wire.others
        if other.channel != one.channel
        and other.changing == one.changing
        and other.lengths == one.lengths
        and abs(other.changes - one.changes) <= 1
    )
