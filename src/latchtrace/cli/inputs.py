"""Options that several commands share: captures, vehicle, times, and what counts as found."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from latchtrace.errors import ExitStatus, UsageError

if TYPE_CHECKING:
    from latchtrace.model.results import AnalysisResult
    from latchtrace.reports.options import ReportOptions

CAPTURE_HELP = "a capture file, a glob, a folder, or - for candump text on standard input"
TIME_HELP = "TIME: +12.5 or +HH:MM:SS from the start, ISO 8601 with offset, or a clock time with --timezone"
FAIL_ON = ("fault", "warning", "inconclusive", "never")


def named(text: str) -> str:
    """The name of a file or folder on the command line; an empty one means none, and is a mistake."""
    if not text.strip():
        raise argparse.ArgumentTypeError("the name is empty; name a file, or leave the option out")
    return text


def add_captures(parser: argparse.ArgumentParser, needed: bool = True) -> None:
    """The captures, one or more."""
    parser.add_argument("captures", metavar="CAPTURE", type=named, nargs="+" if needed else "*", help=CAPTURE_HELP)


def add_analysis_options(parser: argparse.ArgumentParser, vehicle_needed: bool = True) -> None:
    """Vehicle, marks, rules and the part of the capture that counts."""
    parser.add_argument(
        "--vehicle", metavar="FILE", type=named, required=vehicle_needed, help="the vehicle file (YAML)"
    )
    parser.add_argument("--marks", metavar="FILE", type=named, help="what a person saw or did, and when (YAML)")
    parser.add_argument("--rules", metavar="DIR", type=named, help="a folder of more rule files")
    add_span(parser)


def add_span(parser: argparse.ArgumentParser) -> None:
    """The part of the capture that counts, and how its times read."""
    parser.add_argument("--from", dest="start", metavar="TIME", help=f"leave out what was before; {TIME_HELP}")
    parser.add_argument("--to", dest="end", metavar="TIME", help="leave out what was after")
    add_zone(parser)
    parser.add_argument(
        "--clock-offset",
        metavar="DURATION",
        help="what to add to the recorder's clock where it was wrong, such as '90 s' (or --clock-offset=-90s)",
    )


def add_zone(parser: argparse.ArgumentParser) -> None:
    """By which clock times read."""
    parser.add_argument("--timezone", metavar="ZONE", help="how clock times are read and shown: UTC, +02:00, Area/City")


def read_zone(text: str | None) -> tzinfo | None:
    """The time zone the user named, if any. Raises UsageError."""
    from latchtrace.model.clock import parse_zone

    try:
        return parse_zone(text) if text else None
    except ValueError as error:
        raise UsageError(f"--timezone: {error}") from None


def add_fail_on(parser: argparse.ArgumentParser) -> None:
    """What makes the exit status 1."""
    parser.add_argument(
        "--fail-on",
        choices=FAIL_ON,
        default="fault",
        help="exit status 1 at this or worse (default: fault); inconclusive: also where something stayed undecided",
    )


def add_show_codes(parser: argparse.ArgumentParser) -> None:
    """Whether key codes may be seen."""
    parser.add_argument("--show-codes", action="store_true", help="show key codes and rolling counters in full")


@dataclass(frozen=True, slots=True)
class Times:
    """How the user's times are to be read."""

    zone: tzinfo | None
    offset: int


def read_times(options: argparse.Namespace) -> Times:
    """The time options, checked before any capture is opened."""
    from latchtrace.model.clock import parse_moment
    from latchtrace.model.quantity import parse_time

    zone = read_zone(options.timezone)
    for name, text in (("--from", options.start), ("--to", options.end)):
        try:
            parse_moment(text, zone) if text else None
        except ValueError as error:
            raise UsageError(f"{name}: {error}") from None
    text = (options.clock_offset or "0 s").strip()
    sign = -1 if text.startswith("-") else 1
    try:
        offset = sign * parse_time(text.lstrip("+-"))
    except ValueError as error:
        raise UsageError(f"--clock-offset: {error}") from None
    return Times(zone, offset)


def analysis_arguments(options: argparse.Namespace, times: Times) -> dict[str, Any]:
    """What the Python interface is given beside the captures and the vehicle."""
    return {
        "marks": options.marks,
        "rules": options.rules,
        "start": options.start,
        "end": options.end,
        "timezone": options.timezone,
        "clock_offset": times.offset,
    }


def report_options(options: argparse.Namespace, times: Times) -> ReportOptions:
    """How reports are to be made, by the same options."""
    from latchtrace.reports.options import ReportOptions

    return ReportOptions(
        show_codes=getattr(options, "show_codes", False),
        zone=times.zone or UTC,
        clock_offset=times.offset,
        captures=tuple(options.captures),
        vehicle=options.vehicle or "",
        rules=options.rules or "",
    )


def input_paths(captures: Sequence[str], *files: str | None) -> Iterator[Path]:
    """Every file that is read, as far as it is known by name: no output may be one of them."""
    for name in captures:
        path = Path(name)
        if path.is_dir():
            yield from (file for file in path.rglob("*") if file.is_file())
        elif path.is_file():
            yield path
        elif name != "-":
            pattern = Path(name).name
            yield from Path(name).parent.glob(pattern) if pattern and Path(name).parent.is_dir() else ()
    yield from (Path(name) for name in files if name)


def status_of(result: AnalysisResult, fail_on: str) -> ExitStatus:
    """Whether something was found at the level asked for, or worse."""
    from latchtrace.model.events import Reason
    from latchtrace.model.results import Severity, VerdictKind

    levels = {"fault": (Severity.FAULT,), "never": ()}.get(fail_on, (Severity.FAULT, Severity.WARNING))
    found = any(finding.severity in levels for finding in result.findings)
    if fail_on == "inconclusive":
        found = found or any(
            verdict.verdict is VerdictKind.INCONCLUSIVE and verdict.reason is not Reason.NOT_EXERCISED
            for verdict in result.verdicts
        )
    return ExitStatus.FOUND if found else ExitStatus.DONE
