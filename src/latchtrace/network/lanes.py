"""Collects the rows of each message from the batches, by segment and channel."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import ChangeBatch, FrameFlags, Gap, Int64s, Sleep, UInt8s
from latchtrace.model.plan import MessageKey

_NOT_DATA = int(FrameFlags.REMOTE | FrameFlags.ERROR)


@dataclass(frozen=True, slots=True)
class Lane:
    """The rows of one message on one channel in one segment, as columns in time order.

    `row` numbers them in the RowStore; the rest is as in ChangeBatch.
    """

    t: Int64s
    previous: Int64s
    previous_page: Int64s
    length: UInt8s
    payload: UInt8s
    row: Int64s

    def __len__(self) -> int:
        return len(self.t)


def empty_lane() -> Lane:
    """A lane of a message that never came."""
    none = np.zeros(0, np.int64)
    return Lane(none, none, none, np.zeros(0, np.uint8), np.zeros((0, 8), np.uint8), none)


def join(parts: Iterable[Lane]) -> Lane:
    """Lanes one after the other, payloads padded to the widest."""
    lanes = list(parts)
    if not lanes:
        return empty_lane()
    width = max(lane.payload.shape[1] for lane in lanes)
    payloads = [np.pad(lane.payload, ((0, 0), (0, width - lane.payload.shape[1]))) for lane in lanes]
    return Lane(
        t=np.concatenate([lane.t for lane in lanes]),
        previous=np.concatenate([lane.previous for lane in lanes]),
        previous_page=np.concatenate([lane.previous_page for lane in lanes]),
        length=np.concatenate([lane.length for lane in lanes]),
        payload=np.concatenate(payloads),
        row=np.concatenate([lane.row for lane in lanes]),
    )


@dataclass(slots=True)
class SegmentLog:
    """What the batches of one segment brought: lanes by message and channel, holes, and how far time has been seen."""

    index: int
    watermark: int
    earliest: int
    gaps: list[Gap] = field(default_factory=list)
    sleeps: list[Sleep] = field(default_factory=list)
    lanes: dict[MessageKey, dict[str, list[Lane]]] = field(default_factory=dict)

    def note(self, batch: ChangeBatch) -> None:
        """Keep a batch's holes and watermark."""
        self.gaps.extend(batch.gaps)
        self.sleeps.extend(batch.sleeps)
        self.watermark = max(self.watermark, batch.watermark)
        starts = [gap.span.lo for gap in batch.gaps] + [sleep.span.lo for sleep in batch.sleeps]
        if len(batch):
            starts.append(int(batch.t[0]))
        self.earliest = min([self.earliest, *starts])

    def take(self, key: MessageKey, batch: ChangeBatch, first_row: int, matching: npt.NDArray[np.bool_]) -> None:
        """Keep the rows of one message, each channel's by itself."""
        at = np.flatnonzero(matching)
        channels = batch.channel[at]
        for number in np.unique(channels).tolist():
            name = batch.channels[number]
            if key.channel is not None and name != key.channel:
                continue
            rows = at[channels == number]
            lane = Lane(
                batch.t[rows],
                batch.previous[rows],
                batch.previous_page[rows],
                batch.length[rows],
                batch.payload[rows],
                rows.astype(np.int64) + first_row,
            )
            self.lanes.setdefault(key, {}).setdefault(name, []).append(lane)

    def lane(self, key: MessageKey) -> tuple[str, Lane, tuple[str, ...]]:
        """The channel a message came on, its rows, and all channels it came on.

        A message asked for on any channel that comes on several is taken from the one with the most rows: two
        channels that show the same network must not show every event twice.
        """
        found = {name: join(parts) for name, parts in self.lanes.get(key, {}).items()}
        if not found:
            return key.channel or "", empty_lane(), ()
        name = min(found, key=lambda name: (-len(found[name]), name))
        return name, found[name], tuple(sorted(found))


class Collector:
    """Takes batches apart by segment and message."""

    def __init__(self, keys: Iterable[MessageKey]) -> None:
        self.keys = tuple(dict.fromkeys(keys))
        self.segments: dict[int, SegmentLog] = {}

    def add(self, batch: ChangeBatch, first_row: int) -> None:
        """Keep what a batch holds of the wanted messages; `first_row` is its first row's number in the RowStore."""
        log = self.segments.get(batch.segment)
        if log is None:
            log = self.segments[batch.segment] = SegmentLog(batch.segment, batch.watermark, batch.watermark)
        log.note(batch)
        if not len(batch):
            return
        data = (batch.flags & _NOT_DATA) == 0
        extended = (batch.flags & int(FrameFlags.EXTENDED)) != 0
        for key in self.keys:
            matching = data & (batch.can_id == key.can_id) & (extended == key.extended)
            if matching.any():
                log.take(key, batch, first_row, matching)
