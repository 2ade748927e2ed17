"""The job card as one HTML file that needs nothing else: no script, no request, light, dark and on paper."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from html import escape
from importlib.resources import files
from pathlib import Path

from latchtrace.model.clock import Clock
from latchtrace.model.redaction import redacted
from latchtrace.model.results import AnalysisResult, VerdictKind
from latchtrace.model.time import SECOND, Interval
from latchtrace.reports.card import ALWAYS, CauseCard, ExercisedRow, FindingCard, JobCard, job_card
from latchtrace.reports.options import ReportOptions
from latchtrace.views.lanes import swimlane
from latchtrace.views.svg import swimlane_svg
from latchtrace.views.swimlane import Swimlane

FULL_CARDS = 60
"""So many findings have a card with a picture; those after them, the less severe ones, stand in a list."""

THEMES = ("light", "dark")
_WIDTH = 900
_MARGIN = 2 * SECOND
_VERDICTS = {VerdictKind.FAIL: "fail", VerdictKind.INCONCLUSIVE: "undecided", VerdictKind.PASS: "pass"}


def html_report(result: AnalysisResult, options: ReportOptions, themes: Sequence[str] = THEMES) -> bytes:
    """The job card of one analysis as a whole HTML document, UTF-8.

    Every text is escaped, and the policy in its head forbids any script and any request.
    """
    shown = result if options.show_codes else redacted(result)
    options = _without_folders(options)
    card = job_card(shown, options)
    body = "\n".join(_body(card, shown, options, themes))
    css = files("latchtrace").joinpath("data", "report.css").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(css.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(card.vehicle)}: what the locks did</title>\n<style>{css}</style>\n</head>\n"
        f"<body>\n{body}\n</body>\n</html>\n"
    ).encode("utf-8", "backslashreplace")


def _without_folders(options: ReportOptions) -> ReportOptions:
    """A report that is handed on tells nothing of the folders of the machine it was made on."""
    captures = tuple(Path(name).name or name for name in options.captures)
    return replace(options, captures=captures, vehicle=Path(options.vehicle).name)


def _body(card: JobCard, result: AnalysisResult, options: ReportOptions, themes: Sequence[str]) -> Iterable[str]:
    yield _header(card)
    yield "<main>"
    if card.findings:
        draw = partial(_figure, result=result, lanes=swimlane(result), times=options.clock(result.capture))
        yield "<h2>Findings</h2>"
        for item in card.findings[:FULL_CARDS]:
            yield _finding(item, draw(item, themes))
        yield _list(
            (f"{item.id}, {item.when}, {item.label}: {item.text}" for item in card.findings[FULL_CARDS:]),
            "More findings",
        )
    if card.causes:
        yield "<h2>Likely causes</h2>" + "".join(map(_cause, card.causes))
    yield _episodes(card)
    yield _verdicts(card)
    yield _exercised(card.exercised)
    yield _list(card.cannot_tell, "What this capture cannot tell")
    yield _list(card.commands, "Next", code=True)
    yield "</main>"
    closing = (*ALWAYS, f"latchtrace {card.version}")
    yield f"<footer>{''.join(f'<p>{escape(line)}</p>' for line in closing)}</footer>"


def _header(card: JobCard) -> str:
    lines = "<br>".join(escape(line) for line in (*card.files, card.span))
    return (
        f'<header><h1>{escape(card.vehicle)}</h1><p class="soft">{escape(card.system)}<br>{lines}</p>'
        f'<p class="summary">{escape(card.summary)}</p></header>'
    )


def _finding(item: FindingCard, figure: str) -> str:
    kind = "design" if item.by_design else str(item.severity)
    meant = "<p>This is how the car is meant to work.</p>" if item.by_design else ""
    return (
        f'<article class="{kind}" id="{escape(item.id)}">'
        f'<h3><span class="label">{escape(item.label)}</span> {escape(item.id)} · {escape(item.title)}</h3>'
        f'<p class="soft">{escape(item.when)}</p><p>{escape(item.text)}</p>{meant}{figure}'
        f"{_part('Proved by', item.proof, code=True)}{_part('Origin', [item.origin] if item.origin else [])}"
        f"{_part('Ruled out', item.ruled_out)}"
        f"{_part('Not ruled out', item.left_open)}{_part('Do next', item.next_steps, ordered=True)}"
        f"{_cautions(item.cautions)}</article>"
    )


def _figure(item: FindingCard, themes: Sequence[str], *, result: AnalysisResult, lanes: Swimlane, times: Clock) -> str:
    span = _window(item, result)
    pictures = (
        f'<div class="for-{theme}">{swimlane_svg(lanes, span.lo, span.hi, _WIDTH, theme, times)}</div>'
        for theme in themes
    )
    return f"<figure>{''.join(pictures)}</figure>"


def _window(item: FindingCard, result: AnalysisResult) -> Interval:
    """What to show around a finding: it, its episode, and some time to either side."""
    span = item.at
    finding = next(finding for finding in result.findings if finding.id == item.id)
    episode = next((episode for episode in result.episodes if episode.id == finding.episode), None)
    if episode is not None:
        span = span.hull(Interval(episode.at.lo, max(episode.at.lo, episode.end)))
    return span.widen(max(_MARGIN, span.width // 5))


def _cause(item: CauseCard) -> str:
    return (
        f"<article><h3>{escape(item.title)}</h3>{_part('Speaks for it', item.supports)}"
        f"{_part('Speaks against it', item.opposes)}{_part('Not known', item.unknown)}"
        f"{_part('Do next', [item.next_step] if item.next_step else [])}{_cautions(item.cautions)}</article>"
    )


def _part(title: str, lines: Sequence[str], code: bool = False, ordered: bool = False) -> str:
    if not lines:
        return ""
    tag = "ol" if ordered and len(lines) > 1 else "ul"
    marked = ' class="proof"' if code else ""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<h4>{title}</h4><{tag}{marked}>{items}</{tag}>"


def _cautions(lines: Iterable[str]) -> str:
    return "".join(f'<p class="caution">{escape(line)}</p>' for line in lines)


def _list(lines: Iterable[str], title: str, code: bool = False) -> str:
    items = "".join(f"<li>{f'<code>{escape(line)}</code>' if code else escape(line)}</li>" for line in lines)
    return f"<h2>{title}</h2><ul>{items}</ul>" if items else ""


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{heading}</th>' for heading in headings)
    body = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>" for row in rows)
    return f'<div class="table"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _episodes(card: JobCard) -> str:
    if not card.episodes:
        return ""
    rows = (
        [*map(escape, (row.id, row.when, row.what, row.by, row.outcome)), _links(row.findings)] for row in card.episodes
    )
    headings = ("", "Time", "What", "By", "How it ended", "Findings")
    return f"<h2>What the locks did</h2>{_table(headings, rows)}"


def _links(names: str) -> str:
    return ", ".join(f'<a href="#{escape(name)}">{escape(name)}</a>' for name in names.split(", ") if name)


def _verdicts(card: JobCard) -> str:
    rows = [
        (f'<span class="{row.verdict}">{_VERDICTS[row.verdict]}</span>', escape(row.rule), escape(row.text))
        for row in card.verdicts
    ]
    table = _table(("Verdict", "Rule", ""), rows) if rows else ""
    idle = _part("Not exercised", [", ".join(card.not_exercised)] if card.not_exercised else [])
    without = _part("Does not apply", [", ".join(card.not_applicable)] if card.not_applicable else [])
    parts = f"{table}{idle}{without}"
    return f"<h2>What the rules say of this capture</h2>{parts}" if parts else ""


def _exercised(rows: Sequence[ExercisedRow]) -> str:
    missed = [row for row in rows if not row.times]
    cards = "".join(
        f"<h3>{escape(row.function)}: {escape(row.stimulus)}</h3>"
        f"{_part('How to exercise it', row.steps, ordered=True)}{_cautions(row.cautions)}"
        for row in missed
    )
    return f"<h2>Not exercised in this capture</h2>{cards}" if cards else ""
