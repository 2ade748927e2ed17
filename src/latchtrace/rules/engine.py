"""Runs every rule over the worlds of a capture: findings linked to their causes, and a verdict for each rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from latchtrace.model.events import Reason
from latchtrace.model.history import first_reason
from latchtrace.model.results import Finding, Notice, Severity, Verdict, VerdictKind
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.at_once.clear import Clear
from latchtrace.rules.judgement import NEVER_SHOWN, Judgement, Ruling
from latchtrace.rules.occasions import Occasions, occasions_of
from latchtrace.rules.patterns import (
    absence,
    bounded_absence,
    bounded_recurrence,
    bounded_response,
    count,
    delay_classes,
    delays_at_once,
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


class Pattern(NamedTuple):
    """A pattern: `judge` gives the judgements of a rule in a world, `at_once` what the columns settle before that."""

    judge: Callable[..., Iterator[Judgement]]
    at_once: Callable[[Occasions], Clear] | None = None


PATTERNS: Mapping[str, Pattern] = {
    "absence": Pattern(absence.judgements, absence.at_once),
    "bounded-absence": Pattern(bounded_absence.judgements, bounded_absence.at_once),
    "response": Pattern(response.judgements, response.at_once),
    "precedence": Pattern(precedence.judgements, precedence.at_once),
    "bounded-response": Pattern(bounded_response.judgements, bounded_response.at_once),
    "delay-classes": Pattern(delay_classes.judgements, delays_at_once.at_once),
    "sequence": Pattern(sequence.judgements),
    "count": Pattern(count.judgements),
    "stability": Pattern(stability.judgements),
    "universality": Pattern(universality.judgements),
    "existence": Pattern(existence.judgements),
    "bounded-recurrence": Pattern(bounded_recurrence.judgements),
    "minimum-duration": Pattern(minimum_duration.judgements),
    "maximum-duration": Pattern(maximum_duration.judgements),
}
"""One line a pattern."""


@dataclass(frozen=True, slots=True)
class Judged:
    """Everything the rules said: findings in time order, a verdict per rule id, and the single judgements.

    Occasions that the columns alone show to pass are counted in the verdicts and have no judgement of their own.
    """

    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    judgements: tuple[tuple[Rule, World, Judgement], ...]
    notices: tuple[Notice, ...] = ()


def run_rules(rules: Sequence[Rule], worlds: Sequence[World], *, one_by_one: bool = False) -> Judged:
    """Judge every segment's world by every rule.

    A rule that crashes becomes a notice and an inconclusive verdict; the others go on. `one_by_one` gives a judgement
    of every occasion, for function tests: the findings and verdicts are the same.
    """
    judged: list[tuple[Rule, World, Judgement]] = []
    verdicts: list[Verdict] = []
    notices: list[Notice] = []
    for rule in rules:
        mine: list[tuple[Rule, World, Judgement]] = []
        passed: Counter[str] = Counter()
        try:
            applicable = [(world, not_applicable(rule, world)) for world in worlds]
            for world, hindered in applicable:
                if hindered is None:
                    judgements, clear = judged_by(rule, world, one_by_one=one_by_one)
                    mine += [(rule, world, judgement) for judgement in judgements]
                    passed.update(clear)
        except Exception as error:
            notices.append(Notice("rule-failed", f"rule {rule.texts[0].id} ({rule.file}) failed: {error!r}"))
            verdicts += [Verdict(text.id, VerdictKind.INCONCLUSIVE, detail="the rule failed") for text in rule.texts]
            continue
        judged += mine
        hindrances = [hindered for _, hindered in applicable]
        verdicts += [_verdict(text, [j for _, _, j in mine], passed[text.id], hindrances) for text in rule.texts]
    findings = _linked([(rule, finding) for rule, world, j in judged for finding in _finding(rule, world, j)])
    return Judged(findings, tuple(sorted(verdicts, key=lambda v: v.rule)), tuple(judged), tuple(notices))


def judged_by(rule: Rule, world: World, *, one_by_one: bool) -> tuple[Iterator[Judgement], Mapping[str, int]]:
    """The judgements of a rule in one world, and how many more occasions passed under each of its ids."""
    pattern = PATTERNS[rule.pattern]
    if one_by_one or pattern.at_once is None:
        return pattern.judge(rule, world), {}
    clear = pattern.at_once(occasions_of(rule, world))
    return pattern.judge(rule, world, clear), clear.passed


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
    passed: int,
    hindrances: Sequence[tuple[VerdictKind, Reason | None, str] | None],
) -> Verdict:
    rule_id = text.id
    mine = [j for j in judgements if j.rule_id == rule_id and j.ruling != Ruling.SKIPPED]
    if not mine and not passed:
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
    return Verdict(rule_id, kind, len(mine) + passed, len(failed), len(undecided), reason, detail)


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
