"""The truth beside a capture: what was done to the wire, and what must therefore be found."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from latchtrace.model.time import SECOND

SCHEMA = "latchtrace/truth/1"
NEAR = 120 * SECOND
"""How far from a hole in the recording the longest window of a rule can reach."""

WINDOW = 3 * SECOND
"""How far back or forth the tracing of one action looks, and a little more."""


@dataclass(slots=True)
class Claim:
    """A finding that must (or may) follow: the rule, the closures it names, when, and the origin it traces."""

    rule: str
    closures: tuple[str, ...]
    t: int
    origin: str = ""

    def document(self) -> dict[str, Any]:
        """As the truth file holds it."""
        told: dict[str, Any] = {"rule": self.rule, "closures": list(self.closures), "t_ns": self.t}
        return told | {"origin": self.origin} if self.origin else told


@dataclass(slots=True)
class Happening:
    """One thing done to the wire."""

    kind: str
    t: int
    closures: tuple[str, ...] = ()
    must: list[Claim] = field(default_factory=list)
    allowed: list[Claim] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """As the truth file holds it."""
        return {
            "kind": self.kind,
            "t_ns": self.t,
            "closures": list(self.closures),
            **self.facts,
            "must": [claim.document() for claim in self.must],
            "allowed": [claim.document() for claim in self.allowed],
        }


@dataclass(slots=True)
class ToldEpisode:
    """One chain on the wire: `t` when it starts to show (the request, else the command or movement)."""

    action: str
    origin: str
    t: int
    closures: tuple[str, ...] = ()
    command: int | None = None
    end: int | None = None
    outcome: str = "no-command"
    healthy: bool = True
    key: int | None = None

    def document(self) -> dict[str, Any]:
        """As the truth file holds it."""
        told: dict[str, Any] = {
            "action": self.action,
            "origin": self.origin,
            "t_ns": self.t,
            "command_ns": self.command,
            "end_ns": self.end,
            "closures": list(self.closures),
            "outcome": self.outcome,
            "healthy": self.healthy,
        }
        if self.key is not None:
            told["key_slot"] = self.key
        return told


class Truth:
    """Collects what happens while the simulation runs."""

    def __init__(self, function_test: str = "") -> None:
        self.function_test = function_test
        self.happenings: list[Happening] = []
        self.episodes: list[ToldEpisode] = []

    def happening(self, kind: str, t: int, closures: Iterable[str] = (), **facts: Any) -> Happening:
        """Note something done to the wire."""
        new = Happening(kind, t, tuple(closures), facts=facts)
        self.happenings.append(new)
        return new

    def episode(self, action: str, origin: str, t: int) -> ToldEpisode:
        """Note a chain that begins to show at `t`."""
        new = ToldEpisode(action, origin, t)
        self.episodes.append(new)
        return new

    def hole(self, start: int, end: int) -> None:
        """The recorder lost everything from `start` to `end`: what lies near need not be found any more."""
        self.happening("frames-removed", start, until_ns=end)
        self._loosen(lambda t: start - NEAR <= t <= end + NEAR)

    def keep(self, start: int, end: int) -> None:
        """Only `start` to `end` is kept: what lies outside or near the edges need not be found any more."""
        self._loosen(lambda t: not start + NEAR <= t <= end - NEAR)
        self.episodes = [told for told in self.episodes if start <= told.t <= end]

    def edges(self, first: int, last: int) -> None:
        """The capture shows `first` to `last`: what hangs on what was before or came after may stay open."""
        self._loosen(lambda t: not first + WINDOW <= t <= last - WINDOW)

    def blur(self) -> None:
        """Frames are lost or times moved all over: what must have been found still may be, at least as open."""
        self._loosen(lambda _: True)

    def _loosen(self, where: Callable[[int], bool]) -> None:
        for told in self.happenings:
            told.allowed += [claim for claim in told.must if where(claim.t)]
            told.must = [claim for claim in told.must if not where(claim.t)]

    def document(self, capture: str, vehicle: str) -> dict[str, Any]:
        """The truth file's content."""
        happenings = sorted(self.happenings, key=lambda told: told.t)
        must = sorted((c for told in happenings for c in told.must), key=lambda claim: (claim.t, claim.rule))
        allowed = sorted((c for told in happenings for c in told.allowed), key=lambda claim: (claim.t, claim.rule))
        return {
            "schema": SCHEMA,
            "capture": capture,
            "vehicle": vehicle,
            "events": [told.document() for told in happenings],
            "findings": [claim.document() for claim in must],
            "allowed": [claim.document() for claim in allowed],
            "episodes": [told.document() for told in sorted(self.episodes, key=lambda told: told.t)],
        }
