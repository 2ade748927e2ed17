"""Plain warnings where a capture cannot hold the answer, whatever the vehicle is."""

from __future__ import annotations

from collections.abc import Iterator

from latchtrace.model.frames import CaptureReport, IdStatistics
from latchtrace.model.quantity import time_text
from latchtrace.model.time import SECOND

_SHORT = 10 * SECOND
_MANY_ERRORS = 0.01


def capture_warnings(report: CaptureReport) -> tuple[str, ...]:
    """What a technician has to know before trusting this capture; empty where nothing stands out."""
    return tuple(_warnings(report))


def _warnings(report: CaptureReport) -> Iterator[str]:
    for channel in sorted({item.channel for item in report.ids}):
        yield from _channel_warnings(channel, [item for item in report.ids if item.channel == channel])
    frames = report.frames
    if not frames:
        yield "There is no frame in it: the recorder was not connected, or the bus slept all the time."
        return
    if report.last - report.zero < _SHORT:
        yield f"It is only {time_text(report.last - report.zero)} long: most functions need longer to show themselves."
    if report.error_frames > frames * _MANY_ERRORS:
        share = 100 * report.error_frames / (frames + report.error_frames)
        yield (
            f"{share:.2g} % of its frames are error frames: a wrong bit rate, a bad connection or a missing "
            "terminator. Mend that and record again."
        )


def _channel_warnings(channel: str, ids: list[IdStatistics]) -> Iterator[str]:
    on = f"on {channel} " if channel else ""
    if all(is_diagnostic(item.can_id, item.extended) for item in ids):
        yield (
            f"There are only diagnostic ids {on}in it: a gateway hides the body network at this socket. "
            "Tap the body network itself, behind the gateway."
        )
    elif not any(item.changes for item in ids):
        yield f"No payload {on}ever changes: nothing was operated while it was recorded, or the car slept."


def is_diagnostic(can_id: int, extended: bool) -> bool:
    """Whether an id is one of those a tester and control units talk with at the diagnostic socket.

    11-bit: 7DF and 7E0 to 7EF; 29-bit: 18DAxxxx and 18DBxxxx (ISO 15765-4, from memory).
    """
    if extended:
        return can_id >> 16 in (0x18DA, 0x18DB)
    return can_id == 0x7DF or 0x7E0 <= can_id <= 0x7EF
