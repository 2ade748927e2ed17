"""The job card: everything a report for people says, as plain text lines, before any layout.

Terminal, HTML and PDF show the same card. All texts are cleaned: nothing in a capture, a file name or a vehicle
file can move the cursor, colour the terminal or turn the line around.
"""

from __future__ import annotations

import shlex
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from latchtrace.api import FUNCTIONS
from latchtrace.model.clock import Clock
from latchtrace.model.events import Reason
from latchtrace.model.quantity import time_text
from latchtrace.model.redaction import redacted
from latchtrace.model.results import (
    AnalysisResult,
    Episode,
    Evidence,
    Finding,
    Severity,
    SourceCheck,
    SourceRuling,
    Verdict,
    VerdictKind,
)
from latchtrace.model.time import SECOND, Interval
from latchtrace.reports.limits import what_it_cannot_tell
from latchtrace.reports.options import ReportOptions
from latchtrace.views import wording

ALWAYS = (
    "Latchtrace listens only. The vehicle's own documentation, local rules and licensed practice come first.",
    "A rule that passes says: no violation in this capture, as often as it was exercised; not that the car is sound.",
)
"""What stands under every report."""

_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Cn")
_ORDER = (Severity.FAULT, Severity.WARNING, Severity.NOTE)


@dataclass(frozen=True, slots=True)
class FindingCard:
    """One finding, ready to be laid out."""

    id: str
    rule: str
    severity: Severity
    label: str
    by_design: bool
    when: str
    title: str
    text: str
    origin: str
    proof: tuple[str, ...]
    ruled_out: tuple[str, ...]
    left_open: tuple[str, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]
    at: Interval


@dataclass(frozen=True, slots=True)
class EpisodeRow:
    """One line of the table of episodes."""

    id: str
    when: str
    what: str
    by: str
    outcome: str
    findings: str


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One line of the table of rules."""

    rule: str
    verdict: VerdictKind
    text: str


@dataclass(frozen=True, slots=True)
class CauseCard:
    """One likely cause, with what speaks for and against it."""

    title: str
    supports: tuple[str, ...]
    opposes: tuple[str, ...]
    unknown: tuple[str, ...]
    next_step: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ExercisedRow:
    """One function under one stimulus, and how to exercise it where it was not."""

    function: str
    stimulus: str
    times: int
    steps: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JobCard:
    """All a report for people says."""

    vehicle: str
    system: str
    files: tuple[str, ...]
    span: str
    summary: str
    findings: tuple[FindingCard, ...]
    causes: tuple[CauseCard, ...]
    episodes: tuple[EpisodeRow, ...]
    verdicts: tuple[VerdictRow, ...]
    not_exercised: tuple[str, ...]
    not_applicable: tuple[str, ...]
    exercised: tuple[ExercisedRow, ...]
    cannot_tell: tuple[str, ...]
    commands: tuple[str, ...]
    version: str


def job_card(result: AnalysisResult, options: ReportOptions) -> JobCard:
    """The card of one analysis; key codes masked unless the options ask for them."""
    shown = result if options.show_codes else redacted(result)
    times = options.clock(shown.capture)
    findings = sorted(shown.findings, key=lambda item: (_ORDER.index(item.severity), item.at, item.id))
    return JobCard(
        vehicle=clean(shown.vehicle.name),
        system=clean(shown.vehicle.system),
        files=tuple(_file_text(file.name, file.format, file.frames) for file in shown.capture.files),
        span=_span_text(shown, times),
        summary=_summary(shown, findings, times),
        findings=tuple(_finding(item, shown, times) for item in findings),
        causes=_causes(shown),
        episodes=tuple(_episode(item, shown, times) for item in shown.episodes),
        verdicts=_verdicts(item for item in shown.verdicts if _judged(item)),
        not_exercised=_rules(item for item in shown.verdicts if _idle(item)),
        not_applicable=_rules(item for item in shown.verdicts if item.verdict is VerdictKind.NOT_APPLICABLE),
        exercised=_exercised(shown),
        cannot_tell=tuple(clean(line) for line in what_it_cannot_tell(shown, times)),
        commands=_commands(shown, findings, options),
        version=clean(shown.version),
    )


def clean(text: str) -> str:
    """The text on one line, with everything that is not to be seen replaced by a sign that is."""
    flat = " ".join(text.split())
    return "".join("\N{REPLACEMENT CHARACTER}" if unicodedata.category(char) in _HIDDEN else char for char in flat)


def _all_clean(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(clean(text) for text in texts)


def _file_text(name: str, form: str, frames: int) -> str:
    return clean(f"{name} ({form}, {frames:,} frames)")


def _span_text(result: AnalysisResult, times: Clock) -> str:
    capture = result.capture
    length = time_text(capture.last - capture.zero)
    judged = _part_text(result, times)
    if not times.dated:
        return f"{length} long; times count {times.zone_text}{judged}"
    return f"{_from_to(capture.zero, capture.last, times)} {times.zone_text}, {length} long{judged}"


def _from_to(first: int, last: int, times: Clock) -> str:
    end = times.text(last, 0) if times.day(first) == times.day(last) else times.full(last, 0)
    return f"{times.full(first, 0)} to {end}"


def _part_text(result: AnalysisResult, times: Clock) -> str:
    """Which part of the capture was looked at, where that is not all of it."""
    first = min((one.span.lo for one in result.timelines), default=result.capture.zero)
    last = max((one.span.hi for one in result.timelines), default=result.capture.last)
    if first - result.capture.zero < SECOND and result.capture.last - last < SECOND:
        return ""
    return f"; looked at: {_from_to(first, last, times)}"


def _summary(result: AnalysisResult, findings: Sequence[Finding], times: Clock) -> str:
    seen = _count(len(result.episodes), "locking action")
    undecided = sum(item.verdict is VerdictKind.INCONCLUSIVE and not _idle(item) for item in result.verdicts)
    left = f" {_count(undecided, 'rule')} could not be decided." if undecided else ""
    if not findings:
        fit = any(item.verdict is VerdictKind.PASS for item in result.verdicts)
        word = "No violation in this capture" if fit else "Nothing could be judged in this capture"
        return f"{word}: {seen} rebuilt, nothing found.{left}"
    counts = Counter(str(item.severity) for item in findings)
    found = wording.counts_text({str(kind): counts.get(str(kind), 0) for kind in _ORDER})
    worst = _first(findings)
    first = clean(worst.message or wording.rule_title(worst.rule)).rstrip(".")
    return f"{found} in {seen}. First to look at: {worst.id}, {times.text(worst.at.hi, 0)}: {first}.{left}"


def _first(findings: Sequence[Finding]) -> Finding:
    """The finding to look at first: the worst, or what explains it."""
    causes = {item.id: item for item in findings}
    worst, seen = findings[0], {""}
    while worst.explained_by in causes and worst.explained_by not in seen:
        seen.add(worst.explained_by)
        worst = causes[worst.explained_by]
    return worst


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _finding(item: Finding, result: AnalysisResult, times: Clock) -> FindingCard:
    episode = next((episode for episode in result.episodes if episode.id == item.episode), None)
    checks = episode.sources if episode else ()
    return FindingCard(
        id=item.id,
        rule=item.rule,
        severity=item.severity,
        label=wording.finding_severity(item),
        by_design=item.by_design,
        when=clean(wording.interval_text(item.at, times)),
        title=clean(wording.rule_title(item.rule)),
        text=clean(wording.finding_text(item, result.vehicle)),
        origin=clean(f"{episode.origin} ({wording.origin_text(episode.origin)})") if episode else "",
        proof=proof_lines(item.proof, times),
        ruled_out=_checked(checks, SourceRuling.OUT),
        left_open=_checked(checks, SourceRuling.OPEN),
        next_steps=_all_clean(item.next_steps),
        cautions=_all_clean(item.cautions),
        at=item.at,
    )


def _checked(checks: Sequence[SourceCheck], ruling: SourceRuling) -> tuple[str, ...]:
    """The sources of one ruling, those with the same reason together."""
    by_reason: dict[str, list[str]] = {}
    for check in checks:
        if check.ruling is ruling:
            by_reason.setdefault(wording.check_reason(check), []).append(wording.origin_text(check.source))
    return _all_clean(
        f"{wording.listing(names)}: {reason}" if reason else wording.listing(names)
        for reason, names in by_reason.items()
    )


def proof_lines(proof: Sequence[Evidence], times: Clock) -> tuple[str, ...]:
    """Evidence as lines, one a frame: signals that the same frame shows stand together."""
    frames: dict[tuple[object, ...], list[Evidence]] = {}
    for piece in proof:
        wire = (piece.channel, piece.can_id, piece.extended)
        key = (piece.after, piece.until, piece.value, *wire) if piece.absence else (piece.file, piece.line, *wire)
        frames.setdefault(key, []).append(piece)
    return tuple(clean(wording.evidence_text(_joined(pieces), times)) for pieces in frames.values())


def _joined(pieces: Sequence[Evidence]) -> Evidence:
    """One piece of evidence that names the signals of all of them; of an absence, what it is the absence of."""
    if pieces[0].absence:
        return replace(pieces[0], signal=pieces[0].signal or pieces[0].value)
    shown = [piece for piece in dict.fromkeys(pieces) if piece.signal]
    if not shown:
        return pieces[0]
    *others, last = shown
    return replace(last, signal="".join(f"{piece.signal} = {piece.value}, " for piece in others) + last.signal)


def _causes(result: AnalysisResult) -> tuple[CauseCard, ...]:
    return tuple(
        CauseCard(
            title=clean(f"{wording.sentence(item.symptom)}: {item.cause}"),
            supports=_all_clean(item.supports),
            opposes=_all_clean(item.opposes),
            unknown=_all_clean(item.unknown),
            next_step=clean(item.next_step),
            cautions=_all_clean(item.cautions),
        )
        for item in result.diagnosis
    )


def _episode(item: Episode, result: AnalysisResult, times: Clock) -> EpisodeRow:
    key = f", key {item.key_slot}" if item.key_slot is not None else ""
    left_open = f" (or {wording.sources_text(item.cannot_rule_out)})" if item.cannot_rule_out else ""
    by = f"{wording.origin_text(item.origin)}{key}{left_open}"
    if item.origin == "unknown" and item.cannot_rule_out:
        by = f"not decided: {wording.sources_text(item.cannot_rule_out)}"
    return EpisodeRow(
        id=clean(item.id),
        when=clean(wording.moment_text(item.at.hi, times, 1)),
        what=clean(wording.action_text(item.action)),
        by=clean(by),
        outcome=clean(wording.outcome_text(item, result.vehicle)),
        findings=", ".join(finding.id for finding in result.findings if finding.episode == item.id),
    )


def _judged(item: Verdict) -> bool:
    return item.verdict is not VerdictKind.NOT_APPLICABLE and not _idle(item)


def _idle(item: Verdict) -> bool:
    return item.verdict is VerdictKind.INCONCLUSIVE and item.reason is Reason.NOT_EXERCISED


def _rules(verdicts: Iterable[Verdict]) -> tuple[str, ...]:
    return _all_clean(sorted(item.rule for item in verdicts))


def _verdicts(verdicts: Iterable[Verdict]) -> tuple[VerdictRow, ...]:
    order = (VerdictKind.FAIL, VerdictKind.INCONCLUSIVE, VerdictKind.PASS)
    ranked = sorted(verdicts, key=lambda item: (order.index(item.verdict), item.rule))
    return tuple(VerdictRow(clean(item.rule), item.verdict, clean(wording.verdict_text(item))) for item in ranked)


def _exercised(result: AnalysisResult) -> tuple[ExercisedRow, ...]:
    return tuple(
        ExercisedRow(
            function=clean(wording.function_text(item.function)),
            stimulus=clean(item.stimulus),
            times=item.times,
            steps=_all_clean(map(wording.sentence, item.steps)),
            cautions=_all_clean(item.cautions),
        )
        for item in result.exercised
    )


def _commands(result: AnalysisResult, findings: Sequence[Finding], options: ReportOptions) -> tuple[str, ...]:
    """What to run next; nothing where it is not known what was analysed."""
    if not options.captures or not options.vehicle or "-" in options.captures:
        return ()
    captures = " ".join(shlex.quote(name) for name in options.captures)
    rules = f" --rules {clean(shlex.quote(options.rules))}" if options.rules else ""
    inputs = clean(f"{captures} --vehicle {shlex.quote(options.vehicle)}") + rules
    commands = [f"latchtrace serve {inputs}", f"latchtrace analyse {inputs} --html report.html"]
    tested = [name for name in FUNCTIONS if result.vehicle.functions.get(name)]
    commands += [f"latchtrace verify {name} {inputs}" for name in tested]
    worth = [item for item in findings if item.severity is not Severity.NOTE]
    more = [f"latchtrace rules show {clean(_first(worth).rule)}{rules}"] if worth else []
    return (*commands, *more)
