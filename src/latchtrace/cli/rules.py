"""`latchtrace rules`: the catalogue of rules, the text of one, and what the authors of rules need."""

from __future__ import annotations

import argparse

from latchtrace.cli.inputs import TIME_HELP, add_captures, add_span, named, read_times
from latchtrace.cli.parser import Commands, add_command, suggestion
from latchtrace.cli.terminal import output, print_error, printing, progress
from latchtrace.errors import ExitStatus, UsageError

_EXAMPLES = """\
  latchtrace rules list
  latchtrace rules show command-without-request
  latchtrace rules check my-rules
  latchtrace rules test my-rules/opened-while-moving.yaml
  latchtrace rules why command-without-request night.log --vehicle car.yaml --at +3723.5
"""
_FILES_HELP = "a rule file, or a folder of them (default: the rules that come with latchtrace)"


def add_to(commands: Commands) -> None:
    """Add the command and its sub-commands."""
    parser = add_command(
        commands, "rules", "Look up, check, test and question the rules that captures are judged by.", _EXAMPLES, None
    )
    actions = parser.add_subparsers(metavar="ACTION", required=True, title="actions")
    listed = add_command(actions, "list", "List all rules.", "  latchtrace rules list\n", run_list)
    shown = add_command(
        actions,
        "show",
        "Show what a rule means, what to check, and its text.",
        _EXAMPLES.splitlines()[1] + "\n",
        run_show,
    )
    shown.add_argument("rule", metavar="RULE", help="the id of a rule")
    for action in (listed, shown):
        action.add_argument("--rules", metavar="DIR", type=named, help="a folder of more rule files")
    does = "List all mistakes of rule files, missing examples included."
    check = add_command(actions, "check", does, _EXAMPLES.splitlines()[2] + "\n", run_check)
    does = "Judge the examples in rule files by their rules, and say what differs."
    test = add_command(actions, "test", does, _EXAMPLES.splitlines()[3] + "\n", run_test)
    for action in (check, test):
        action.add_argument("files", metavar="FILE", type=named, nargs="*", help=_FILES_HELP)
    test.add_argument("--rule", metavar="ID", help="the examples of this rule alone")
    _add_why(actions)


def _add_why(actions: Commands) -> None:
    does = "Say why a rule did or did not fire at a time: what held, what did not, and what came near."
    why = add_command(actions, "why", does, _EXAMPLES.splitlines()[4] + "\n", run_why)
    why.add_argument("rule", metavar="RULE", help="the id of a rule")
    add_captures(why)
    why.add_argument("--vehicle", metavar="FILE", type=named, required=True, help="the vehicle file (YAML)")
    why.add_argument("--at", metavar="TIME", required=True, help=f"the time asked about; {TIME_HELP}")
    why.add_argument("--rules", metavar="DIR", type=named, help="a folder of more rule files")
    add_span(why)


def run_list(options: argparse.Namespace) -> ExitStatus:
    """Print the catalogue."""
    from latchtrace import api
    from latchtrace.reports.rules_text import print_rules

    catalogue = api.rules_catalogue(options.rules)
    with printing():
        print_rules(catalogue, output())
    return ExitStatus.DONE


def run_show(options: argparse.Namespace) -> ExitStatus:
    """Print one rule."""
    from latchtrace import api
    from latchtrace.reports.rules_text import print_rule

    catalogue = {rule.id: rule for rule in api.rules_catalogue(options.rules)}
    if options.rule not in catalogue:
        raise UsageError(f"RULE: there is no rule '{options.rule}'; {suggestion(options.rule, list(catalogue))}")
    with printing():
        print_rule(catalogue[options.rule], output())
    return ExitStatus.DONE


def run_check(options: argparse.Namespace) -> ExitStatus:
    """Print all mistakes (status 2), or how much was checked."""
    from latchtrace import api
    from latchtrace.reports.rules_text import print_checked

    checked = api.rules_check(options.files)
    problems = [problem for one in checked for problem in one.problems]
    for problem in problems:
        print_error(str(problem))
    if problems:
        return ExitStatus.UNUSABLE
    with printing():
        print_checked(checked, output())
    return ExitStatus.DONE


def run_test(options: argparse.Namespace) -> ExitStatus:
    """Print every example that came out differently; status 1 where there is one."""
    from latchtrace import api
    from latchtrace.reports.rules_text import print_tested

    results = api.rules_test(options.files, options.rule)
    with printing():
        print_tested(results, output())
    return ExitStatus.FOUND if any(one.differences for one in results) else ExitStatus.DONE


def run_why(options: argparse.Namespace) -> ExitStatus:
    """Print why a rule did or did not fire at the occasion nearest to a time."""
    from datetime import UTC

    from latchtrace import api
    from latchtrace.model.clock import Clock
    from latchtrace.reports.why_text import print_why

    times = read_times(options)
    with progress("Reading the capture") as told:
        why = api.rules_why(
            options.rule,
            options.captures,
            options.vehicle,
            options.at,
            options.rules,
            start=options.start,
            end=options.end,
            progress=told,
            timezone=options.timezone,
            clock_offset=times.offset,
        )
    with printing():
        print_why(why, Clock(why.zero, times.zone or UTC, times.offset), output())
    return ExitStatus.DONE
