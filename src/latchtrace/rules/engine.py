"""Runs every rule over the worlds of a capture: findings linked to their causes, and a verdict for each rule."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from latchtrace.model.events import Reason
from latchtrace.model.history import first_reason
from latchtrace.model.results import Finding, Notice, Severity, Verdict, VerdictKind
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.judgement import NEVER_SHOWN, Judgement, Ruling
from latchtrace.rules.patterns import (
    absence,
    bounded_absence,
    bounded_recurrence,
    bounded_response,
    count,
    delay_classes,
    existence,
    maximum_duration,
    minimum_duration,
    precedence,
    response,
    sequence,
    stability,
    universality,
)
from latchtrace.rules.rule import Rule, Texts
from latchtrace.rules.wording import finding_of
from latchtrace.rules.world import World

Pattern = Callable[[Rule, World], Iterator[Judgement]]

PATTERNS: Mapping[str, Pattern] = {
    "absence": absence.judgements,
    "bounded-absence": bounded_absence.judgements,
    "response": response.judgements,
    "precedence": precedence.judgements,
    "bounded-response": bounded_response.judgements,
    "delay-classes": delay_classes.judgements,
    "sequence": sequence.judgements,
    "count": count.judgements,
    "stability": stability.judgements,
    "universality": universality.judgements,
    "existence": existence.judgements,
    "bounded-recurrence": bounded_recurrence.judgements,
    "minimum-duration": minimum_duration.judgements,
    "maximum-duration": maximum_duration.judgements,
}
"""One line a pattern."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Everything the rules said: findings in time order, a verdict per rule id, and every single judgement."""

    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    judgements: tuple[tuple[Rule, World, Judgement], ...]
    notices: tuple[Notice, ...] = ()


def run_rules(rules: Sequence[Rule], worlds: Sequence[World]) -> Judged:
    """Judge every segment's world by every rule.

    A rule that crashes becomes a notice and an inconclusive verdict; the others go on.
    """
    judged: list[tuple[Rule, World, Judgement]] = []
    verdicts: list[Verdict] = []
    notices: list[Notice] = []
    for rule in rules:
        mine: list[tuple[Rule, World, Judgement]] = []
        try:
            applicable = [(world, not_applicable(rule, world)) for world in worlds]
            for world, hindered in applicable:
                if hindered is None:
                    mine += [(rule, world, judgement) for judgement in PATTERNS[rule.pattern](rule, world)]
        except Exception as error:
            notices.append(Notice("rule-failed", f"rule {rule.texts[0].id} ({rule.file}) failed: {error!r}"))
            verdicts += [Verdict(text.id, VerdictKind.INCONCLUSIVE, detail="the rule failed") for text in rule.texts]
            continue
        judged += mine
        hindrances = [hindered for _, hindered in applicable]
        verdicts += [_verdict(text, [j for _, _, j in mine], hindrances) for text in rule.texts]
    findings = _linked([(rule, finding) for rule, world, j in judged for finding in _finding(rule, world, j)])
    return Judged(findings, tuple(sorted(verdicts, key=lambda v: v.rule)), tuple(judged), tuple(notices))


def not_applicable(rule: Rule, world: World) -> tuple[VerdictKind, Reason | None, str] | None:
    """Why a rule says nothing of a vehicle or capture: a trigger role that is not there, or silent; no limit stated."""
    if rule.fitted and world.vehicle.functions.get(rule.fitted) is False:
        return VerdictKind.NOT_APPLICABLE, None, f"{rule.fitted} is not fitted"
    for kind in rule.needs:
        if "." in kind:  # a limit
            if kind not in world.vehicle.parameters:
                return VerdictKind.INCONCLUSIVE, Reason.LIMIT_NOT_STATED, kind
            continue
        roles = world.history.roles(kind) or [world.history.coverage(kind)]
        mapped = [known for known in roles if known.status == RoleStatus.MAPPED]
        if not mapped:
            fitted = any(known.status == RoleStatus.NOT_VISIBLE for known in roles)
            return VerdictKind.NOT_APPLICABLE, Reason.NOT_VISIBLE if fitted else None, kind
        if all(known.seen is None for known in mapped):
            return VerdictKind.INCONCLUSIVE, Reason.SILENT, kind
    return None


def _verdict(
    text: Texts,
    judgements: Sequence[Judgement],
    hindrances: Sequence[tuple[VerdictKind, Reason | None, str] | None],
) -> Verdict:
    rule_id = text.id
    mine = [j for j in judgements if j.rule_id == rule_id and j.ruling != Ruling.SKIPPED]
    if not mine:
        hindrance = next((one for one in hindrances if one is not None), None)
        if hindrance is not None and None not in hindrances:
            return Verdict(rule_id, hindrance[0], reason=hindrance[1], detail=hindrance[2])
        return Verdict(rule_id, VerdictKind.INCONCLUSIVE, reason=Reason.NOT_EXERCISED)
    failed = [] if text.by_design else [j for j in mine if j.ruling == Ruling.FAIL]
    undecided = [j for j in mine if j.ruling == Ruling.UNDECIDED]
    reason = first_reason(r for j in undecided for r, _ in j.doubts) if undecided and not failed else None
    doubts = sorted({role for j in undecided for r, role in j.doubts if r == reason and role})
    kind = VerdictKind.FAIL if failed else VerdictKind.INCONCLUSIVE if undecided else VerdictKind.PASS
    detail = ", ".join(doubts) if reason else ""
    return Verdict(rule_id, kind, len(mine), len(failed), len(undecided), reason, detail)


def _finding(rule: Rule, world: World, judgement: Judgement) -> Iterator[Finding]:
    if judgement.ruling == Ruling.FAIL:
        yield finding_of(rule, world, judgement)
    elif judgement.ruling == Ruling.UNDECIDED and judgement.suspect:
        open_roles = tuple(dict.fromkeys(role for reason, role in judgement.doubts if reason in NEVER_SHOWN))
        finding = finding_of(rule, world, judgement)
        severity = Severity.WARNING if finding.severity == Severity.FAULT else finding.severity
        if finding.severity != Severity.NOTE:
            yield replace(finding, severity=severity, conclusive=False, cannot_rule_out=open_roles)


def _linked(found: Sequence[tuple[Rule, Finding]]) -> tuple[Finding, ...]:
    """Findings in time order with ids, each pointing at the finding that explains it."""
    ordered = sorted(found, key=lambda pair: (pair[1].at, pair[1].rule, pair[1].closures))
    numbered = [(rule, replace(finding, id=f"F{i}")) for i, (rule, finding) in enumerate(ordered, 1)]
    results = []
    for rule, finding in numbered:
        cause = next(
            (
                other.id
                for cause in rule.causes
                for _, other in numbered
                if other.rule == cause.rule and _explains(cause.of, other, finding)
            ),
            "",
        )
        results.append(replace(finding, explained_by=cause))
    return tuple(results)


def _explains(of: str, cause: Finding, effect: Finding) -> bool:
    covered = not effect.closures or bool(set(effect.closures) & set(cause.closures))
    episode = effect.episode if of == "episode" else effect.previous_episode
    return bool(cause.episode) and cause.episode == episode and covered
