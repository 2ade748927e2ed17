"""The report a technician reads in the terminal: the answer first, then what proves it, then what is left open."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING

from latchtrace.model.results import AnalysisResult, Severity, VerdictKind
from latchtrace.reports.card import ALWAYS, EpisodeRow, FindingCard, JobCard, job_card
from latchtrace.reports.options import ReportOptions

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

FULL_CARDS = 3
"""So many findings of one rule are shown in full; the others in one line each."""

LONGEST_LIST = 40
_PROOF = 12
_NARROWEST = 20
_STYLES = {Severity.FAULT: "bold red", Severity.WARNING: "bold yellow", Severity.NOTE: "bold cyan"}
_BY_DESIGN = "bold green"
_VERDICT_STYLES = {VerdictKind.FAIL: "red", VerdictKind.INCONCLUSIVE: "yellow", VerdictKind.PASS: "green"}
_VERDICT_WORDS = {VerdictKind.FAIL: "FAIL", VerdictKind.INCONCLUSIVE: "UNDECIDED", VerdictKind.PASS: "PASS"}


def print_text(result: AnalysisResult, options: ReportOptions, console: Console) -> None:
    """Print the report of one analysis, as wide as the console is."""
    card = job_card(result, options)
    _heading(card, console)
    _findings(card, console)
    _causes(card, console)
    _episodes(card.episodes, console)
    _verdicts(card, console)
    _exercised(card, console)
    print_list(console, "What this capture cannot tell", card.cannot_tell)
    print_list(console, "Next", card.commands, bullet="", wrap=False)
    print_list(console, "Keep in mind", ALWAYS)


def print_list(
    console: Console, title: str, lines: Sequence[str], bullet: str = "- ", wrap: bool = True, style: str = ""
) -> None:
    """A titled list; nothing at all where it is empty."""
    if not lines:
        return
    print_title(console, title)
    for line in lines[:LONGEST_LIST]:
        if wrap:
            print_hanging(console, bullet, line, style)
        else:  # to be copied: never broken
            console.print(f"  {bullet}{line}", style=style, markup=False, soft_wrap=True)
    if len(lines) > LONGEST_LIST:
        console.print(f"  … and {len(lines) - LONGEST_LIST:,} more", style="dim")


def print_title(console: Console, title: str) -> None:
    """A heading with an empty line before it."""
    console.print()
    console.print(title, style="bold", markup=False)


def print_hanging(console: Console, lead: str, text: str, style: str = "", indent: int = 2) -> None:
    """Text that wraps beside its lead instead of under it."""
    from rich.text import Text

    margin = " " * indent
    room = max(console.width - indent - len(lead), _NARROWEST)
    lines = wrap(text, room, break_on_hyphens=False) or [""]
    for number, line in enumerate(lines):
        start = lead if number == 0 else " " * len(lead)
        console.print(Text(margin + start) + Text(line, style=style), soft_wrap=True)


def _heading(card: JobCard, console: Console) -> None:
    from rich.text import Text

    console.print(Text(card.vehicle, style="bold") + Text(f" · {card.system}" if card.system else ""))
    for line in (*card.files, card.span):
        console.print(Text(line, style="dim"))
    console.print()
    console.print(Text(card.summary, style="bold"))


def _findings(card: JobCard, console: Console) -> None:
    shown: dict[str, list[FindingCard]] = {}
    brief: list[FindingCard] = []
    for item in card.findings:
        same = shown.setdefault(item.rule, [])
        if len(same) < FULL_CARDS:
            _finding(item, same[0] if same else None, console)
            same.append(item)
        else:
            brief.append(item)
    print_list(console, "More of the same", [f"{item.id} {item.when} {item.label}: {item.text}" for item in brief])


def _finding(item: FindingCard, first: FindingCard | None, console: Console) -> None:
    """One finding; what the first one of the same rule said already is not said again, cautions excepted."""
    from rich.text import Text

    style = _BY_DESIGN if item.by_design else _STYLES[item.severity]
    console.print()
    console.print(Text(f"{item.label.upper()}  {item.id}", style=style) + Text(f"  {item.title}  {item.when}"))
    print_hanging(console, "", item.text)
    if item.by_design:
        print_hanging(console, "", "This is how the car is meant to work.")
    proof = list(item.proof[:_PROOF])
    if len(item.proof) > _PROOF:
        proof.append(f"… and {len(item.proof) - _PROOF} more")
    _rows(console, "Proved by", proof)
    _rows(console, "Origin", [item.origin] if item.origin else [])
    _rows(console, "Ruled out", _unless_said(item.ruled_out, first, first.ruled_out if first else ()))
    _rows(console, "Not ruled out", item.left_open)
    _rows(console, "Do next", _unless_said(item.next_steps, first, first.next_steps if first else ()))
    _rows(console, "Caution", item.cautions, "yellow")


def _unless_said(lines: tuple[str, ...], first: FindingCard | None, said: tuple[str, ...]) -> tuple[str, ...]:
    return (f"as for {first.id}",) if first and lines and lines == said else lines


def _rows(console: Console, label: str, lines: Iterable[str], style: str = "") -> None:
    for number, line in enumerate(lines):
        lead = label if number == 0 else ""
        print_hanging(console, f"{lead:<16}", line, style)


def _causes(card: JobCard, console: Console) -> None:
    if card.causes:
        print_title(console, "Likely causes")
    for cause in card.causes:
        print_hanging(console, "- ", cause.title)
        _rows(console, "  speaks for it", cause.supports)
        _rows(console, "  against it", cause.opposes)
        _rows(console, "  not known", cause.unknown)
        _rows(console, "  do next", [cause.next_step] if cause.next_step else ())
        _rows(console, "  caution", cause.cautions, "yellow")


def _episodes(rows: Sequence[EpisodeRow], console: Console) -> None:
    if not rows:
        return
    print_title(console, "What the locks did")
    table = plain_table("", "time", "what", "by", "how it ended", "findings")
    for row in rows[:LONGEST_LIST]:
        add_row(table, row.id, row.when, row.what, row.by, row.outcome, row.findings)
    console.print(table)
    if len(rows) > LONGEST_LIST:
        console.print(f"  … and {len(rows) - LONGEST_LIST:,} more (all of them with --json or --table)", style="dim")


def _verdicts(card: JobCard, console: Console) -> None:
    if card.verdicts or card.not_exercised or card.not_applicable:
        print_title(console, "What the rules say of this capture")
    if card.verdicts:
        table = plain_table("", "rule", "verdict")
        for row in card.verdicts:
            add_row(table, _VERDICT_WORDS[row.verdict], row.rule, row.text, style=_VERDICT_STYLES[row.verdict])
        console.print(table)
    _rows(console, "Not exercised", [", ".join(card.not_exercised)] if card.not_exercised else [])
    _rows(console, "Does not apply", [", ".join(card.not_applicable)] if card.not_applicable else [])


def _exercised(card: JobCard, console: Console) -> None:
    missed = [row for row in card.exercised if not row.times]
    if missed:
        print_title(console, "Not exercised in this capture")
    for row in missed:
        print_hanging(console, "- ", f"{row.function}: {row.stimulus}")
        _rows(console, "  how to", [f"{number}. {step}" for number, step in enumerate(row.steps, 1)])
        _rows(console, "  caution", row.cautions, "yellow")


def plain_table(*headings: str) -> Table:
    """A table without lines, two characters in, cells that wrap."""
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim")
    for heading in headings:
        table.add_column(f"  {heading}" if not table.columns else heading, overflow="fold")
    return table


def add_row(table: Table, *cells: str, style: str = "") -> None:
    """A row of plain text; the style colours its first cell."""
    from rich.text import Text

    first, *rest = cells
    table.add_row(Text(f"  {first}", style=style), *(Text(cell) for cell in rest))
