"""An analysis in a few lines: what was found, who asked, what was ruled out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from latchtrace.model.results import AnalysisResult, FunctionTest
from latchtrace.reports.card import FindingCard, clean, job_card
from latchtrace.reports.options import ReportOptions
from latchtrace.reports.text import print_hanging
from latchtrace.reports.trials import numbers, summary

if TYPE_CHECKING:
    from rich.console import Console

MOST_FINDINGS = 8


def print_brief(title: str, result: AnalysisResult, test: FunctionTest | None, console: Console) -> None:
    """Print one capture's outcome, and that of the function test it is, in a few lines."""
    from rich.text import Text

    card = job_card(result, ReportOptions())
    console.print()
    console.print(Text(clean(title), style="bold"))
    print_hanging(console, "", f"{card.vehicle}, {card.span}", "dim")
    print_hanging(console, "", card.summary)
    for item in card.findings[:MOST_FINDINGS]:
        _finding(item, console)
    if len(card.findings) > MOST_FINDINGS:
        print_hanging(console, "", f"… and {len(card.findings) - MOST_FINDINGS} more")
    if test is not None:
        print_hanging(console, "", clean(summary(test)))
        for line in numbers(test):
            print_hanging(console, "", line, indent=4)


def _finding(item: FindingCard, console: Console) -> None:
    print_hanging(console, f"{item.id} ", f"{item.label}, {item.when}: {item.text}")
    for line in item.ruled_out:
        print_hanging(console, "ruled out: ", line, indent=5)
    for line in item.left_open:
        print_hanging(console, "not ruled out: ", line, indent=5)
