"""What a pattern says of one occasion, and how conditions and violation join to it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from latchtrace.model.events import Reason
from latchtrace.model.results import EvidenceRef
from latchtrace.model.time import Interval, Truth
from latchtrace.rules.conditions import YES, Answer, both, either, frames, negated
from latchtrace.rules.item import Doubt, Item
from latchtrace.rules.rule import Rule
from latchtrace.rules.world import World

NEVER_SHOWN = frozenset({Reason.NOT_VISIBLE, Reason.SILENT})
"""Doubts that no longer capture of this kind would settle: reported as a warning, not decided."""


class Ruling(Enum):
    """How one occasion came out."""

    PASS = "pass"  # noqa: S105
    FAIL = "fail"
    UNDECIDED = "undecided"
    SKIPPED = "skipped"  # the rule was not exercised


@dataclass(frozen=True, slots=True)
class Judgement:
    """One occasion judged. `suspect`: it looks like a violation, but a role the capture never shows could excuse it.

    `told` are words of its own for the placeholders of a message.
    """

    item: Item
    ruling: Ruling
    at: Interval
    closures: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    suspect: bool = False
    measured: Interval | None = None
    limit: str = ""
    rule_id: str = ""
    evidence: tuple[EvidenceRef, ...] = ()
    note: str = ""
    told: tuple[tuple[str, str], ...] = ()


def judge(
    rule: Rule,
    world: World,
    item: Item,
    violated: Answer,
    *,
    measured: Interval | None = None,
    closures: tuple[str, ...] | None = None,
    rule_id: str = "",
    excuse_first: bool = True,
    in_force: Answer = YES,
) -> Judgement:
    """Given ∧ ¬unless → ¬violated, in Kleene's logic; that the scope is open (`in_force`) is a premise like the others.

    A premise that does not hold: not exercised. A premise in doubt with nothing violated: passed all the same; with
    something violated: undecided, and never a suspicion, because what triggers the rule was not surely there.
    An excuse that holds: not exercised, unless `excuse_first` is False and nothing is violated anyhow.
    """
    premise = both([in_force, *(condition.ask(world, item) for condition in rule.given)])
    excuse = either([condition.ask(world, item) for condition in rule.unless]) if rule.unless else None
    excused = excuse is not None and excuse.truth == Truth.YES and (excuse_first or violated.truth != Truth.NO)
    if premise.truth == Truth.NO or excused:
        return Judgement(item, Ruling.SKIPPED, item.at)
    answer = both([violated, premise, *([negated(excuse)] if excuse is not None else [])])
    doubts = tuple(dict.fromkeys(answer.doubts))
    suspect = (
        answer.truth == Truth.UNKNOWN
        and premise.truth == Truth.YES
        and all(reason in NEVER_SHOWN for reason, _ in doubts)
    )
    ruling = {Truth.NO: Ruling.PASS, Truth.YES: Ruling.FAIL, Truth.UNKNOWN: Ruling.UNDECIDED}[answer.truth]
    evidence = (*item.evidence, *frames(violated), *frames(premise))
    return Judgement(
        item,
        ruling,
        item.at,
        item.closures if closures is None else closures,
        doubts if ruling == Ruling.UNDECIDED else (),
        suspect,
        measured,
        rule_id=rule_id or rule.texts[0].id,
        evidence=tuple(dict.fromkeys(evidence)),
    )
