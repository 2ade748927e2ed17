"""The catalogue of rules for the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from latchtrace.model.results import RuleInfo, Severity
from latchtrace.reports.card import clean
from latchtrace.reports.text import add_row, plain_table, print_list, print_title
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

    from latchtrace.rules.check import CheckedRule
    from latchtrace.rules.examples import ExampleResult

_STYLES = {Severity.FAULT: "red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}


def print_rules(catalogue: Sequence[RuleInfo], console: Console) -> None:
    """Print all rules, one line each, by function."""
    for function in dict.fromkeys(rule.function for rule in catalogue):
        print_title(console, clean(wording.sentence(wording.function_text(function))))
        table = plain_table("rule", "severity", "what it finds")
        for rule in catalogue:
            if rule.function == function:
                severity = wording.severity_text(rule.severity, rule.by_design)
                add_row(table, clean(rule.id), severity, clean(rule.title), style=_STYLES[rule.severity])
        console.print(table)
    console.print()
    console.print("latchtrace rules show RULE tells more of one.", style="dim")


def print_rule(rule: RuleInfo, console: Console) -> None:
    """Print what a rule means, what to check, what to take care of, and its text as a rule file has it."""
    severity = wording.severity_text(rule.severity, rule.by_design)
    console.print(clean(f"{rule.id} · {severity} · {wording.function_text(rule.function)}"), style="bold")
    console.print(clean(rule.title))
    print_list(console, "What it means", [clean(rule.means)] if rule.means else [], bullet="")
    print_list(console, "What to check", [clean(line) for line in rule.check])
    print_list(console, "Caution", [clean(line) for line in rule.cautions], style="yellow")
    print_title(console, clean(f"The rule itself ({rule.file}, pattern {rule.pattern})"))
    for line in _without_examples(rule.text):
        indent = len(line) - len(line.lstrip(" "))
        console.print("  " + " " * indent + clean(line), soft_wrap=True)


def _without_examples(text: str) -> list[str]:
    """A rule file's lines, with how many examples follow in the place of the examples."""
    kept: list[str] = []
    shown, examples = True, 0
    for line in text.splitlines():
        if line[:1].strip():
            shown = line.partition(":")[0] not in ("example-car", "examples")
        examples += not shown and line.lstrip().startswith("- shows:")
        kept += [line] if shown else []
    return (
        [*kept, f"# {_count(examples, 'example')} in the file; latchtrace rules test judges them"] if examples else kept
    )


def print_checked(checked: Sequence[CheckedRule], console: Console) -> None:
    """Print how much was checked and found without a mistake."""
    rules = sum(len(one.rule.texts) for one in checked if one.rule is not None)
    examples = sum(len(one.examples) for one in checked)
    told = f"{_count(len(checked), 'file')}, {_count(rules, 'rule')}, {_count(examples, 'example')}: no mistake."
    console.print(told, style="green")


def print_tested(results: Sequence[ExampleResult], console: Console) -> None:
    """Print each example that came out differently, with its place, and how many did not."""
    wrong = [one for one in results if one.differences]
    for one in wrong:
        place = f"{one.file}:{one.line}: " if one.line else ""
        console.print(clean(f"{place}{one.rule}: {one.shows}"), style="red", soft_wrap=True)
        for difference in one.differences:
            console.print(f"    {clean(difference)}", soft_wrap=True)
    rules = len({one.rule for one in results})
    told = f"{_count(len(results), 'example')} of {_count(rules, 'rule')}"
    if wrong:
        console.print(f"{told}: {len(wrong)} came out differently.", style="red")
    else:
        console.print(f"{told}: all came out as they must.", style="green")


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"
