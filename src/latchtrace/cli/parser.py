"""The commands and their options, with the help people read; imports nothing heavy."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from typing import Any, NoReturn

from latchtrace import __version__
from latchtrace.errors import ExitStatus, UsageError

EPILOG = """\
start here:
  latchtrace demo                                   what it does, on captures that come with it
  latchtrace capture info night.log                 what a capture holds; needs no vehicle file
  latchtrace analyse night.log --vehicle car.yaml   what the locks did, why, and what was wrong

Latchtrace only listens: it sends nothing to a vehicle. Exit status: 0 done, 1 something was found (--fail-on),
2 wrong usage or unreadable input (no output file is then written or changed), 130 interrupted.
"""


class Parser(argparse.ArgumentParser):
    """An argument parser whose mistakes are one line that says how to mend them."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(allow_abbrev=False, **settings)

    def error(self, message: str) -> NoReturn:
        """Raise what argparse would print."""
        raise UsageError(f"{message}; see '{self.prog} --help'")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is not None and value not in action.choices:
            choices = [str(choice) for choice in action.choices]
            what = action.metavar or (action.option_strings[-1] if action.option_strings else action.dest)
            raise UsageError(f"{what}: there is no '{value}'; {suggestion(str(value), choices)}")


def suggestion(word: str, choices: Sequence[str]) -> str:
    """What a mistyped word may have been, else all it could be."""
    near = get_close_matches(word, choices, n=2, cutoff=0.55)
    return f"did you mean {' or '.join(near)}?" if near else f"write one of {', '.join(choices)}"


def read_arguments(arguments: Sequence[str]) -> argparse.Namespace:
    """The options of one command; `run` is what carries it out. Raises UsageError; `--help` exits."""
    parser, _ = build_parser()
    if not arguments:
        parser.print_help(sys.stderr)
        raise SystemExit(int(ExitStatus.UNUSABLE))
    options, rest = parser.parse_known_args(arguments)
    unknown = [word for word in rest if word.startswith("-") and word != "-"]
    if unknown or (rest and not hasattr(options, "captures")):
        _refuse((unknown or rest)[0], options.parser)
    if rest:  # captures named after an option belong to those before it
        options.captures = [*options.captures, *rest]
    return options


def _refuse(word: str, parser: Parser) -> NoReturn:
    word = word.partition("=")[0]
    known = [text for action in parser._actions for text in action.option_strings]
    near = suggestion(word, known) if word.startswith("-") else "remove it"
    parser.error(f"'{word}' is not understood here; {near}")


def build_parser() -> tuple[Parser, tuple[str, ...]]:
    """The whole command line, and the names of its commands."""
    from latchtrace.cli import analyse, capture, demo, rules, serve, simulate, vehicle, verify

    parser = Parser(
        prog="latchtrace",
        description="Reads CAN captures of central locking and keyless entry: what the locks did, why, what was wrong.",
        epilog=EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"latchtrace {__version__}")
    parser.set_defaults(parser=parser)
    commands = parser.add_subparsers(metavar="COMMAND", required=True, title="commands")
    for module in (demo, analyse, serve, verify, capture, vehicle, rules, simulate):
        module.add_to(commands)
    return parser, tuple(commands.choices)


Commands = Any
"""argparse's collection of sub-commands, which has no public type."""


def add_command(
    commands: Commands, name: str, does: str, examples: str, run: Callable[[argparse.Namespace], ExitStatus] | None
) -> Parser:
    """Add a command with a one-line description and examples to copy."""
    parser: Parser = commands.add_parser(name, help=does, description=does, epilog=f"examples:\n{examples}")
    parser.set_defaults(run=run, parser=parser)
    return parser
