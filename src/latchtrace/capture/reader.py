"""The door of the capture room: find captures, read them for what matters, or look at their quality.

How a format is recognised and read is the contract in `capture/contract.py`; the registry of formats stands in
`capture/formats/__init__.py`.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from contextlib import closing

from latchtrace.capture.bits import exact_bits
from latchtrace.capture.changes import ChangeReader
from latchtrace.capture.feed import Feed, Progress
from latchtrace.capture.source import Source, find_captures
from latchtrace.model.frames import CaptureReport, Frame, FrameFlags
from latchtrace.model.plan import ReadPlan

__all__ = ["ChangeReader", "Progress", "Source", "find_captures", "first_time", "read_changes", "read_frames", "scan"]


def read_changes(
    sources: Sequence[Source],
    plan: ReadPlan,
    *,
    start: int | None = None,
    end: int | None = None,
    progress: Progress | None = None,
) -> ChangeReader:
    """Read captures for the frames a plan lets through; iterate the result for ChangeBatches, then take `.report`.

    Only frames with times in [start, end] (nanoseconds, capture time) are looked at. CaptureError where no file
    holds any frame.
    """
    return ChangeReader(sources, plan, start, end, progress)


def scan(
    sources: Sequence[Source],
    *,
    progress: Progress | None = None,
    aliases: Mapping[str, str] | None = None,
    bit_rates: Mapping[str, int] | None = None,
) -> CaptureReport:
    """Look at captures without a vehicle: ids, rates, what changes, gaps, sleep, loss, skipped lines.

    With `bit_rates` (bit/s by channel) the bus load is worked out too, here with the stuffing bits of every frame.
    """
    plan = ReadPlan(aliases=aliases or {}, bit_rates=bit_rates or {})
    reader = ChangeReader(sources, plan, None, None, progress, _exact if bit_rates else None)
    for _ in reader:
        pass
    return reader.report


def read_frames(
    sources: Sequence[Source], progress: Progress | None = None
) -> Generator[tuple[int, Frame], None, None]:
    """Every frame of the captures in time order, with the number of its file."""
    feed = Feed(tuple(sources), progress)
    try:
        for stretch in feed.stretches():
            yield from zip(stretch.files, stretch.frames, strict=False)
        feed.finish()
    finally:
        feed.close()


def first_time(sources: Sequence[Source]) -> int:
    """The time of the captures' first frame, from which relative times count; CaptureError where there is none."""
    with closing(read_frames(sources)) as frames:
        return next(frames)[1].t


def _exact(frame: Frame) -> int:
    return exact_bits(frame.can_id, bool(frame.flags & FrameFlags.EXTENDED), frame.data, dlc=frame.dlc)
