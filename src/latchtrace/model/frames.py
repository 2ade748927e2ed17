"""Frames, what the reader lets through of them, and what it noticed on the way."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import IntEnum, IntFlag, StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from latchtrace.model.time import Interval

Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
UInt16s = npt.NDArray[np.uint16]
UInt8s = npt.NDArray[np.uint8]

ERROR_BIT = 0x2000_0000
STANDARD_MAX = 0x7FF
EXTENDED_MAX = 0x1FFF_FFFF


class FrameFlags(IntFlag):
    """What kind of frame it is."""

    NONE = 0
    EXTENDED = 1
    FD = 2
    BRS = 4
    ESI = 8
    REMOTE = 16
    ERROR = 32
    SENT = 64


class Frame(NamedTuple):
    """One frame as a format's reader yields it.

    `t` in nanoseconds since the file's own epoch (absolute where the file is); `channel` by the name the file
    gives; `dlc` the raw data length code where it differs from the length (classic 9..15, remote frames), else
    the length; `line` counts from 1 (records for binary formats); `offset` in bytes of the uncompressed file,
    -1 where the format has none.
    """

    t: int
    channel: str
    can_id: int
    flags: int
    data: bytes
    dlc: int
    line: int
    offset: int


class Skip(NamedTuple):
    """A line or record that is not a frame and should have been, with the reason in plain words."""

    line: int
    reason: str


class Drop(NamedTuple):
    """The recorder says here that it lost `lost` frames on `channel`."""

    line: int
    channel: str
    lost: int


Record = Frame | Skip | Drop


class Why(IntEnum):
    """Why a frame was let through (the first that applies, in this order)."""

    FIRST = 0  # nothing is known of this id (and page) before: start, gap, segment
    AFTER_SILENCE = 1  # the silence before it was longer than the plan's limit
    SHORT = 2  # shorter than the plan's shortest length (let through when it changes)
    PAGE = 3  # another kind page than the frame before (kind-multiplexed messages)
    CHANGE = 4  # masked payload differs
    ALWAYS = 5  # the plan wants every frame


class GapCause(StrEnum):
    """How a hole in the recording was recognised."""

    DROP_NOTE = "drop-note"  # the recorder wrote that it dropped frames
    SILENCE = "silence"  # every cyclic id fell silent at once and went on in step: the recorder stood still
    CHANNEL_SILENT = "channel-silent"  # one channel silent while its cyclic ids must run
    CLOCK_JUMP = "clock-jump"
    UNDECIDED = "undecided"  # silence that could be sleep or the recorder: treated as a gap


@dataclass(frozen=True, slots=True)
class Gap:
    """A hole of the recording on a channel ("" = all): from the last frame before to the first after."""

    channel: str
    span: Interval
    cause: GapCause
    frames_lost: int | None = None


@dataclass(frozen=True, slots=True)
class Sleep:
    """The network of a channel slept: from the last frame before to the first after."""

    channel: str
    span: Interval


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one file set in which time never steps back by more than 1 s."""

    index: int
    span: Interval


@dataclass(frozen=True, slots=True)
class Loss:
    """Cyclic frames of one id that must have been there and are not (`missing` is an estimate)."""

    channel: str
    can_id: int
    extended: bool
    span: Interval
    missing: int


@dataclass(frozen=True, slots=True)
class IdStatistics:
    """What one id of one channel did over the capture; gaps between frames in nanoseconds.

    Sleeps, recorder gaps and segment borders are left out of the gap figures. `period` is the typical spacing
    (median of a bounded sample) where the id looks cyclic, else None. `changing` is the mask of payload bits
    that were seen to change (bit k of byte n is bit 8n + k).
    """

    channel: str
    can_id: int
    extended: bool
    frames: int
    first: int
    last: int
    lengths: tuple[int, ...]
    min_gap: int | None
    mean_gap: float | None
    max_gap: int | None
    period: int | None
    changing: int
    changes: int


@dataclass(frozen=True, slots=True)
class ChangeBatch:
    """Frames that matter, as columns of equal length, in time order, with the watermark.

    Columns: `t`, `line`, `offset`, `previous` (time of the frame before of this channel and id) and
    `previous_page` (of this page; equals `previous` where the message has no pages) as int64 nanoseconds, lines
    and bytes; `file` index into the report's files, `channel` index into `channels`, `can_id`, `flags`, `why`
    (`Why`), `length`, and `payload` (n × 8 or n × 64 bytes, zero-padded). Absent previous times are `NO_TIME`:
    at the start, and after a gap or a new segment (why = FIRST).
    All time up to and including `watermark` has been seen. `segment` is one for the whole batch. `gaps`,
    `sleeps` and `losses` are those decided since the last batch, all at or before the watermark.
    """

    t: Int64s
    file: UInt16s
    channel: UInt16s
    can_id: UInt32s
    flags: UInt16s
    why: UInt8s
    length: UInt8s
    payload: UInt8s
    line: Int64s
    offset: Int64s
    previous: Int64s
    previous_page: Int64s
    channels: tuple[str, ...]
    watermark: int
    segment: int = 0
    gaps: tuple[Gap, ...] = ()
    sleeps: tuple[Sleep, ...] = ()
    losses: tuple[Loss, ...] = ()

    def __len__(self) -> int:
        return len(self.t)

    def data(self, row: int) -> bytes:
        """The payload of one row, without the padding."""
        return self.payload[row, : int(self.length[row])].tobytes()


@dataclass(frozen=True, slots=True)
class FileReport:
    """One capture file as it was read; `name` without folders, times None when it holds no frame.

    Each of its `lines` (records, in binary formats) is one of `frames`, `skipped` or `other`; an end that is missing
    counts as one more line, skipped.
    """

    name: str
    sha256: str
    format: str
    lines: int
    frames: int
    skipped: int
    channels: tuple[str, ...]
    first: int | None
    last: int | None

    @property
    def other(self) -> int:
        """Lines that are no frames by their kind: blank ones, comments, headers, the recorder's notes."""
        return self.lines - self.frames - self.skipped


@dataclass(frozen=True, slots=True)
class SkippedLine:
    """A line that could not be read as a frame."""

    file: str
    line: int
    reason: str


@dataclass(frozen=True, slots=True)
class CaptureReport:
    """What reading the captures showed about their quality. Counts add up, file by file.

    `skipped` holds the first hundred lines, `skipped_count` all of them by reason. `bus_load` per channel in
    0..1 (nominal bits, without stuffing) where the bit rate is known. `renamed` pairs each channel name of the
    files with the plan's where the two differ; everything but `files` uses the plan's.
    """

    files: tuple[FileReport, ...]
    gaps: tuple[Gap, ...] = ()
    sleeps: tuple[Sleep, ...] = ()
    segments: tuple[Segment, ...] = ()
    losses: tuple[Loss, ...] = ()
    error_frames: int = 0
    remote_frames: int = 0
    out_of_order: int = 0
    skipped: tuple[SkippedLine, ...] = ()
    skipped_count: tuple[tuple[str, int], ...] = ()
    ids: tuple[IdStatistics, ...] = ()
    bus_load: tuple[tuple[str, float], ...] = ()
    renamed: tuple[tuple[str, str], ...] = ()

    @property
    def frames(self) -> int:
        """All frames of all files."""
        return sum(file.frames for file in self.files)

    @property
    def zero(self) -> int:
        """The first frame's time, the zero of relative times."""
        return min((file.first for file in self.files if file.first is not None), default=0)

    @property
    def last(self) -> int:
        """The last frame's time."""
        return max((file.last for file in self.files if file.last is not None), default=0)


@dataclass(frozen=True, slots=True)
class RowRef:
    """One let-through frame in full, as evidence shows it."""

    t: int
    file: int
    channel: str
    can_id: int
    extended: bool
    data: bytes
    line: int
    offset: int


@dataclass(slots=True)
class RowStore:
    """All rows of all batches in the order they came; a row number stays valid for the whole run."""

    batches: list[ChangeBatch] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    total: int = 0

    def add(self, batch: ChangeBatch) -> int:
        """Append a batch and tell the number of its first row."""
        first = self.total
        self.batches.append(batch)
        self.starts.append(first)
        self.total += len(batch)
        return first

    def __len__(self) -> int:
        return self.total

    def __iter__(self) -> Iterator[RowRef]:
        return (self[row] for row in range(self.total))

    def __getitem__(self, row: int) -> RowRef:
        if not 0 <= row < self.total:
            raise IndexError(row)
        at = int(np.searchsorted(self.starts, row, side="right")) - 1
        while len(self.batches[at]) == 0 or row >= self.starts[at] + len(self.batches[at]):
            at -= 1
        batch, i = self.batches[at], row - self.starts[at]
        return RowRef(
            t=int(batch.t[i]),
            file=int(batch.file[i]),
            channel=batch.channels[int(batch.channel[i])],
            can_id=int(batch.can_id[i]),
            extended=bool(int(batch.flags[i]) & FrameFlags.EXTENDED),
            data=batch.data(i),
            line=int(batch.line[i]),
            offset=int(batch.offset[i]),
        )
