"""Everything a scenario's timeline can hold: what people do, and what is planted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from latchtrace.model.time import MILLISECOND
from latchtrace.simulation.body import BodyModule
from latchtrace.simulation.fields import SPEED, SWITCH, TEXT, TIME, Entry, Kind, choice, whole
from latchtrace.simulation.mistakes import StepError

Arguments = Mapping[str, Any]
_ACTION = choice("lock", "unlock")
_STATE = choice("locked", "unlocked")
_LASTS = Entry(TIME, "how long; without it until the end")


@dataclass(frozen=True, slots=True)
class Step:
    """One kind of step: what its own value means, further fields, and what it does to the car."""

    kind: Kind
    meaning: str
    do: Callable[[BodyModule, Any, Arguments], None]
    fields: Mapping[str, Entry]


@dataclass(frozen=True, slots=True)
class Plant:
    """One kind of fault to plant: what it does to the wire, its fields, and how it is planted."""

    meaning: str
    do: Callable[[BodyModule, Arguments], None]
    fields: Mapping[str, Entry]


def _later(body: BodyModule, lasts: int | None, undo: Callable[[], None]) -> None:
    if lasts is not None:
        body.loop.at(body.loop.now + lasts, undo)


def _end(plants: dict[str, Any], closure: str) -> None:
    plants.pop(closure, None)


def _one_of(body: BodyModule, closure: str, *, lockable: bool) -> str:
    known = body.car.lockable if lockable else body.car.closures
    if closure not in known:
        raise StepError(f"'{closure}' is no closure of this car for that", f"known are {', '.join(known)}")
    return closure


def _single(body: BodyModule, closure: str) -> str:
    if not body.car.single_latches:
        raise StepError("this car has one value for all its latches", "use the other car for faults of one latch")
    return _one_of(body, closure, lockable=True)


# what people do


def _open(body: BodyModule, closure: str, more: Arguments) -> None:
    inside = more["from"] == "inside"
    _one_of(body, closure, lockable=False)
    if inside and closure not in body.car.handles:
        raise StepError(f"'{closure}' has no inside handle", f"those with one are {', '.join(body.car.handles)}")
    body.open(closure, inside=inside)


STEPS: dict[str, Step] = {
    "remote": Step(
        _ACTION,
        "a button of the remote key is pressed",
        lambda body, action, more: body.request("remote-button", action, more["key"]),
        {"key": Entry(whole(1, 15), "which key; the car knows 1 and 2, refuses others", default=1)},
    ),
    "switch": Step(
        _ACTION,
        "the interior switch is pressed",
        lambda body, action, _: body.request("interior-switch", action),
        {},
    ),
    "cylinder": Step(
        _ACTION,
        "the key is turned in the driver's door",
        lambda body, action, _: body.request("key-cylinder", action),
        {},
    ),
    "open": Step(
        TEXT,
        "a closure is opened",
        _open,
        {"from": Entry(choice("outside", "inside"), "by which handle", default="outside")},
    ),
    "shut": Step(
        TEXT, "a closure is shut", lambda body, closure, _: body.shut(_one_of(body, closure, lockable=False)), {}
    ),
    "ignition": Step(SWITCH, "the ignition is turned", lambda body, state, _: body.turn_ignition(state == "on"), {}),
    "speed": Step(
        SPEED,
        "the car changes to this speed",
        lambda body, speed, more: body.drive(speed, more["over"]),
        {"over": Entry(TIME, "how long the change takes", required=True)},
    ),
    "speed-lock": Step(
        SWITCH,
        "the driver turns speed locking on or off",
        lambda body, state, _: body.speed_lock.switch(state == "on"),
        {},
    ),
}


# what is planted


def _act(action: str, kind: str) -> Callable[[BodyModule, Arguments], None]:
    def do(body: BodyModule, more: Arguments) -> None:
        happening = body.truth.happening(kind, body.loop.now, body.car.lockable, action=more.get("action", action))
        body.act_alone(more.get("action", action), happening)

    return do


def _coming(field: str, kind: str) -> Callable[[BodyModule, Arguments], None]:
    def do(body: BodyModule, _: Arguments) -> None:
        setattr(body.faults.coming, field, body.truth.happening(kind, body.loop.now, body.car.lockable))

    return do


def _drop_frames(body: BodyModule, more: Arguments) -> None:
    network, name = body.wire.network, more["message"]
    if name not in network.messages:
        known = ", ".join(n for n in network.messages if n.isalnum())
        raise StepError(f"'{name}' is no message of this car", f"known are {known}")
    end = body.loop.now + more["lasts"]
    network.muted[name] = end
    body.truth.happening("frames-removed", body.loop.now, message=name, until_ns=end)


def _force(body: BodyModule, more: Arguments) -> None:
    closure, state, now = more["closure"], more["state"], body.loop.now
    if state in {"open", "shut"}:
        _one_of(body, closure, lockable=False)
    else:
        _single(body, closure)
    happening = body.truth.happening("contact-forced", now, (closure,), state=state)
    body.force(closure, state, happening)
    _later(body, more["lasts"], lambda: body.release(closure, state, happening))


def _dead(body: BodyModule, more: Arguments) -> None:
    closure = _single(body, more["closure"])
    body.faults.dead[closure] = body.truth.happening("latch-dead", body.loop.now, (closure,))
    _later(body, more["lasts"], lambda: _end(body.faults.dead, closure))


def _slow(body: BodyModule, more: Arguments) -> None:
    closure = _single(body, more["closure"])
    happening = body.truth.happening("latch-slowed", body.loop.now, (closure,), takes_ns=more["takes"])
    body.faults.slow[closure] = (more["takes"], happening)
    _later(body, more["lasts"], lambda: _end(body.faults.slow, closure))


def _alone(body: BodyModule, more: Arguments) -> None:
    closure = _single(body, more["closure"])
    if body.latch[closure] == more["state"]:
        raise StepError(f"{closure} is {more['state']} already", "plant the other state")
    body.move_alone(closure, more["state"], body.truth.happening("latch-moved", body.loop.now, (closure,)))


def _relock_delay(body: BodyModule, more: Arguments) -> None:
    happening = body.truth.happening("relock-delay-changed", body.loop.now, delay_ns=more["delay"])
    body.faults.relock_delay = (more["delay"], happening)


def _flag(field: str, kind: str) -> Callable[[BodyModule, Arguments], None]:
    def do(body: BodyModule, _: Arguments) -> None:
        setattr(body.faults, field, body.truth.happening(kind, body.loop.now))

    return do


def _speed_late(body: BodyModule, more: Arguments) -> None:
    body.faults.speed_late = (more["by"], body.truth.happening("speed-lock-delayed", body.loop.now, by_ns=more["by"]))


def _speed_early(body: BodyModule, more: Arguments) -> None:
    happening = body.truth.happening("speed-lock-threshold-changed", body.loop.now, threshold_kmh=more["threshold"])
    body.faults.speed_early = (more["threshold"], happening)


def _open_locked(body: BodyModule, more: Arguments) -> None:
    closure = _one_of(body, more["closure"], lockable=True)
    happening = body.truth.happening("opened-while-locked", body.loop.now, (closure,))
    body.open(closure, forced=happening)
    if more["lasts"] is not None:
        body.loop.at(body.loop.now + more["lasts"] + 800 * MILLISECOND, lambda: body.shut(closure))


_CLOSURE = Entry(TEXT, "which closure", required=True)

PLANTS: dict[str, Plant] = {
    "self-unlock": Plant("the body module unlocks with no request", _act("unlock", "command-inserted"), {}),
    "insert-command": Plant(
        "the body module commands an action with no request",
        _act("lock", "command-inserted"),
        {"action": Entry(_ACTION, "which action", required=True)},
    ),
    "unlock-while-moving": Plant(
        "the body module unlocks with no request, at speed", _act("unlock", "command-inserted"), {}
    ),
    "hide-request": Plant("the next request is acted on and never shown", _coming("hidden", "frames-removed"), {}),
    "no-validation": Plant(
        "the next key check is not shown, the command follows", _coming("unvalidated", "validation-removed"), {}
    ),
    "ignore-request": Plant("the next request is accepted and not acted on", _coming("ignored", "command-removed"), {}),
    "drop-frames": Plant(
        "the frames of one message are missing for a while",
        _drop_frames,
        {"message": Entry(TEXT, "which message", required=True), "lasts": Entry(TIME, "how long", required=True)},
    ),
    "force-contact": Plant(
        "a contact reads a state, whatever is true",
        _force,
        {
            "closure": _CLOSURE,
            "state": Entry(choice("open", "shut", "locked", "unlocked"), "what it reads", required=True),
            "lasts": _LASTS,
        },
    ),
    "dead-latch": Plant("the latch of a closure does not move", _dead, {"closure": _CLOSURE, "lasts": _LASTS}),
    "slow-latch": Plant(
        "the latch of a closure moves slowly",
        _slow,
        {"closure": _CLOSURE, "takes": Entry(TIME, "from command to answer", required=True), "lasts": _LASTS},
    ),
    "latch-alone": Plant(
        "one latch moves with no command",
        _alone,
        {"closure": _CLOSURE, "state": Entry(_STATE, "the state it moves to", required=True)},
    ),
    "open-while-locked": Plant(
        "a closure opens although it is locked", _open_locked, {"closure": _CLOSURE, "lasts": _LASTS}
    ),
    "relock-delay": Plant(
        "the relock timer runs another time than documented",
        _relock_delay,
        {"delay": Entry(TIME, "the time it runs", required=True)},
    ),
    "relock-off": Plant("the relock timer does not lock", _flag("relock_off", "relock-removed"), {}),
    "relock-despite-door": Plant(
        "the relock timer ignores that something was opened", _flag("relock_despite_door", "relock-uncancelled"), {}
    ),
    "speed-lock-off": Plant("speed locking does not lock", _flag("speed_off", "speed-lock-removed"), {}),
    "speed-lock-late": Plant(
        "speed locking locks late", _speed_late, {"by": Entry(TIME, "how much later", required=True)}
    ),
    "speed-lock-early": Plant(
        "speed locking locks at a lower speed",
        _speed_early,
        {"threshold": Entry(SPEED, "at which speed", required=True)},
    ),
    "speed-lock-while-disabled": Plant(
        "speed locking locks although it is turned off", _flag("speed_disabled", "speed-lock-inserted"), {}
    ),
}
