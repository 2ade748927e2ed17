"""`latchtrace vehicle`: check a vehicle file, or start a new one from a DBC."""

from __future__ import annotations

import argparse
from datetime import UTC
from pathlib import Path

from latchtrace.cli.inputs import CAPTURE_HELP, add_zone, input_paths, named, read_zone
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import output, print_bytes, print_error, print_note, printing, progress
from latchtrace.errors import ExitStatus, OutputError

_CHECK = """\
  latchtrace vehicle check car.yaml
  latchtrace vehicle check car.yaml night.log
"""
_NEW = """\
  latchtrace vehicle new --dbc body.dbc
  latchtrace vehicle new --dbc body.dbc --dbc drive.dbc --out car.yaml
"""


def add_to(commands: Commands) -> None:
    """Add the command and its sub-commands."""
    parser = add_command(commands, "vehicle", "Check or start a vehicle file.", _CHECK + _NEW, None)
    actions = parser.add_subparsers(metavar="ACTION", required=True, title="actions")
    does = "List all mistakes of a vehicle file; with a capture, say how each role shows in it."
    check = add_command(actions, "check", does, _CHECK, run_check)
    check.add_argument("file", metavar="FILE", type=named, help="the vehicle file (YAML)")
    check.add_argument("captures", metavar="CAPTURE", type=named, nargs="*", help=CAPTURE_HELP)
    add_zone(check)
    does = "Write a commented start of a vehicle file, with candidates for each role; nothing is guessed silently."
    new = add_command(actions, "new", does, _NEW, run_new)
    does = "a DBC; may be given several times"
    new.add_argument("--dbc", metavar="FILE", type=named, action="append", required=True, help=does)
    does = "where to write it: a new file (default: standard output)"
    new.add_argument("--out", metavar="FILE", type=named, help=does)


def run_check(options: argparse.Namespace) -> ExitStatus:
    """Print all mistakes (status 2), or what the roles show."""
    from latchtrace import api
    from latchtrace.model.clock import Clock
    from latchtrace.reports.vehicle_text import print_check

    zone = read_zone(options.timezone) or UTC
    with progress("Reading the capture") as told:
        check = api.vehicle_check(options.file, options.captures or None, progress=told)
    if check.problems:
        for problem in check.problems:
            print_error(str(problem))
        return ExitStatus.UNUSABLE
    with printing():
        print_check(options.file, check, Clock(check.zero, zone), output())
    return ExitStatus.DONE


def run_new(options: argparse.Namespace) -> ExitStatus:
    """Write the start of a vehicle file."""
    from latchtrace import api
    from latchtrace.reports.files import check_targets, write_all

    target = Path(options.out) if options.out and options.out != "-" else None
    check_targets([target] if target else [], input_paths((), *options.dbc))
    if target and target.is_file():
        raise OutputError(f"{target}: is there already, perhaps with somebody's work in it; name a new file")
    content = api.vehicle_new(options.dbc, target.parent if target else None).encode()
    if target:
        write_all({target: content})
        print_note(f"Written: {target}")
    else:
        with printing():
            print_bytes(content)
    return ExitStatus.DONE
