"""A rule as the engine knows it: its texts, its pattern with all conditions compiled, and what it needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from latchtrace.model.results import Severity
from latchtrace.rules.conditions import ClosureIs, Condition, Selector, StateIs
from latchtrace.rules.meaning import ScopeKind
from latchtrace.rules.quantities import Quantity

Captured = Selector | ClosureIs | StateIs
"""What `let` may find at an occasion: the latest of some things, or a state."""


@dataclass(frozen=True, slots=True)
class Texts:
    """What people read of a rule. `message` is filled in with the facts of each finding."""

    id: str
    severity: Severity
    title: str
    message: str
    means: str
    check: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    by_design: bool = False


@dataclass(frozen=True, slots=True)
class Cause:
    """Another rule whose finding explains one of this rule's: of the same episode, or of the one of a named item."""

    rule: str
    of: str


@dataclass(frozen=True, slots=True)
class Trend:
    """When a rising series counts: at least so many values, one-sided significance level."""

    at_least: int
    alpha: float


@dataclass(frozen=True, slots=True)
class StateScope:
    """In which part of the recording a state is watched: after these conditions hold, until (before) those do."""

    kind: ScopeKind
    opens: tuple[Condition, ...] = ()
    closes: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a sequence: what must come, from `lo` to `within` after the step before."""

    selector: Selector
    within: Quantity
    lo: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule file. Fields a pattern does not use stay empty; `rules/schema.py` says which it may use."""

    texts: tuple[Texts, ...]
    function: str
    pattern: str
    observe: Selector
    begins: tuple[Condition, ...] = ()
    for_each: str = ""
    let: Mapping[str, Captured] = field(default_factory=dict)
    concerns: ClosureIs | None = None
    state: tuple[Condition, ...] = ()
    scope: StateScope | None = None
    every: Quantity | None = None
    at_least: Quantity | None = None
    at_most: Quantity | None = None
    needs: tuple[str, ...] = ()
    fitted: str = ""
    given: tuple[Condition, ...] = ()
    unless: tuple[Condition, ...] = ()
    never: tuple[Condition, ...] = ()
    never_selector: Selector | None = None
    count: Selector | None = None
    most: int | None = None
    fewest: int | None = None
    steps: tuple[Step, ...] = ()
    require: Selector | None = None
    expect: Selector | None = None
    expect_state: ClosureIs | None = None
    excepting: Selector | None = None
    since_request: bool = False
    lo: Quantity | None = None
    within: Quantity | None = None
    overtaken_by: tuple[Selector, ...] = ()
    cancelled_by: tuple[Selector, ...] = ()
    restarted_by: tuple[Selector, ...] = ()
    restart_policy: Condition | None = None
    doubtful: tuple[Condition, ...] = ()
    early_before: Quantity | None = None
    late_after: Quantity | None = None
    missing_after: Quantity | None = None
    classes: Mapping[str, str] = field(default_factory=dict)
    class_given: Mapping[str, tuple[Condition, ...]] = field(default_factory=dict)
    trend: Trend | None = None
    causes: tuple[Cause, ...] = ()
    file: str = ""
    source: str = ""

    def text(self, rule_id: str) -> Texts:
        """The texts of one of the ids this rule reports under."""
        return next(texts for texts in self.texts if texts.id == rule_id)
