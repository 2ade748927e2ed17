"""`latchtrace analyse`: read, decode, rebuild, judge, explain."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from latchtrace.cli.inputs import (
    add_analysis_options,
    add_captures,
    add_fail_on,
    add_show_codes,
    analysis_arguments,
    input_paths,
    named,
    read_times,
    report_options,
    status_of,
)
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import output, print_bytes, print_note, printing, progress
from latchtrace.errors import ExitStatus, UsageError
from latchtrace.reports.registry import REPORTS, TABLE_FORMATS, Report

if TYPE_CHECKING:
    from latchtrace.api import Analysis
    from latchtrace.reports.options import ReportOptions

_EXAMPLES = """\
  latchtrace analyse night.log.gz --vehicle car.yaml
  latchtrace analyse captures/*.log --vehicle car.yaml --json night.json --html night.html
  latchtrace analyse night.log --vehicle car.yaml --from 01:30:00 --to 02:00:00 --timezone Europe/Berlin
  candump -L can0 | latchtrace analyse - --vehicle car.yaml --json -
"""
_TABLE_FORMAT_HELP = "of --table (default: csv; parquet needs latchtrace[parquet])"


def add_to(commands: Commands) -> None:
    """Add the command."""
    does = "Say what the locks did in a capture, why, and what was wrong, with the frames that prove it."
    parser = add_command(commands, "analyse", does, _EXAMPLES, run)
    add_captures(parser)
    add_analysis_options(parser)
    for report in REPORTS:
        metavar = "DIR" if report.folder else "FILE"
        parser.add_argument(f"--{report.name}", metavar=metavar, type=named, help=report.help)
    parser.add_argument("--table-format", choices=TABLE_FORMATS, default=TABLE_FORMATS[0], help=_TABLE_FORMAT_HELP)
    add_show_codes(parser)
    add_fail_on(parser)


def run(options: argparse.Namespace) -> ExitStatus:
    """Analyse, write what was asked for, print the report."""
    from latchtrace import api

    times = read_times(options)
    asked = [(report, getattr(options, report.name)) for report in REPORTS if getattr(options, report.name)]
    _check(options, asked)
    with progress("Reading the capture") as told:
        arguments = analysis_arguments(options, times)
        analysis = api.analyse(options.captures, options.vehicle, progress=told, **arguments)
    shown = report_options(options, times)
    files = _files(analysis, asked, options, shown)
    data = files.pop(Path("-"), None)
    _write(files)
    with printing():
        if data is not None:
            print_bytes(data)
        else:
            from latchtrace.reports.text import print_text

            print_text(analysis.result, shown, output())
    return status_of(analysis.result, options.fail_on)


def _check(options: argparse.Namespace, asked: list[tuple[Report, str]]) -> None:
    """Refuse outputs that cannot be written before the capture is read."""
    from latchtrace.reports.files import check_targets

    targets, folders = [], []
    for report, target in asked:
        if target == "-" and report.name != "json":
            raise UsageError(f"--{report.name} -: only --json can go to standard output; name a file")
        report.check(options.table_format)
        folders += [Path(target)] if report.folder else []
        targets += [Path(target, name) for name in report.names(options.table_format) if target != "-"]
    check_targets(targets, input_paths(options.captures, options.vehicle, options.marks), folders)


def _files(
    analysis: Analysis, asked: list[tuple[Report, str]], options: argparse.Namespace, shown: ReportOptions
) -> dict[Path, bytes]:
    """Every output by its path; "-" is standard output."""
    files: dict[Path, bytes] = {}
    for report, target in asked:
        made = report.make(analysis, shown, options.table_format)
        files.update({Path(target, name): content for name, content in made.items()})
    return files


def _write(files: dict[Path, bytes]) -> None:
    from latchtrace.reports.files import write_all

    if files:
        write_all(files)
        print_note(f"Written: {', '.join(str(path) for path in files)}")
