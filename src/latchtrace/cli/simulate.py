"""`latchtrace simulate`: a capture with known truth from a scenario file."""

from __future__ import annotations

import argparse
from pathlib import Path

from latchtrace.cli.inputs import input_paths, named
from latchtrace.cli.parser import Commands, add_command
from latchtrace.cli.terminal import print_note
from latchtrace.errors import ExitStatus

_EXAMPLES = """\
  latchtrace simulate parked-night.yaml --out night.log
  latchtrace simulate parked-night.yaml --out night.log --seed 7
"""


def add_to(commands: Commands) -> None:
    """Add the command."""
    does = "Make a capture with known truth from a scenario file: for training, a rule, or a test bench."
    parser = add_command(commands, "simulate", does, _EXAMPLES, run)
    parser.add_argument("scenario", metavar="SCENARIO", type=named, help="the scenario file (YAML)")
    help_ = "the capture to write; its truth stands beside it"
    parser.add_argument("--out", metavar="FILE", type=named, required=True, help=help_)
    parser.add_argument("--seed", metavar="N", type=int, help="another run of the same scenario")


def run(options: argparse.Namespace) -> ExitStatus:
    """Simulate, and say what was written."""
    from latchtrace.reports.files import check_targets
    from latchtrace.simulation import runner

    target = Path(options.out)
    check_targets([target, runner.truth_path(target)], input_paths((), options.scenario))
    print_note(runner.run(Path(options.scenario), target, options.seed))
    return ExitStatus.DONE
