"""`latchtrace capture info`: what a capture holds and how good it is; needs no vehicle file."""

from __future__ import annotations

import argparse
from datetime import UTC
from pathlib import Path

from latchtrace.cli.inputs import add_captures, add_zone, input_paths, named, read_zone
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import output, print_bytes, printing, progress
from latchtrace.errors import ExitStatus

_EXAMPLES = """\
  latchtrace capture info night.log
  latchtrace capture info captures/ --json quality.json
"""


def add_to(commands: Commands) -> None:
    """Add the command and its sub-commands."""
    parser = add_command(commands, "capture", "Look at captures as such.", _EXAMPLES, None)
    actions = parser.add_subparsers(metavar="ACTION", required=True, title="actions")
    does = "Say what captures hold and how good they are: formats, ids, rates, gaps, sleep, loss. Needs no vehicle."
    info = add_command(actions, "info", does, _EXAMPLES, run_info)
    add_captures(info)
    info.add_argument(
        "--json", metavar="FILE", type=named, help="the same as JSON; - is standard output, with nothing else on it"
    )
    add_zone(info)


def run_info(options: argparse.Namespace) -> ExitStatus:
    """Read everything once and say what it is like."""
    from latchtrace import api
    from latchtrace.model.clock import Clock
    from latchtrace.reports.capture_text import print_capture
    from latchtrace.reports.capture_warnings import capture_warnings
    from latchtrace.reports.files import check_targets, write_all

    zone = read_zone(options.timezone) or UTC
    target = Path(options.json) if options.json and options.json != "-" else None
    check_targets([target] if target else [], input_paths(options.captures))
    with progress("Reading the capture") as told:
        report = api.capture_info(options.captures, progress=told)
    content = b""
    if options.json:
        from latchtrace.model.document import capture_document, document_bytes

        content = document_bytes(capture_document(report, capture_warnings(report)))
    if target:
        write_all({target: content})
    with printing():
        if options.json == "-":
            print_bytes(content)
        else:
            print_capture(report, Clock(report.zero, zone), output())
    return ExitStatus.DONE
