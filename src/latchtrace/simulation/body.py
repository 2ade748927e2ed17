"""The body module: hears requests, checks keys, drives latches, and keeps the truth of it."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

from latchtrace.model.time import MILLISECOND
from latchtrace.simulation.cars import OCCUPANT, Car, Wire
from latchtrace.simulation.faults import Faults, NextRequest
from latchtrace.simulation.loop import Chance, Loop
from latchtrace.simulation.mistakes import StepError
from latchtrace.simulation.motion import Motion
from latchtrace.simulation.relock import RelockTimer
from latchtrace.simulation.speedlock import SpeedLock
from latchtrace.simulation.truth import Claim, Happening, ToldEpisode, Truth

_REPORT_DELAY = 110 * MILLISECOND
_TARGET = {"lock": "locked", "unlock": "unlocked"}


class BodyModule:
    """State and behaviour of one car's locking; everything takes effect at the loop's present moment."""

    def __init__(self, loop: Loop, chance: Chance, car: Car, wire: Wire, truth: Truth, motion: Motion) -> None:
        self.loop, self.chance, self.car, self.wire, self.truth, self.motion = loop, chance, car, wire, truth, motion
        self.latch = dict.fromkeys(car.lockable, "locked")
        self.ajar = dict.fromkeys(car.closures, False)
        self.ignition = False
        self.faults = Faults()
        self.relock = RelockTimer(self)
        self.speed_lock = SpeedLock(self)
        self._acting = 0
        wire.network.busy = lambda: self.ignition or self.relock.pending or self._acting > 0

    # what people do

    def request(self, source: str, action: str, key: int = 1) -> None:
        """Somebody asks for an action; key 0 or unknown ones are refused."""
        planted = self.faults.take()
        shown = self.wire.request(source, action, key, hidden=planted.hidden is not None)
        told = self.truth.episode(action, "none" if planted.hidden else source, shown)
        happening = planted.hidden or self.truth.happening(
            "request-sent", shown, self.car.lockable, source=source, action=action
        )
        happening.t = shown
        self._acting += 1
        timing, at = self.car.timing, shown
        if source == "remote-button":
            told.key = None if planted.hidden else key
            at += timing.check
            accepted = key in self.car.keys
            if not planted.unvalidated:
                self.loop.at(at, lambda: self.wire.validation(accepted, key))
            if not accepted:
                told.outcome = "refused"
                self.loop.at(at, self._done)
                return
            at += timing.decide
        else:
            at += timing.decide_switch
        self.loop.at(at, lambda: self._decide(told, source, planted, happening))

    def open(self, closure: str, *, inside: bool = False, forced: Happening | None = None) -> None:
        """Somebody opens a closure; from inside the handle is pulled first, and unlocks a locked door by itself."""
        when = self.wire.contact_ready()
        if inside:
            self.loop.at(when, lambda: self.wire.handle(closure))
            self.loop.at(when + 140 * MILLISECOND, lambda: self._pulled(closure))
            when += 380 * MILLISECOND
        self.loop.at(when, lambda: self._open(closure, forced))

    def shut(self, closure: str) -> None:
        """Somebody shuts a closure."""
        self.loop.at(self.wire.contact_ready(), lambda: self._shut(closure))

    def turn_ignition(self, on: bool) -> None:
        """Somebody turns the ignition."""
        if not on and self.motion.speed > 0:
            raise StepError("the ignition is turned off while the car moves", "stop the car first")
        self.wire.ignition(on)
        self.ignition = on
        self.speed_lock.rearm()
        if on:
            self.relock.cancel()

    def drive(self, speed: float, over: int) -> None:
        """Somebody drives faster or slower."""
        if speed > 0 and not self.ignition:
            raise StepError("the car drives with the ignition off", "turn the ignition on first")
        self.motion.go(speed, over)
        self.speed_lock.watch()

    # what the module does

    def command(
        self, action: str, told: ToldEpisode, *, cause: str, happening: Happening, closures: Iterable[str] = ()
    ) -> tuple[str, ...]:
        """Drive the latches now; `cause` is what the module believes. Returns the closures that will move."""
        if action == "lock" and any(self.ajar[closure] for closure in self.car.lockable):
            raise StepError("something locks while a door is open", "shut it first, or unlock later")
        now = self.loop.now
        group = tuple(closures) or self._group(action, cause)
        movers = tuple(c for c in group if self.latch[c] != _TARGET[action])
        alive = tuple(c for c in movers if c not in self.faults.dead)
        told.command = now
        told.closures = alive or group
        told.outcome = "already" if not movers else "partial" if len(alive) < len(movers) else "done"
        self.wire.command(action)
        self._drive(action, told, movers)
        self._judge(action, told, alive or group, happening)
        if told.origin == "none" and cause in OCCUPANT and action == "unlock":
            happening.allowed.append(Claim("relock-missing", alive or group, now))
        if alive and told.origin != "none":
            self.loop.at(now + _REPORT_DELAY, lambda: self.wire.report(action, cause))
        if action == "unlock":
            self.relock.start(cause, told.origin, happening)
            if cause in OCCUPANT:
                self.speed_lock.disarm()
        else:
            self.relock.cancel()
        return alive or group

    def act_alone(self, action: str, happening: Happening) -> None:
        """The module commands with no request at all."""
        when = self.wire.command_ready()
        happening.t = when
        told = self.truth.episode(action, "none", when)
        told.healthy = False
        self.loop.at(when, partial(self._act, action, told, happening))

    def move_alone(self, closure: str, state: str, happening: Happening) -> None:
        """One latch moves with no command."""
        when = self.wire.command_ready()
        happening.t = when
        happening.must.append(Claim("movement-without-command", (closure,), when))
        happening.allowed.append(Claim("closures-disagree", (closure,), when))
        told = self.truth.episode("lock" if state == "locked" else "unlock", "none", when)
        told.healthy, told.closures, told.outcome, told.end = False, (closure,), "done", when
        self.loop.at(when, lambda: self._moved((closure,), state))

    def force(self, closure: str, state: str, happening: Happening) -> None:
        """A contact reads `state` (ajar: open, shut; latch: locked, unlocked) whatever is true."""
        self.loop.at(self.wire.contact_ready(), lambda: self._force(closure, state, happening))

    def release(self, closure: str, state: str, happening: Happening) -> None:
        """The contact reads what is true again."""
        self.loop.at(self.wire.contact_ready(), lambda: self._release(closure, state, happening))

    def show_contacts(self) -> None:
        """Show latches and contacts as they are, forced ones as forced."""
        self.wire.latches({**self.latch, **self.faults.latch_forced})
        self.wire.ajar({**self.ajar, **self.faults.ajar_forced})

    # inside

    def _group(self, action: str, cause: str) -> tuple[str, ...]:
        all_locked = all(state == "locked" for state in self.latch.values())
        if self.car.two_stage and action == "unlock" and cause == "remote-button" and all_locked:
            return (self.car.driver,)
        return self.car.lockable

    def _decide(self, told: ToldEpisode, source: str, planted: NextRequest, happening: Happening) -> None:
        self._acting -= 1
        told.healthy = not (planted.hidden or planted.ignored or planted.unvalidated)
        if planted.ignored:
            movers = tuple(c for c, state in self.latch.items() if state != _TARGET[told.action])
            happening = planted.ignored
            happening.t, happening.closures = told.t, movers or self.car.lockable
            if movers:
                happening.must.append(Claim("request-ignored", movers, self.loop.now))
            return
        moved = self.command(told.action, told, cause=source, happening=happening)
        if planted.unvalidated:
            claim = Claim("command-without-validation", moved, self.loop.now)
            planted.unvalidated.t, planted.unvalidated.closures = told.t, moved
            planted.unvalidated.must.append(claim)

    def _act(self, action: str, told: ToldEpisode, happening: Happening) -> None:
        happening.closures = self.command(action, told, cause="none", happening=happening)

    def _done(self) -> None:
        self._acting -= 1

    def _drive(self, action: str, told: ToldEpisode, movers: tuple[str, ...]) -> None:
        target = _TARGET[action]
        timing, now = self.car.timing, self.loop.now
        told.end = now
        if not self.car.single_latches:
            delay = self.chance.between("latch", timing.latch_low, timing.latch_high)
            if movers:
                told.end = now + 180 * MILLISECOND + delay % (20 * MILLISECOND)
                self.loop.at(told.end, lambda: self._moved(movers, target))
            return
        for closure in movers:
            delay = self.chance.between(f"latch {closure}", timing.latch_low, timing.latch_high)
            if closure in self.faults.dead:
                dead = self.faults.dead[closure]
                told.healthy = False
                dead.must.append(Claim("latch-no-response", (closure,), now))
                dead.allowed.append(Claim("closures-disagree", (closure,), now))
                continue
            if closure in self.faults.slow:
                delay = self._slow(closure, told)
            told.end = max(told.end, now + delay)
            self.loop.at(now + delay, partial(self._moved, (closure,), target))

    def _slow(self, closure: str, told: ToldEpisode) -> int:
        delay, happening = self.faults.slow[closure]
        limits, now = self.car.limits, self.loop.now
        told.healthy = False
        slow, late = Claim("latch-slow", (closure,), now), Claim("latch-no-response", (closure,), now)
        if delay > limits.actuation_deadline:
            happening.must.append(late)
            happening.allowed.extend([slow, Claim("closures-disagree", (closure,), now)])
        elif limits.response_limit is not None and delay > limits.response_limit:
            happening.must.append(slow)
        return delay

    def _judge(self, action: str, told: ToldEpisode, moved: tuple[str, ...], happening: Happening) -> None:
        """What a command without a request, or an unlock at speed, must lead to."""
        now, threshold = self.loop.now, self.car.limits.speed_threshold
        at_speed = threshold is not None and self.motion.speed > threshold
        by_occupant = told.origin in OCCUPANT
        moving = action == "unlock" and at_speed and not by_occupant
        if moving:
            told.healthy = False
            happening.must.append(Claim("unlock-while-moving", moved, now))
        if told.origin != "none":
            return
        claim = Claim("command-without-request", moved, now, "none")
        if moving:
            happening.allowed.append(claim)
        elif self.car.command_visible or (told.outcome != "already" and len(moved) > 1):
            happening.must.append(claim)
        elif told.outcome != "already":
            happening.allowed.extend([claim, Claim("movement-without-command", moved, now)])

    def _moved(self, closures: tuple[str, ...], state: str) -> None:
        for closure in closures:
            self.latch[closure] = state
        self.show_contacts()

    def _force(self, closure: str, state: str, happening: Happening) -> None:
        now = self.loop.now
        happening.t = now
        if state in _TARGET.values():
            self.faults.latch_forced[closure] = state
            if state != self.latch[closure]:
                happening.must.append(Claim("movement-without-command", (closure,), now))
                happening.allowed.append(Claim("closures-disagree", (closure,), now))
        else:
            self.faults.ajar_forced[closure] = state == "open"
            if state == "open" and not self.ajar[closure]:
                if self.latch.get(closure) == "locked":
                    happening.must.append(Claim("opened-while-locked", (closure,), now))
                self.relock.opened()
        self.show_contacts()

    def _release(self, closure: str, state: str, happening: Happening) -> None:
        if state in _TARGET.values():
            self.faults.latch_forced.pop(closure, None)
            if state != self.latch[closure]:
                happening.must.append(Claim("movement-without-command", (closure,), self.loop.now))
        else:
            self.faults.ajar_forced.pop(closure, None)
        self.show_contacts()

    def _pulled(self, closure: str) -> None:
        if self.latch.get(closure) == "locked":
            happening = self.truth.happening("opened-by-hand", self.loop.now, (closure,))
            happening.must.append(Claim("mechanical-operation", (closure,), self.loop.now, "inside-handle"))
            happening.allowed.append(Claim("closures-disagree", (closure,), self.loop.now))
            self._moved((closure,), "unlocked")

    def _open(self, closure: str, forced: Happening | None) -> None:
        if self.ajar[closure]:
            raise StepError(f"{closure} is opened and is open already", "shut it first")
        if self.latch.get(closure) == "locked":
            if forced is None:
                raise StepError(f"{closure} is opened while it is locked", "unlock first, or open it from: inside")
            forced.t = self.loop.now
            forced.must.append(Claim("opened-while-locked", (closure,), self.loop.now))
        elif forced is not None:
            raise StepError(f"{closure} is not locked at this moment", "plant it where the car is locked")
        self.ajar[closure] = True
        self.show_contacts()
        self.relock.opened()
        self.speed_lock.rearm()

    def _shut(self, closure: str) -> None:
        if not self.ajar[closure]:
            raise StepError(f"{closure} is shut and is not open", "open it first")
        self.ajar[closure] = False
        self.show_contacts()
        self.speed_lock.shut()
