"""An analysis in a few lines: what was found, who asked, what was ruled out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from latchtrace.model.results import AnalysisResult, FunctionTest, Severity
from latchtrace.reports.card import FindingCard, clean, job_card
from latchtrace.reports.options import ReportOptions
from latchtrace.reports.text import print_hanging
from latchtrace.reports.trials import numbers, summary
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

SHOWN_OF_A_RULE = 2
"""So many findings of one rule are shown; the others are counted."""

TESTED = "relock-without-door-opening"
"""What a test of the automatic relock does on purpose: one note says it, not a warning each."""


def print_brief(title: str, result: AnalysisResult, test: FunctionTest | None, console: Console) -> None:
    """Print one capture's outcome, and that of the function test it is, in a few lines."""
    from rich.text import Text

    card = job_card(result, ReportOptions())
    console.print()
    console.print(Text(clean(title), style="bold"))
    print_hanging(console, "", f"{card.vehicle}, {card.span}", "dim")
    print_hanging(console, "", card.summary)
    shown: dict[str, int] = {}
    follows = {finding.id for finding in result.findings if finding.explained_by}
    listed = [item for item in card.findings if test is None or item.rule != TESTED or item.id in follows]
    for item in sorted(listed, key=lambda item: (item.at, item.id)):
        shown[item.rule] = shown.get(item.rule, 0) + 1
        if shown[item.rule] <= SHOWN_OF_A_RULE:
            _finding(item, console)
    more = sum(count - SHOWN_OF_A_RULE for count in shown.values() if count > SHOWN_OF_A_RULE)
    if more:
        print_hanging(console, "", f"… and {more} more like these")
    if test is not None:
        print_hanging(console, "", clean(summary(test)))
        for line in (*numbers(test), *(f"{clean(wording.sentence(note))}." for note in test.notes)):
            print_hanging(console, "", line, indent=4)


def _finding(item: FindingCard, console: Console) -> None:
    print_hanging(console, f"{item.id} ", f"{item.label}, {item.when}: {item.text}")
    if item.severity is Severity.FAULT:
        origin = (item.origin,) if item.origin else ()
        parts = (("origin: ", origin), ("ruled out: ", item.ruled_out), ("not ruled out: ", item.left_open))
        for label, lines in parts:
            if lines:
                print_hanging(console, label, "; ".join(lines), indent=5)
