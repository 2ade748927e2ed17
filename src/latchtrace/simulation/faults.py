"""What is planted in a body module at the moment."""

from __future__ import annotations

from dataclasses import dataclass, field

from latchtrace.simulation.truth import Happening


@dataclass(slots=True)
class NextRequest:
    """What is planted for the one request to come."""

    hidden: Happening | None = None
    unvalidated: Happening | None = None
    ignored: Happening | None = None


@dataclass(slots=True)
class Faults:
    """All plants in force; each value is the happening to which its consequences belong."""

    coming: NextRequest = field(default_factory=NextRequest)
    dead: dict[str, Happening] = field(default_factory=dict)
    slow: dict[str, tuple[int, Happening]] = field(default_factory=dict)
    relock_delay: tuple[int, Happening] | None = None
    relock_off: Happening | None = None
    relock_despite_door: Happening | None = None
    speed_off: Happening | None = None
    speed_late: tuple[int, Happening] | None = None
    speed_early: tuple[float, Happening] | None = None
    speed_disabled: Happening | None = None
    ajar_forced: dict[str, bool] = field(default_factory=dict)
    latch_forced: dict[str, str] = field(default_factory=dict)

    def take(self) -> NextRequest:
        """What is planted for this request, which uses it up."""
        taken, self.coming = self.coming, NextRequest()
        return taken
