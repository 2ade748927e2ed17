"""The relock timer of a body module, with the truth of what it does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from latchtrace.model.time import MILLISECOND
from latchtrace.simulation.cars import OUTSIDE
from latchtrace.simulation.truth import Claim, Happening

if TYPE_CHECKING:
    from latchtrace.simulation.body import BodyModule


@dataclass(slots=True)
class _Run:
    """One run of the timer: when it counts from, and whether anything was opened since the unlock."""

    unlocked: int
    counts_from: int
    origin: str
    happening: Happening
    used: bool = False
    opened_against: Happening | None = None


class RelockTimer:
    """Locks the car when nobody used an unlock from outside."""

    def __init__(self, body: BodyModule) -> None:
        self.body = body
        self._run: _Run | None = None

    @property
    def pending(self) -> bool:
        """Whether it will lock unless something comes between."""
        return self._run is not None

    def cancel(self) -> None:
        """Something came between."""
        self._run = None

    def start(self, cause: str, origin: str, happening: Happening) -> None:
        """The car was unlocked now: from outside the timer starts anew, by an occupant it stops."""
        now = self.body.loop.now
        if cause not in OUTSIDE:
            self._run = None
            return
        self._run = None
        if self.body.ignition:
            happening.allowed.append(Claim("relock-missing", self.body.car.lockable, now))
            return
        if any(self.body.ajar.values()):
            return
        self._run = _Run(now, now, origin, happening)
        self._schedule(self._run)
        run, limit = self._run, 2 * self.body.car.limits.relock_delay
        self.body.loop.at(now + limit, lambda: self._missing(run))

    def opened(self) -> None:
        """Something was opened."""
        run = self._run
        if run is None:
            return
        run.used = True
        if self.body.faults.relock_despite_door:
            run.opened_against = self.body.faults.relock_despite_door
        elif self.body.car.limits.relock_policy == "restart":
            run.counts_from = self.body.loop.now
            self._schedule(run)
        else:
            self._run = None

    def _schedule(self, run: _Run) -> None:
        faults, limits = self.body.faults, self.body.car.limits
        if faults.relock_off:
            return
        delay = faults.relock_delay[0] if faults.relock_delay else limits.relock_delay
        counts_from = run.counts_from
        scatter = self.body.chance.between("relock", -40, 40) * MILLISECOND
        self.body.loop.at(counts_from + delay + scatter, lambda: self._fire(run, counts_from))

    def _fire(self, run: _Run, counts_from: int) -> None:
        body = self.body
        if run is not self._run or counts_from != run.counts_from:
            return
        self._run = None
        if any(body.ajar[closure] for closure in body.car.lockable):
            return
        now = body.loop.now
        told = body.truth.episode("lock", "relock-timer", now)
        moved = body.command("lock", told, cause="relock-timer", happening=run.happening)
        self._tell(run, moved)
        told.healthy = not self._wrong(run)

    def _wrong(self, run: _Run) -> bool:
        faults = self.body.faults
        return bool(faults.relock_delay) or bool(run.opened_against)

    def _tell(self, run: _Run, moved: tuple[str, ...]) -> None:
        body, limits = self.body, self.body.car.limits
        now = body.loop.now
        after = now - run.counts_from
        early = after < limits.relock_delay - limits.relock_tolerance
        late = after > limits.relock_delay + limits.relock_tolerance
        if run.opened_against:
            if not early and not late:
                run.opened_against.must.append(Claim("relock-after-door-opening", moved, now))
            return
        if not run.used:
            claim = Claim("relock-without-door-opening", moved, now, run.origin)
            (run.happening.allowed if body.truth.function_test else run.happening.must).append(claim)
        if body.faults.relock_delay and (early or late):
            happening = body.faults.relock_delay[1]
            if after <= 2 * limits.relock_delay:
                happening.must.append(Claim("relock-early" if early else "relock-late", moved, now))
            else:
                happening.allowed.append(Claim("command-without-request", moved, now))

    def _missing(self, run: _Run) -> None:
        """At twice the delay with nothing between: the relock is missing."""
        if run is not self._run or run.used:
            return
        faults = self.body.faults
        happening = faults.relock_off or (faults.relock_delay[1] if faults.relock_delay else None)
        if happening is None:
            return
        closures = tuple(c for c, state in self.body.latch.items() if state == "unlocked")
        happening.must.append(Claim("relock-missing", closures, run.unlocked))
        if faults.relock_off:
            self._run = None
