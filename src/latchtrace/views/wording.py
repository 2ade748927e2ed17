"""Plain words for what an analysis found: one wording for every report and screen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from latchtrace.model.clock import Clock
from latchtrace.model.events import Reason
from latchtrace.model.plan import id_text
from latchtrace.model.quantity import duration_text
from latchtrace.model.results import (
    Episode,
    Evidence,
    Finding,
    Measured,
    Outcome,
    Severity,
    SourceCheck,
    SourceRuling,
    Stage,
    StageStatus,
    Verdict,
    VerdictKind,
)
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import Vehicle
from latchtrace.views.terms import own_label, term, term_of


def moment_text(t_ns: int, times: Clock, digits: int = 3) -> str:
    """A moment by the capture's clock; counted from its start where the capture, or the calendar, has no such day."""
    try:
        return times.text(t_ns, digits)
    except (OverflowError, ValueError, OSError):
        return times.since_start(t_ns, digits)


def interval_text(at: Interval, times: Clock, digits: int = 3) -> str:
    """An uncertain moment: one clock time where both ends read the same, else `between … and …`."""
    lo, hi = moment_text(at.lo, times, digits), moment_text(at.hi, times, digits)
    return hi if lo == hi else f"between {lo} and {hi}"


def listing(words: Iterable[str], last: str = "and") -> str:
    """Words as a list in a sentence: `a, b and c`."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def sentence(text: str) -> str:
    """The text with a capital first letter, all else untouched."""
    return text[:1].upper() + text[1:]


def closure_title(name: str, vehicle: Vehicle) -> str:
    """A closure as the vehicle file calls it, else its name in words: `rear-left` is `rear left`."""
    title = next((closure.title for closure in vehicle.closures if closure.name == name), "")
    return title or name.replace("-", " ")


def closure_text(names: Sequence[str], vehicle: Vehicle) -> str:
    """Closures in a sentence: `driver's door and tailgate`, or `all closures` where it is all that lock."""
    if len(names) > 1 and set(names) == set(vehicle.lockable):
        return "all closures"
    return listing(closure_title(name, vehicle) for name in names)


def source_title(source: str) -> str:
    """A source as a heading: `Remote key`."""
    return sentence(term_of("sources", source, "title"))


def origin_text(origin: str) -> str:
    """Who did it, in a sentence after `by`: `the remote key`, `nobody`."""
    return term_of("sources", origin, "phrase")


def action_text(action: str) -> str:
    """An action as a sentence starts with it: `Unlocked`."""
    return sentence(term_of("actions", action, "done"))


def severity_text(severity: Severity | str, by_design: bool = False, conclusive: bool = True) -> str:
    """How bad a finding is: `Fault`, `Note, by design`, `Warning, not decided`."""
    word = term("severities", str(severity))
    return word + (", by design" if by_design else "") + ("" if conclusive else ", not decided")


def finding_severity(finding: Finding) -> str:
    """How bad this finding is, with whether it is meant that way and whether it is decided."""
    return severity_text(finding.severity, finding.by_design, finding.conclusive)


def rule_title(rule: str) -> str:
    """A rule's id as a heading: `Command without request`."""
    return sentence(rule.replace("-", " ").replace("_", " "))


def finding_text(finding: Finding, vehicle: Vehicle) -> str:
    """A finding as one plain paragraph: what, where, what was measured against which limit, and what is open."""
    parts = [_stop(sentence(finding.message) or rule_title(finding.rule))]
    concerned = closure_text(finding.closures, vehicle)
    named = concerned in finding.message or any(closure_title(n, vehicle) in finding.message for n in finding.closures)
    if finding.closures and not named:
        parts.append(f"Concerned: {concerned}.")
    if finding.measured is not None:
        limit = f", limit {finding.limit}" if finding.limit else ""
        parts.append(f"Measured {measured_text(finding.measured)}{limit}.")
    if finding.cannot_rule_out:
        parts.append(f"Cannot be ruled out: {sources_text(finding.cannot_rule_out)}.")
    if finding.explained_by:
        parts.append(f"Explained by finding {finding.explained_by}.")
    return " ".join(parts)


def _stop(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def sources_text(sources: Sequence[str]) -> str:
    """Several sources, or roles that would show them, in a sentence: `an inside handle or a hand release`."""
    return listing((origin_text(source.removeprefix("request.")) for source in sources), "or")


def episode_text(episode: Episode, vehicle: Vehicle) -> str:
    """An episode as one sentence: `Unlocked by nobody: every closure followed.`"""
    key = f" (key {episode.key_slot})" if episode.key_slot is not None else ""
    done = action_text(episode.action)
    if episode.outcome in (Outcome.REFUSED, Outcome.NO_COMMAND):
        done = f"{sentence(term_of('actions', episode.action, 'noun'))} asked for"
    text = f"{done} by {origin_text(episode.origin)}{key}: {outcome_text(episode, vehicle)}"
    if episode.cannot_rule_out:
        text += f"; {sources_text(episode.cannot_rule_out)} cannot be ruled out"
    return f"{text}."


def outcome_text(episode: Episode, vehicle: Vehicle) -> str:
    """How an episode ended, with the closures that did not follow."""
    left = [name for name, stage in episode.feedback.items() if stage.status is StageStatus.MISSING]
    if episode.outcome is Outcome.PARTIAL and left:
        return f"{closure_text(left, vehicle)} did not follow"
    return term("outcomes", str(episode.outcome))


def stage_text(name: str, stage: Stage, times: Clock) -> str:
    """One stage of a chain: `Key check: key accepted, +00:30:12.100`."""
    title = term("stages", name)
    if stage.status is not StageStatus.SEEN:
        return f"{title}: {term('statuses', str(stage.status))}"
    what = term("states", stage.value) if stage.value else "seen"
    when = f", {interval_text(stage.at, times)}" if stage.at else ""
    return f"{title}: {what}{when}"


def verdict_text(verdict: Verdict) -> str:
    """What a rule says of the whole capture: `no violation in this capture, exercised 4 times`."""
    kind = verdict.verdict
    text = term("verdicts", str(kind))
    if kind is VerdictKind.FAIL:
        text += f" {times_text(verdict.failed)} of {max(verdict.exercised, verdict.failed)}"
    elif kind is VerdictKind.PASS:
        text += f", exercised {times_text(verdict.exercised)}"
    elif kind is VerdictKind.INCONCLUSIVE and verdict.inconclusive:
        text += f" {times_text(verdict.inconclusive)}"
    if verdict.reason is not None:
        text += f": {reason_text(verdict.reason)}"
    return text + (f" ({verdict.detail})" if verdict.detail else "")


def times_text(count: int) -> str:
    """How often: `once`, `twice`, `7 times`."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def reason_text(reason: Reason | str) -> str:
    """Why a verdict is not plain, as the end of a sentence."""
    return term("reasons", str(reason))


def source_check_text(check: SourceCheck) -> str:
    """What was found out about one candidate source: `Remote key: ruled out (no press was received)`."""
    ruling = term("rulings", str(check.ruling))
    reason = f" ({check_reason(check)})" if check.reason else ""
    return f"{source_title(check.source)}: {ruling}{reason}"


def check_reason(check: SourceCheck) -> str:
    """Why a source was ruled in, out or left open: `asked for nothing`, `not shown by this network`."""
    return term("left-open", check.reason) if check.ruling is SourceRuling.OPEN else check.reason


def measured_text(measured: Measured) -> str:
    """A measured quantity in its unit; one figure where both ends read the same."""
    if measured.unit == "ns":
        return duration_text(Interval(int(measured.lo), int(measured.hi)))
    lo, hi = f"{measured.lo:.4g}", f"{measured.hi:.4g}"
    unit = f" {measured.unit}" if measured.unit else ""
    return f"{lo}{unit}" if lo == hi else f"between {lo} and {hi}{unit}"


def evidence_text(evidence: Evidence, times: Clock) -> str:
    """One piece of evidence as a line: a frame with what it shows, or what was not there, and between which times."""
    name = f"{evidence.channel} {id_text(evidence.can_id, evidence.extended)}".strip()
    if evidence.after is not None:
        until = "the end of the capture" if evidence.until is None else moment_text(evidence.until, times)
        shown = evidence.signal or evidence.value
        what = f" showing {shown}" if shown else ""
        return f"no frame of {name}{what} from {moment_text(evidence.after, times)} until {until}"
    shows = f": {evidence.signal} = {evidence.value}" if evidence.signal else ""
    place = f"{evidence.file}, line {evidence.line}"
    return f"{moment_text(evidence.t, times)} {name} [{evidence.data}]{shows} ({place})"


def role_text(role: str, vehicle: Vehicle | None = None) -> str:
    """A role in trade terms: `latch.front-left` is `latch state, driver's door`."""
    kind, _, subject = role.partition(".")
    title = term("roles", kind)
    if not subject:
        return title
    if kind == "request":
        return f"{title}s by {origin_text(subject)}"
    known = vehicle is not None and any(closure.name == subject for closure in vehicle.closures)
    return f"{title}, {closure_title(subject, vehicle) if vehicle and known else subject.replace('-', ' ')}"


def function_text(function: str) -> str:
    """A function by its trade name: `automatic relock`."""
    return term("functions", function).replace("-", " ")


def state_text(state: str) -> str:
    """A state, action or result as people read it."""
    return term("states", state)


def counts_text(counts: Mapping[str, int]) -> str:
    """Findings counted by severity: `2 faults, 1 warning`; `nothing found` where there is none."""
    words = [f"{n} {own_label(name)}{'' if n == 1 else 's'}" for name, n in counts.items() if n]
    return ", ".join(words) or "nothing found"
