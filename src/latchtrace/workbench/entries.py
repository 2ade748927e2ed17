"""The left-hand page: what was found, as sentences in time order, then every action, then what each rule says."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from latchtrace.model.results import Episode, Finding, Severity, VerdictKind
from latchtrace.views.terms import term
from latchtrace.views.wording import (
    closure_text,
    counts_text,
    episode_text,
    finding_severity,
    moment_text,
    rule_title,
    sentence,
    verdict_text,
)
from latchtrace.workbench.catalogue import Page
from latchtrace.workbench.element import button, element

MOST_ENTRIES = 400


def layout() -> Any:
    """The page's frame; a callback fills it for the capture chosen."""
    return element("Aside", element("Div", id="entries"), className="entries", aria_label="Findings and actions")


def entries(page: Page) -> list[Any]:
    """All entries of one capture."""
    findings = _by_cause(list(page.findings.values()))
    counts = {str(kind): sum(finding.severity is kind for finding in findings) for kind in Severity}
    return [
        element("H2", "Findings", id="findings-title"),
        element("P", sentence(counts_text(counts)) + ".", className="count"),
        *_listing([_finding(page, finding) for finding in findings], "findings", "findings-title"),
        element("H2", "What the locks did", id="actions-title"),
        *([] if page.episodes else [element("P", "Nothing in this capture.", className="count")]),
        *_listing([_episode(page, episode) for episode in page.episodes.values()], "actions", "actions-title"),
        *_diagnosis(page),
        _verdicts(page),
        *_notices(page),
    ]


def _listing(items: list[Any], name: str, title: str) -> Iterable[Any]:
    if items:
        yield element("Ol", *items[:MOST_ENTRIES], className=name, aria_labelledby=title)
    more = len(items) - MOST_ENTRIES
    if more > 0:
        yield element("P", f"And {more} more: step through them with n and p, or read the table below the lanes.")


def _by_cause(findings: list[Finding]) -> list[Finding]:
    """In time order, but what another finding explains comes right after it."""
    known = {finding.id for finding in findings}
    followers: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.explained_by in known and finding.explained_by != finding.id:
            followers.setdefault(finding.explained_by, []).append(finding)
    ordered: dict[str, Finding] = {}

    def put(finding: Finding) -> None:
        if finding.id not in ordered:
            ordered[finding.id] = finding
            for follower in followers.get(finding.id, ()):
                put(follower)

    for finding in findings:
        if finding.explained_by not in known:
            put(finding)
    for finding in findings:
        put(finding)
    return list(ordered.values())


def _finding(page: Page, finding: Finding) -> Any:
    facts = [finding_severity(finding), finding.id, closure_text(finding.closures, page.result.vehicle)]
    if finding.explained_by:
        facts.append(f"follows from {finding.explained_by}")
    said = element("Span", _stop(finding.message), className="said")
    kind = element("Span", " · ".join(fact for fact in facts if fact), className="kind")
    classes = f"entry {finding.severity}" + (" follows" if finding.explained_by else "")
    return element(
        "Li", _entry(page, finding.at.hi, said, kind), className=classes, data_choose=f"finding:{finding.id}"
    )


def _stop(text: str) -> str:
    text = sentence(text)
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _episode(page: Page, episode: Episode) -> Any:
    said = element("Span", episode_text(episode, page.result.vehicle), className="said")
    nobody = " nobody" if episode.origin == "none" else ""
    return element(
        "Li",
        _entry(page, episode.at.hi, said),
        className=f"entry action {episode.action}{nobody}",
        data_choose=f"action:{episode.id}",
    )


def _entry(page: Page, t: int, *words: Any) -> Any:
    return button(_when(page, t), element("Span", className="sign", aria_hidden="true"), *words, aria_pressed="false")


def _when(page: Page, t: int) -> Any:
    return element("Span", moment_text(t, page.times, 0), className="when", title=page.times.since_start(t))


def _diagnosis(page: Page) -> Iterable[Any]:
    for cause in page.result.diagnosis:
        points = [("For it", cause.supports), ("Against it", cause.opposes), ("Not known", cause.unknown)]
        rows = [element("Li", [element("B", f"{title}: "), text]) for title, texts in points for text in texts]
        yield element("H2", "Likely cause")
        yield element("P", [element("B", _stop(cause.cause)), f" For: {cause.symptom}."])
        yield element("Ul", rows, className="plain")
        if cause.next_step:
            yield element("P", [element("B", "Next: "), _stop(cause.next_step)])
        yield from (element("P", _stop(text), className="caution") for text in cause.cautions)


_ORDER = [VerdictKind.FAIL, VerdictKind.INCONCLUSIVE, VerdictKind.PASS, VerdictKind.NOT_APPLICABLE]


def _verdicts(page: Page) -> Any:
    verdicts = sorted(page.result.verdicts, key=lambda verdict: (_ORDER.index(verdict.verdict), verdict.rule))
    rows = [
        element(
            "Li",
            [element("B", rule_title(verdict.rule)), f": {verdict_text(verdict)}."],
            className=str(verdict.verdict),
        )
        for verdict in verdicts
    ]
    return element(
        "Details", [element("Summary", f"What was checked ({len(rows)} rules)"), element("Ul", rows, className="plain")]
    )


def _notices(page: Page) -> Iterable[Any]:
    report = page.result.capture
    rows = [
        element("Li", f"{_stop(notice.message)}" + (f" ({notice.count} times)" if notice.count > 1 else ""))
        for notice in page.result.notices
    ]
    rows += [element("Li", f"{count} lines skipped: {reason}.") for reason, count in report.skipped_count]
    rows += [element("Li", _gap(page, i)) for i in range(min(len(report.gaps), MOST_ENTRIES))]
    files = [
        element(
            "Li", f"{file.name}: {file.format}, {file.frames:,} frames on {', '.join(file.channels) or 'no channel'}"
        )
        for file in report.files
    ]
    yield element(
        "Details",
        [
            element("Summary", "The recording"),
            element("Ul", [*files, *rows], className="plain"),
            element("P", page.times.zone_text),
        ],
    )


def _gap(page: Page, i: int) -> str:
    gap = page.result.capture.gaps[i]
    start, end = (moment_text(t, page.times) for t in (gap.span.lo, gap.span.hi))
    return f"Not recorded from {start} to {end}: {term('gaps', str(gap.cause))}."
