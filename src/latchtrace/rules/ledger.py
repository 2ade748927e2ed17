"""What one rule said so far: counts by its ids, findings, and the delays a trend is told from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from latchtrace.model.events import Reason
from latchtrace.model.history import first_reason
from latchtrace.model.results import Finding, Severity, Verdict, VerdictKind
from latchtrace.rules.item import Doubt
from latchtrace.rules.judgement import NEVER_SHOWN, Judgement, Ruling
from latchtrace.rules.rule import Rule, Texts
from latchtrace.rules.wording import finding_of
from latchtrace.rules.world import World

Hindrance = tuple[VerdictKind, Reason | None, str]


@dataclass(slots=True)
class Ledger:
    """Counts of one rule; `hindrances` of every world (None where the rule applied), `failed` the error of a crash."""

    rule: Rule
    exercised: Counter[str] = field(default_factory=Counter)
    failures: Counter[str] = field(default_factory=Counter)
    undecided: Counter[str] = field(default_factory=Counter)
    doubts: dict[str, dict[Doubt, None]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    hindrances: list[Hindrance | None] = field(default_factory=list)
    crash: Exception | None = None

    def passed(self, rule_id: str, count: int) -> None:
        """Occasions that surely passed."""
        self.exercised[rule_id] += count

    def note(self, world: World, judgement: Judgement) -> None:
        """A single judgement."""
        if judgement.ruling is Ruling.SKIPPED:
            return
        rule_id = judgement.rule_id
        self.exercised[rule_id] += 1
        self.failures[rule_id] += judgement.ruling is Ruling.FAIL
        if judgement.ruling is Ruling.UNDECIDED:
            self.undecided[rule_id] += 1
            self.doubts.setdefault(rule_id, {}).update(dict.fromkeys(judgement.doubts))
        self.findings += findings_of(self.rule, world, judgement)

    def verdicts(self) -> Iterator[Verdict]:
        """What the rule says of everything so far, one verdict for each of its ids."""
        for texts in self.rule.texts:
            yield self._verdict(texts)

    def _verdict(self, texts: Texts) -> Verdict:
        rule_id = texts.id
        if self.crash is not None:
            return Verdict(rule_id, VerdictKind.INCONCLUSIVE, detail="the rule failed")
        if not self.exercised[rule_id]:
            hindrance = next((one for one in self.hindrances if one is not None), None)
            if hindrance is not None and None not in self.hindrances:
                return Verdict(rule_id, hindrance[0], reason=hindrance[1], detail=hindrance[2])
            return Verdict(rule_id, VerdictKind.INCONCLUSIVE, reason=Reason.NOT_EXERCISED)
        failed = 0 if texts.by_design else self.failures[rule_id]
        undecided, doubts = self.undecided[rule_id], self.doubts.get(rule_id, {})
        reason = first_reason(reason for reason, _ in doubts) if undecided and not failed else None
        roles = sorted({role for known, role in doubts if known == reason and role})
        kind = VerdictKind.FAIL if failed else VerdictKind.INCONCLUSIVE if undecided else VerdictKind.PASS
        detail = ", ".join(roles) if reason else ""
        return Verdict(rule_id, kind, self.exercised[rule_id], failed, undecided, reason, detail)


def findings_of(rule: Rule, world: World, judgement: Judgement) -> Iterator[Finding]:
    """The finding of a violation; of one that only a role the network never shows could excuse, a warning."""
    if judgement.ruling is Ruling.FAIL:
        yield finding_of(rule, world, judgement)
    elif judgement.ruling is Ruling.UNDECIDED and judgement.suspect:
        open_roles = tuple(dict.fromkeys(role for reason, role in judgement.doubts if reason in NEVER_SHOWN))
        finding = finding_of(rule, world, judgement)
        severity = Severity.WARNING if finding.severity == Severity.FAULT else finding.severity
        if finding.severity != Severity.NOTE:
            yield replace(finding, severity=severity, conclusive=False, cannot_rule_out=open_roles)


def linked(found: Sequence[tuple[Rule, Finding]]) -> tuple[Finding, ...]:
    """Findings in time order with ids, each pointing at the finding that explains it."""
    ordered = sorted(found, key=lambda pair: (pair[1].at, pair[1].rule, pair[1].closures))
    numbered = [(rule, replace(finding, id=f"F{i}")) for i, (rule, finding) in enumerate(ordered, 1)]
    by_episode: dict[tuple[str, str], list[Finding]] = {}
    for _, finding in numbered:
        if finding.episode:
            by_episode.setdefault((finding.rule, finding.episode), []).append(finding)
    return tuple(replace(finding, explained_by=_cause(rule, finding, by_episode)) for rule, finding in numbered)


def _cause(rule: Rule, effect: Finding, by_episode: dict[tuple[str, str], list[Finding]]) -> str:
    for cause in rule.causes:
        episode = effect.episode if cause.of == "episode" else effect.previous_episode
        for other in by_episode.get((cause.rule, episode), ()):
            if not effect.closures or set(effect.closures) & set(other.closures):
                return other.id
    return ""
