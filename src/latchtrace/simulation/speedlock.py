"""Locking by speed in a body module, with the truth of what it does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from latchtrace.model.time import MILLISECOND
from latchtrace.simulation.mistakes import StepError
from latchtrace.simulation.truth import Claim, Happening

if TYPE_CHECKING:
    from latchtrace.simulation.body import BodyModule

_LOOK = 20 * MILLISECOND
_DECIDE = 250 * MILLISECOND


class SpeedLock:
    """Locks when the speed rises through the threshold; an occupant's unlock turns it off for a while."""

    def __init__(self, body: BodyModule) -> None:
        self.body = body
        self.enabled = True
        self._armed = True
        self._above = False
        self._above_early = False
        self._waiting = False
        self._watching = False

    def settle(self) -> None:
        """Take the present speed as it is: the capture starts here."""
        threshold = self.body.car.limits.speed_threshold
        self._above = threshold is not None and self.body.motion.speed >= threshold

    def rearm(self) -> None:
        """A closure opened, or the ignition was turned."""
        self._armed = True

    def disarm(self) -> None:
        """An occupant unlocked."""
        self._armed = False

    def switch(self, on: bool) -> None:
        """The driver turns the function on or off."""
        if self.body.car.limits.speed_threshold is None:
            raise StepError("this car has no speed locking", "leave the step out")
        self.enabled = on
        self.body.wire.speed_lock(on)

    def watch(self) -> None:
        """Look at the speed as long as it changes."""
        if not self._watching and self.body.car.limits.speed_threshold is not None:
            self._watching = True
            self._look()

    def shut(self) -> None:
        """A closure was shut: a rise that waited for it counts now."""
        if self._waiting and self._above and not any(self.body.ajar.values()):
            self._rise()

    def _look(self) -> None:
        body, limits = self.body, self.body.car.limits
        threshold, speed = limits.speed_threshold, body.motion.speed
        if threshold is None:
            return
        if early := body.faults.speed_early:
            if speed >= early[0] and not self._above_early and not self._above:
                self._above_early = True
                if self.enabled and self._armed and not any(body.ajar.values()):
                    self._plan(early[1], 0)
            elif speed < early[0] - limits.speed_hysteresis:
                self._above_early = False
        if speed >= threshold and not self._above:
            self._above = True
            self._rise()
        elif speed < threshold - limits.speed_hysteresis:
            self._above = self._waiting = False
        if body.motion.changing:
            body.loop.at(body.loop.now + _LOOK, self._look)
        else:
            self._watching = False

    def _rise(self) -> None:
        """The speed went through the threshold, or what was open then was shut."""
        body, faults, limits = self.body, self.body.faults, self.body.car.limits
        self._waiting = any(body.ajar.values())
        if self._waiting or not self._armed or not self._unlocked():
            return
        now, unlocked = body.loop.now, self._unlocked()
        if not self.enabled:
            if faults.speed_disabled:
                self._plan(faults.speed_disabled, 0)
            return
        if faults.speed_off:
            faults.speed_off.must.append(Claim("speed-lock-missing", unlocked, now))
            return
        late = faults.speed_late
        if late and late[0] + _DECIDE > limits.speed_deadline:
            late[1].must.append(Claim("speed-lock-missing", unlocked, now))
        self._plan(late[1] if late else None, late[0] if late else 0)

    def _plan(self, happening: Happening | None, extra: int) -> None:
        self.body.loop.at(self.body.loop.now + _DECIDE + extra, lambda: self._lock(happening))

    def _lock(self, happening: Happening | None) -> None:
        body, limits = self.body, self.body.car.limits
        if not self._unlocked() or limits.speed_threshold is None:
            return
        now = body.loop.now
        told = body.truth.episode("lock", "speed", now)
        own = happening or body.truth.happening("speed-reached", now, self._unlocked())
        moved = body.command("lock", told, cause="speed", happening=own)
        if happening is None:
            return
        told.healthy = False
        if happening is body.faults.speed_disabled:
            happening.must.append(Claim("speed-lock-while-disabled", moved, now))
        elif body.faults.speed_early and happening is body.faults.speed_early[1]:
            if body.motion.speed >= limits.speed_threshold - limits.speed_tolerance:
                raise StepError("the speed rises too fast for an early lock", "let the car accelerate more slowly")
            happening.must.append(Claim("speed-lock-early", moved, now))
        else:
            happening.allowed.append(Claim("command-without-request", moved, now))

    def _unlocked(self) -> tuple[str, ...]:
        return tuple(closure for closure, state in self.body.latch.items() if state == "unlocked")
