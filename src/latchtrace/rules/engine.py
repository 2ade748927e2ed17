"""Runs every rule over the worlds of a capture: findings linked to their causes, and a verdict for each rule."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import NamedTuple

from latchtrace.model.events import Reason
from latchtrace.model.results import Finding, Notice, Verdict, VerdictKind
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.at_once.clear import Clear, all_open
from latchtrace.rules.judgement import Judgement
from latchtrace.rules.ledger import Ledger, linked
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
from latchtrace.rules.patterns.series import Series, trends
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World

Part = Callable[[Occasions], Occasions]
"""Chooses some of the occasions of a rule."""


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
    ledgers = [Ledger(rule) for rule in rules]
    judged: list[tuple[Rule, World, Judgement]] = []
    for ledger in ledgers:
        mine: list[tuple[Rule, World, Judgement]] = []
        with crash_noted(ledger):
            for world in worlds:
                series = Series()
                judgements = judge_world(ledger, world, series, one_by_one=one_by_one)
                mine += [(ledger.rule, world, one) for one in (*judgements, *conclude(ledger, world, series))]
        judged += mine if ledger.crash is None else []
    return sum_up(ledgers, judged)


def sum_up(ledgers: Sequence[Ledger], judged: Sequence[tuple[Rule, World, Judgement]] = ()) -> Judged:
    """Everything the rules said, from their ledgers."""
    found = [(one.rule, finding) for one in ledgers if one.crash is None for finding in one.findings]
    verdicts = sorted((verdict for one in ledgers for verdict in one.verdicts()), key=lambda one: one.rule)
    notices = [
        Notice("rule-failed", f"rule {one.rule.texts[0].id} ({one.rule.file}) failed: {one.crash!r}")
        for one in ledgers
        if one.crash is not None
    ]
    return Judged(linked(found), tuple(verdicts), tuple(judged), tuple(notices))


@contextmanager
def crash_noted(ledger: Ledger) -> Iterator[None]:
    """A rule that crashes is noted as failed; the others go on."""
    try:
        yield
    except Exception as error:
        ledger.crash = error


def judge_world(
    ledger: Ledger, world: World, series: Series, *, one_by_one: bool = False, part: Part | None = None
) -> list[Judgement]:
    """Judge a world, or the occasions of a `part` of it, by the rule of a ledger, and note what comes out."""
    rule = ledger.rule
    hindered = not_applicable(rule, world)
    ledger.hindrances = [*ledger.hindrances, hindered] if part is None else [hindered]
    if hindered is not None:
        return []
    pattern = PATTERNS[rule.pattern]
    clear: Clear | None = None
    if pattern.at_once is not None and not (one_by_one and part is None):
        occasions = occasions_of(rule, world)
        chosen = occasions if part is None else part(occasions)
        clear = all_open(chosen) if one_by_one else pattern.at_once(chosen)
        for rule_id, count in clear.passed.items():
            ledger.passed(rule_id, count)
    judgements = list(pattern.judge(rule, world) if clear is None else pattern.judge(rule, world, clear))
    for judgement in judgements:
        ledger.note(world, judgement)
    if rule.trend is not None:
        series.collect(judgements, clear)
    return judgements


def conclude(ledger: Ledger, world: World, series: Series) -> list[Judgement]:
    """What can only be told when everything has been seen: the trend of a series."""
    told = list(trends(ledger.rule, ledger.rule.trend, series)) if ledger.rule.trend is not None else []
    for judgement in told:
        ledger.note(world, judgement)
    return told


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
