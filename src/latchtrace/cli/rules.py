"""`latchtrace rules`: the catalogue of rules, and the text of one."""

from __future__ import annotations

import argparse

from latchtrace.cli.parser import Commands, add_command, suggestion
from latchtrace.cli.terminal import output, printing
from latchtrace.errors import ExitStatus, UsageError

_EXAMPLES = """\
  latchtrace rules list
  latchtrace rules show command-without-request
"""


def add_to(commands: Commands) -> None:
    """Add the command and its sub-commands."""
    parser = add_command(commands, "rules", "Look up the rules that captures are judged by.", _EXAMPLES, None)
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
        action.add_argument("--rules", metavar="DIR", help="a folder of more rule files")


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
