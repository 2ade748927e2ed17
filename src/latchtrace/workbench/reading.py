"""The page below the lanes: the finding or action chosen, its reason, and every frame that proves it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from latchtrace.model.plan import id_text
from latchtrace.model.results import Episode, Evidence, EvidenceRef, Finding, SourceCheck, SourceRuling, StageStatus
from latchtrace.views.terms import term
from latchtrace.views.wording import (
    closure_title,
    episode_text,
    evidence_text,
    finding_severity,
    finding_text,
    interval_text,
    moment_text,
    rule_title,
    source_check_text,
    stage_text,
)
from latchtrace.workbench.catalogue import Page
from latchtrace.workbench.element import button, element

COLUMNS = ("Time", "Channel", "Id", "Bytes", "Signal", "Value", "File", "Line")
Child = Any


def layout() -> Child:
    """The page's frame; a callback fills it."""
    return element(
        "Section", element("Div", id="reading"), className="reading", aria_label="What was chosen, and its proof"
    )


def nothing_chosen() -> list[Child]:
    """What stands here before anything is chosen."""
    text = "Choose a finding or an action on the left, or a mark above the lanes, to read its reason and its proof."
    return [element("P", text, className="quiet")]


def reading(page: Page, chosen: object) -> list[Child]:
    """The page for `finding:<id>` or `action:<id>`; the hint where there is no such thing."""
    kind, _, name = chosen.partition(":") if isinstance(chosen, str) else ("", "", "")
    if kind == "finding" and name in page.findings:
        return _finding(page, page.findings[name])
    if kind == "action" and name in page.episodes:
        return _episode(page, page.episodes[name])
    return nothing_chosen()


def _finding(page: Page, finding: Finding) -> list[Child]:
    vehicle = page.result.vehicle
    episode = page.episodes.get(finding.episode)
    caused = [other.id for other in page.findings.values() if other.explained_by == finding.id]
    why: list[Child] = [element("P", finding_text(finding, vehicle), className="reason")]
    if caused:
        why.append(element("P", [element("B", "Explains: "), *_links(caused)]))
    if finding.explained_by in page.findings:
        why.append(element("P", [element("B", "Its cause: "), *_links([finding.explained_by])]))
    if episode is not None:
        why.append(element("P", [element("B", "What the locks did: "), episode_text(episode, vehicle)]))
    proof = finding.proof or tuple(_resolved(page, finding.evidence))
    return [
        _head(f"{finding_severity(finding)} · {finding.id}", rule_title(finding.rule), str(finding.severity)),
        element("P", interval_text(finding.at, page.times), className="at"),
        element(
            "Div",
            [
                element("Div", [*why, *_advice(finding)], className="why"),
                element("Div", [*_sources(page, episode), *_stages(page, episode)], className="sources"),
            ],
            className="columns",
        ),
        *_proof_table(page, proof),
    ]


def _episode(page: Page, episode: Episode) -> list[Child]:
    refs = [ref for stage in _all_stages(episode) for ref in stage.evidence]
    refs += [ref for check in episode.sources for ref in check.evidence]
    concerned = [finding.id for finding in page.findings.values() if finding.episode == episode.id]
    why: list[Child] = [element("P", episode_text(episode, page.result.vehicle), className="reason")]
    if concerned:
        why.append(element("P", [element("B", "Found about it: "), *_links(concerned)]))
    return [
        _head(f"Action · {episode.id}", term("actions", "") or "What the locks did", "action"),
        element("P", interval_text(episode.at, page.times), className="at"),
        element(
            "Div",
            [
                element("Div", [*why, *_stages(page, episode)], className="why"),
                element("Div", list(_sources(page, episode)), className="sources"),
            ],
            className="columns",
        ),
        *_proof_table(page, tuple(_resolved(page, refs))),
    ]


def _head(kicker: str, title: str, tone: str) -> Child:
    close = button("Close", className="close", data_choose="", aria_keyshortcuts="Escape")
    words = element(
        "H2", [element("Span", kicker, className="kind"), element("Span", title)], tabIndex="-1", id="reading-title"
    )
    return element("Div", [words, close], className=f"head {tone}")


def _links(ids: Sequence[str]) -> Iterable[Child]:
    return (button(name, className="link", data_choose=f"finding:{name}") for name in ids)


def _advice(finding: Finding) -> Iterable[Child]:
    if finding.cautions:
        yield element("H3", "Take care")
        yield element("Ul", [element("Li", text) for text in finding.cautions], className="plain caution")
    if finding.next_steps:
        yield element("H3", "What to do next")
        yield element("Ol", [element("Li", text) for text in finding.next_steps], className="steps")


def _sources(page: Page, episode: Episode | None) -> Iterable[Child]:
    if episode is None or not episode.sources:
        return
    groups: list[tuple[str, SourceRuling]] = [
        ("Who started it", SourceRuling.IN),
        ("Ruled out", SourceRuling.OUT),
        ("Cannot be ruled out", SourceRuling.OPEN),
    ]
    for title, ruling in groups:
        checks = [check for check in episode.sources if check.ruling is ruling]
        if checks:
            yield element("H3", title)
            yield element("Ul", [_source(page, check) for check in checks], className=f"plain rulings {ruling}")


def _source(page: Page, check: SourceCheck) -> Child:
    proof = [element("Li", evidence_text(piece, page.times)) for piece in _resolved(page, check.evidence)]
    text = source_check_text(check)
    if not proof:
        return element("Li", text)
    return element("Li", element("Details", [element("Summary", text), element("Ul", proof, className="plain small")]))


def _all_stages(episode: Episode) -> list[Any]:
    chain = [episode.request, episode.reception, episode.validation, episode.command]
    return [*chain, *episode.feedback.values()]


def _stages(page: Page, episode: Episode | None) -> Iterable[Child]:
    if episode is None:
        return
    names = ("request", "reception", "validation", "command")
    rows = [
        element("Li", stage_text(name, stage, page.times))
        for name, stage in zip(names, _all_stages(episode), strict=False)
        if stage.status is not StageStatus.NOT_NEEDED
    ]
    for name, stage in episode.feedback.items():
        title = closure_title(name, page.result.vehicle)
        text = stage_text("feedback", stage, page.times).replace(term("stages", "feedback"), "", 1)
        rows.append(element("Li", f"{title[:1].upper()}{title[1:]}{text}"))
    yield element("H3", "The chain")
    yield element("Ol", rows, className="chain")


def _resolved(page: Page, refs: Iterable[EvidenceRef]) -> Iterable[Evidence]:
    known = page.result.evidence
    return (known[ref] for ref in dict.fromkeys(refs) if ref in known)


def _proof_table(page: Page, proof: Sequence[Evidence]) -> Iterable[Child]:
    if not proof:
        return
    head = element("Thead", element("Tr", [element("Th", name, scope="col") for name in COLUMNS]))
    rows = [_absence(page, piece) if piece.absence else _frame(page, piece) for piece in dict.fromkeys(proof)]
    yield element("H3", "The frames that show it", id="proof-title")
    table = element("Table", head, element("Tbody", rows), className="proof", aria_labelledby="proof-title")
    yield element("Div", table, className="scroll", tabIndex="0", role="region", aria_labelledby="proof-title")


def _time(page: Page, t: int) -> Child:
    at = str(t - page.swimlane.zero)
    return button(moment_text(t, page.times, 6), className="link", title="Show on the lanes", data_moment=at)


def _frame(page: Page, piece: Evidence) -> Child:
    cells = [
        element("Td", _time(page, piece.t)),
        element("Td", piece.channel),
        element("Td", id_text(piece.can_id, piece.extended), className="code"),
        element("Td", piece.data, className="code"),
        element("Td", piece.signal),
        element("Td", piece.value),
        element("Td", piece.file),
        element("Td", str(piece.line), className="number"),
    ]
    return element("Tr", cells)


def _absence(page: Page, piece: Evidence) -> Child:
    text = evidence_text(piece, page.times)
    start = piece.t if piece.after is None else piece.after
    cells = [element("Td", _time(page, start)), element("Td", text[:1].upper() + text[1:], colSpan=len(COLUMNS) - 1)]
    return element("Tr", cells, className="absence")
