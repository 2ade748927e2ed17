"""One thing that happened, with its facts, as conditions and patterns look at it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from latchtrace.model.coding import Fact
from latchtrace.model.events import Reason
from latchtrace.model.results import EvidenceRef
from latchtrace.model.time import Interval

Doubt = tuple[Reason, str]


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that happened. `open_facts` tells, of a fact that is not certain, why and through which role.

    `perhaps` tells why it is not certain that it happened at all: a state was there when it was first seen again.
    `before` finds the central action before it; `named` holds what a rule's `let` found at it.
    """

    what: str
    at: Interval
    facts: Mapping[str, Fact]
    closures: tuple[str, ...] = ()
    end: Interval | None = None
    episode: str = ""
    evidence: tuple[EvidenceRef, ...] = ()
    request_at: Interval | None = None
    open_facts: Mapping[str, tuple[Doubt, ...]] = field(default_factory=dict)
    perhaps: tuple[Doubt, ...] = ()
    named: Mapping[str, Item | None] = field(default_factory=dict)
    row: int = -1
    before: Callable[[], Item | None] = field(default=lambda: None, compare=False)

    @property
    def previous(self) -> Item | None:
        """The central action before it."""
        return self.before()

    def same_as(self, other: Item) -> bool:
        """Whether both are the same row of the same stream."""
        return self.row >= 0 and self.row == other.row and self.what == other.what

    def fact(self, name: str) -> Fact:
        """A fact by name, of another item where the name says so; the empty text where there is no such fact."""
        owner, dot, rest = name.partition(".")
        if dot:
            other = self.other(owner)
            return other.fact(rest) if other is not None else "unknown"
        return self.facts.get(name, "")

    def doubts(self, name: str) -> tuple[Doubt, ...]:
        """Why a fact is not certain."""
        owner, dot, rest = name.partition(".")
        if dot:
            other = self.other(owner)
            return other.doubts(rest) if other is not None else ((Reason.UNKNOWN_BEFORE, "command"),)
        return self.open_facts.get(name, ())

    def other(self, name: str) -> Item | None:
        """The item a rule calls by this name: `previous`, or one of its `let`."""
        return self.previous if name == "previous" else self.named.get(name)
