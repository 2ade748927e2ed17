"""A function test for the terminal: every trial, the verdict with its uncertainty, and how to do the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

from latchtrace.model.clock import Clock
from latchtrace.model.results import FunctionTest, Trial, VerdictKind
from latchtrace.reports.card import ALWAYS, clean, proof_lines
from latchtrace.reports.text import add_row, plain_table, print_list, print_title
from latchtrace.views import wording

if TYPE_CHECKING:
    from rich.console import Console

_WORDS = {
    VerdictKind.PASS: ("pass", "green"),
    VerdictKind.FAIL: ("FAIL", "red"),
    VerdictKind.INCONCLUSIVE: ("undecided", "yellow"),
    VerdictKind.NOT_APPLICABLE: ("does not count", "dim"),
}


def print_trials(test: FunctionTest, times: Clock, console: Console) -> None:
    """Print the verdict, every trial, what was not exercised and what to take care of."""
    console.print(clean(summary(test)), style="bold")
    _table(test, times, console)
    for trial in test.trials:
        if trial.verdict is VerdictKind.FAIL:
            print_list(console, f"What proves trial {trial.number}", proof_lines(trial.proof, times))
    print_list(console, "What the numbers say", numbers(test))
    print_list(console, "Noted", [clean(wording.sentence(line)) + "." for line in test.notes])
    print_list(console, "Not exercised in this capture", [clean(line) for line in test.not_exercised])
    if test.not_exercised or not test.trials:
        print_steps(test, console)
    else:
        print_list(console, "Caution", [clean(line) for line in test.cautions], style="yellow")
    print_list(console, "Keep in mind", ALWAYS)


def summary(test: FunctionTest) -> str:
    """The verdict in one sentence: `Automatic relock: no violation in this capture, 8 of 10 trials …`."""
    if not test.trials:
        return f"{test.title}: not exercised in this capture."
    counts = [
        (test.passes, "kept the limit"),
        (test.cancelled, "cancelled as they must be"),
        (test.fails, "failed"),
        (test.inconclusives, "undecided"),
    ]
    told = ", ".join(f"{number} {words}" for number, words in counts if number)
    trials = f"{len(test.trials)} {'trial' if len(test.trials) == 1 else 'trials'}"
    word = {
        VerdictKind.PASS: f"no violation in this capture, exercised {wording.times_text(len(test.trials))}",
        VerdictKind.FAIL: "violated",
        VerdictKind.INCONCLUSIVE: "not decided",
        VerdictKind.NOT_APPLICABLE: "does not apply to this vehicle",
    }[test.verdict]
    return f"{test.title}: {word}. {trials}: {told}."


def numbers(test: FunctionTest) -> list[str]:
    """What was measured over all trials, the limit, and what the counts say of trials never made."""
    lines = []
    if test.measured is not None:
        lines.append(f"Measured over all trials: {wording.measured_text(test.measured)}.")
    lines.append(
        f"Limit: {test.limit}." if test.limit else "The vehicle file states no limit: nothing is judged by it."
    )
    if test.rate_low is not None and test.rate_high is not None:
        decided = test.passes + test.fails
        lines.append(
            f"From {decided} decided trials the share that fails lies between {100 * test.rate_low:.1f} % and "
            f"{100 * test.rate_high:.1f} % (95 % confidence, Clopper–Pearson)."
        )
    return [clean(line) for line in lines]


def _table(test: FunctionTest, times: Clock, console: Console) -> None:
    if not test.trials:
        return
    print_title(console, "Trials")
    table = plain_table("", "time", "what happened", "measured", "")
    for trial in test.trials:
        word, style = _WORDS[trial.verdict]
        add_row(table, f"{trial.number}. {word}", *_cells(trial, times), style=style)
    console.print(table)


def _cells(trial: Trial, times: Clock) -> tuple[str, ...]:
    measured = wording.measured_text(trial.measured) if trial.measured else ""
    reason = wording.reason_text(trial.reason) if trial.reason else ""
    when = clean(wording.moment_text(trial.at.hi, times, 1))
    return (when, clean(trial.outcome), clean(measured), clean(reason))


def print_steps(test: FunctionTest, console: Console) -> None:
    """Print how to do the test, with its cautions first."""
    print_list(console, "Caution", [clean(line) for line in test.cautions], style="yellow")
    steps = [f"{number}. {clean(wording.sentence(step))}" for number, step in enumerate(test.steps, 1)]
    print_list(console, f"How to test: {clean(test.title)}", steps, bullet="")
