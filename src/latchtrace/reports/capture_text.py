"""What captures hold and how good they are, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from latchtrace.model.clock import Clock
from latchtrace.model.document import changing_bits
from latchtrace.model.frames import CaptureReport, FileReport, IdStatistics
from latchtrace.model.plan import id_text
from latchtrace.model.quantity import time_text
from latchtrace.reports.capture_warnings import capture_warnings
from latchtrace.reports.card import clean
from latchtrace.reports.limits import quality_lines
from latchtrace.reports.text import add_row, plain_table, print_list, print_title
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

LONGEST_TABLE = 400
_REASONS = 5


def print_capture(report: CaptureReport, times: Clock, console: Console) -> None:
    """Print the summary, the warnings, the files, the quality and every id."""
    console.print(_summary(report, times), style="bold")
    print_list(console, "Take care", capture_warnings(report), style="yellow")
    _files(report.files, console)
    lines = [*quality_lines(report, times), *_more_quality(report)]
    print_list(console, "Quality", [clean(line) for line in lines] or ["No gap, loss or unreadable line was found."])
    _ids(report.ids, console)


def _summary(report: CaptureReport, times: Clock) -> str:
    files = f"{len(report.files):,} {'file' if len(report.files) == 1 else 'files'}"
    ids = f"{len(report.ids):,} {'id' if len(report.ids) == 1 else 'ids'}"
    channels = len({channel for file in report.files for channel in file.channels})
    on = f" on {channels} channels" if channels > 1 else ""
    if not report.frames:
        return f"{files}, no frame"
    frames = f"{report.frames:,} {'frame' if report.frames == 1 else 'frames'}"
    length = time_text(report.last - report.zero)
    start = f", from {times.full(report.zero)} {times.zone_text}" if times.dated else ""
    return clean(f"{files}, {frames} of {ids}{on}, {length}{start}")


def _files(files: Sequence[FileReport], console: Console) -> None:
    print_title(console, "Files")
    table = plain_table("file", "format", "lines", "frames", "not readable", "other", "channels")
    for file in files:
        counts = (f"{file.lines:,}", f"{file.frames:,}", f"{file.skipped:,}", f"{file.other:,}")
        add_row(table, clean(file.name), file.format, *counts, clean(", ".join(name or "-" for name in file.channels)))
    console.print(table)


def _more_quality(report: CaptureReport) -> list[str]:
    lines = [f"{count:,} times: {reason}." for reason, count in report.skipped_count[:_REASONS] if count > 1]
    if report.out_of_order:
        lines.append(f"{report.out_of_order:,} frames came out of order and were sorted.")
    if report.remote_frames:
        lines.append(f"{report.remote_frames:,} remote frames.")
    lines += [_sleep_line(channel, report) for channel in sorted({sleep.channel for sleep in report.sleeps})]
    lines += [f"Bus load on {channel}: {100 * load:.2g} %." for channel, load in report.bus_load]
    return lines


def _sleep_line(channel: str, report: CaptureReport) -> str:
    spans = [sleep.span for sleep in report.sleeps if sleep.channel == channel]
    asleep = time_text(sum(span.width for span in spans))
    network = f"The network {channel}".rstrip()
    return f"{network} slept {wording.times_text(len(spans))}, {asleep} in all: states hold over sleep."


def _ids(ids: Sequence[IdStatistics], console: Console) -> None:
    if not ids:
        return
    print_title(console, "Ids")
    table = plain_table("id", "channel", "frames", "every", "gaps", "bytes", "changes", "changing bytes")
    for item in sorted(ids, key=lambda item: (item.channel, item.extended, item.can_id))[:LONGEST_TABLE]:
        add_row(table, *_id_cells(item))
    console.print(table)
    if len(ids) > LONGEST_TABLE:
        console.print(f"  … and {len(ids) - LONGEST_TABLE:,} more (all of them with --json)", style="dim")


def _id_cells(item: IdStatistics) -> tuple[str, ...]:
    gaps = ""
    if item.min_gap is not None and item.max_gap is not None:
        gaps = f"{time_text(item.min_gap)} to {time_text(item.max_gap)}"
    lengths = [str(length) for length in item.lengths]
    return (
        id_text(item.can_id, item.extended),
        clean(item.channel or "-"),
        f"{item.frames:,}",
        time_text(item.period) if item.period is not None else "-",
        gaps or "-",
        lengths[0] if len(lengths) == 1 else f"{lengths[0]}-{lengths[-1]}" if lengths else "-",
        f"{item.changes:,}",
        byte_ranges(item.changing) or "none",
    )


def byte_ranges(changing: int) -> str:
    """Which payload bytes hold a changing bit, as `0, 2-4`."""
    numbers = sorted({bit // 8 for bit in changing_bits(changing)})
    ranges: list[list[int]] = []
    for number in numbers:
        if ranges and ranges[-1][1] == number - 1:
            ranges[-1][1] = number
        else:
            ranges.append([number, number])
    return ", ".join(str(lo) if lo == hi else f"{lo}-{hi}" for lo, hi in ranges)
