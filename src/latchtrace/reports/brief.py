"""An analysis in a few lines: what was found, who asked, what was ruled out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from latchtrace.model.results import AnalysisResult, FunctionTest
from latchtrace.reports.card import FindingCard, clean, job_card
from latchtrace.reports.options import ReportOptions
from latchtrace.reports.text import hanging
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
    console.print(hanging("", f"{card.vehicle}, {card.span}", "dim"))
    console.print(hanging("", card.summary))
    for item in card.findings[:MOST_FINDINGS]:
        _finding(item, console)
    if len(card.findings) > MOST_FINDINGS:
        console.print(hanging("", f"… and {len(card.findings) - MOST_FINDINGS} more"))
    if test is not None:
        console.print(hanging("", clean(summary(test))))
        for line in numbers(test):
            console.print(hanging("", line, indent=4))


def _finding(item: FindingCard, console: Console) -> None:
    console.print(hanging(f"{item.id} ", f"{item.label}, {item.when}: {item.text}"))
    for line in item.ruled_out:
        console.print(hanging("ruled out: ", line, indent=5))
    for line in item.left_open:
        console.print(hanging("not ruled out: ", line, indent=5))
