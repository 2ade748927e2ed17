"""`latchtrace verify`: a function test, every trial measured."""

from __future__ import annotations

import argparse
from datetime import UTC
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
)
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import output, print_note, printing, progress
from latchtrace.errors import ExitStatus, UsageError

if TYPE_CHECKING:
    from latchtrace.model.results import FunctionTest

FUNCTIONS = ("auto-relock",)
_EXAMPLES = """\
  latchtrace verify auto-relock --vehicle car.yaml --steps
  latchtrace verify auto-relock test.log --vehicle car.yaml
  latchtrace verify auto-relock test.log --vehicle car.yaml --marks marks.yaml --junit relock.xml
"""


def add_to(commands: Commands) -> None:
    """Add the command."""
    does = "Test one function on a capture: every trial measured, the verdict, and what was not exercised."
    parser = add_command(commands, "verify", does, _EXAMPLES, run)
    parser.add_argument("function", metavar="FUNCTION", choices=FUNCTIONS, help=f"one of: {', '.join(FUNCTIONS)}")
    add_captures(parser, needed=False)
    add_analysis_options(parser)
    parser.add_argument("--steps", action="store_true", help="print how to do the test; needs no capture")
    parser.add_argument("--junit", metavar="FILE", type=named, help="the trials as JUnit XML, for a test bench")
    add_show_codes(parser)
    add_fail_on(parser)


def run(options: argparse.Namespace) -> ExitStatus:
    """Measure every trial of the function, or say how to do the test."""
    from latchtrace import api
    from latchtrace.model.clock import Clock
    from latchtrace.reports.trials import print_steps, print_trials

    times = read_times(options)
    if options.steps:
        with printing():
            print_steps(api.protocol(options.function, options.vehicle), output())
        return ExitStatus.DONE
    if not options.captures:
        raise UsageError(f"no CAPTURE is named; name one, or add --steps to see how to test {options.function}")
    _check(options)
    with progress("Reading the capture") as told:
        arguments = analysis_arguments(options, times)
        arguments["show_codes"] = options.show_codes
        test = api.verify(options.function, options.captures, options.vehicle, progress=told, **arguments)
    clock = Clock(test.zero, times.zone or UTC, times.offset)
    if options.junit:
        from latchtrace.reports.files import write_all
        from latchtrace.reports.junit import junit_report

        write_all({Path(options.junit): junit_report((test,), clock)})
        print_note(f"Written: {options.junit}")
    with printing():
        print_trials(test, clock, output())
    return status_of_test(test, options.fail_on)


def _check(options: argparse.Namespace) -> None:
    from latchtrace.reports.files import check_targets

    inputs = input_paths(options.captures, options.vehicle, options.marks)
    check_targets([Path(options.junit)] if options.junit else [], inputs)


def status_of_test(test: FunctionTest, fail_on: str) -> ExitStatus:
    """Whether a trial failed or, where that counts, stayed undecided or never happened."""
    from latchtrace.model.results import VerdictKind

    if fail_on == "never":
        return ExitStatus.DONE
    undecided = test.inconclusives > 0 or test.verdict is not VerdictKind.PASS
    failed = test.fails > 0 or test.verdict is VerdictKind.FAIL
    return ExitStatus.FOUND if failed or (fail_on == "inconclusive" and undecided) else ExitStatus.DONE
