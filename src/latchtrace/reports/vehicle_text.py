"""What a capture shows of each role of a vehicle file, for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from latchtrace.model.clock import Clock
from latchtrace.model.plan import id_text
from latchtrace.model.quantity import time_text
from latchtrace.model.vehicle import RoleStatus
from latchtrace.model.vehicle_report import ReadingReport, RoleReport
from latchtrace.reports.card import clean
from latchtrace.reports.text import print_hanging, print_list, print_title
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

    from latchtrace.api import VehicleCheck

_VALUES = 12


def print_check(file: str, check: VehicleCheck, times: Clock, console: Console) -> None:
    """Print that the file has no mistake and, where a capture was given, every role."""
    console.print(clean(f"{file}: no mistake found ({check.name})"), style="bold")
    if not check.roles:
        console.print("With a capture it also says how each role shows there: latchtrace vehicle check FILE CAPTURE")
        return
    doubtful = [role for role in check.roles if role.doubts]
    silent = [role.role for role in check.roles if role.status is RoleStatus.MAPPED and not _frames(role)]
    lines = [f"{role.role}: {doubt}" for role in doubtful for doubt in role.doubts]
    lines += [f"{name}: none of its messages is in this capture" for name in silent]
    print_list(console, "In doubt", [clean(line) for line in lines], style="yellow")
    print_title(console, "Roles")
    for role in check.roles:
        _role(role, times, console)


def _frames(role: RoleReport) -> int:
    return sum(reading.frames for reading in role.readings)


def _role(role: RoleReport, times: Clock, console: Console) -> None:
    print_hanging(console, "", clean(f"{role.role}: {_headline(role, times)}"))
    for reading in role.readings:
        print_hanging(console, "", clean("; ".join(_reading(reading))), indent=6)
    for note in role.notes:
        print_hanging(console, "", clean(note), indent=6)


def _headline(role: RoleReport, times: Clock) -> str:
    if role.status is not RoleStatus.MAPPED:
        return f"{role.status}{f' ({role.note})' if role.note else ''}"
    if role.first is None:
        return "nothing happened"
    what = f" ({role.first_value})" if role.first_value else ""
    return f"happened {wording.times_text(role.events)}, first at {wording.moment_text(role.first, times)}{what}"


def _reading(reading: ReadingReport) -> Iterator[str]:
    wire = f" {id_text(reading.can_id, reading.extended)}" if reading.can_id is not None else ""
    channel = f" on {reading.channel}" if reading.channel else ""
    yield f"{reading.signal},{wire}{channel}: {reading.frames:,} frames, {reading.changes:,} changes"
    if reading.values:
        yield ", ".join(
            f"{value.raw} = {value.label or 'no label'} ({_often(value.times, value.held)})"
            for value in reading.values[:_VALUES]
        ) + (f" and {len(reading.values) - _VALUES} more" if len(reading.values) > _VALUES else "")
    if reading.lowest is not None and reading.highest is not None:
        yield f"from {reading.lowest:g} to {reading.highest:g}"
    if reading.send_found or reading.period_found is not None:
        every = f" every {time_text(reading.period_found)}" if reading.period_found is not None else ""
        stated = f"the file says {reading.send_stated or 'nothing'}"
        stated += f" every {time_text(reading.period_stated)}" if reading.period_stated is not None else ""
        yield f"looks {reading.send_found or 'cyclic'}{every} ({stated})"
    if reading.mirrors:
        yield f"mirrored by {', '.join(reading.mirrors)}"


def _often(times: int, held: int) -> str:
    return f"{wording.times_text(times)}, {time_text(held)}" if held else wording.times_text(times)
