"""`latchtrace serve`: the web workbench on this machine."""

from __future__ import annotations

import argparse
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING

from latchtrace.cli.inputs import Times, add_analysis_options, add_captures, analysis_arguments, read_times
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import print_note, progress
from latchtrace.errors import ExitStatus, UsageError

if TYPE_CHECKING:
    from latchtrace.model.results import AnalysisResult

_EXAMPLES = """\
  latchtrace serve                                 the captures that come with latchtrace
  latchtrace serve night.log --vehicle car.yaml
  latchtrace serve night.log --vehicle car.yaml --port 8051
"""
_LARGEST_PORT = 65_535


def add_to(commands: Commands) -> None:
    """Add the command."""
    does = "Show captures in the browser: what the locks did over time, the findings, and the frames that prove them."
    parser = add_command(commands, "serve", does, _EXAMPLES, run)
    add_captures(parser, needed=False)
    add_analysis_options(parser, vehicle_needed=False)
    parser.add_argument("--host", default="127.0.0.1", help="the address to serve on (default: this machine only)")
    parser.add_argument("--port", type=_port, default=8050, help="the port to serve on (default: 8050)")


def _port(text: str) -> int:
    number = int(text) if text.isdigit() else -1
    if not 0 <= number <= _LARGEST_PORT:
        raise argparse.ArgumentTypeError(f"'{text}' is not a port; write a number from 1 to {_LARGEST_PORT}")
    return number


def run(options: argparse.Namespace) -> ExitStatus:
    """Analyse, then serve until interrupted."""
    times = read_times(options)
    if options.captures and not options.vehicle:
        raise UsageError("a capture needs --vehicle FILE; 'latchtrace vehicle new --dbc FILE' starts one")
    if options.vehicle and not options.captures:
        raise UsageError("no CAPTURE is named for that vehicle file; name one, or leave --vehicle out for the demo")
    results = _own(options, times) if options.captures else _demo()
    from latchtrace import workbench

    app = workbench.build_app(results, zone=times.zone or UTC, clock_offset=times.offset)
    workbench.serve(app, options.host, options.port, ready=_say_where)
    return ExitStatus.DONE


def _say_where(address: str) -> None:
    print_note(f"The workbench is at {address} (stop it with Ctrl-C)")


def _own(options: argparse.Namespace, times: Times) -> dict[str, AnalysisResult]:
    from latchtrace import api

    with progress("Reading the capture") as told:
        arguments = analysis_arguments(options, times)
        analysis = api.analyse(options.captures, options.vehicle, progress=told, **arguments)
    return {Path(options.captures[0]).name or "capture": analysis.result}


def _demo() -> dict[str, AnalysisResult]:
    from latchtrace import api
    from latchtrace.cli.demo import demo_captures

    print_note("Reading the captures that come with latchtrace …")
    return {item.name: api.analyse([str(item.capture)], str(item.vehicle)).result for item in demo_captures()}
