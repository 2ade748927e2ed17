"""The simulated networks: units that send, fall asleep one after another and wake out of step."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from latchtrace.model.time import MICROSECOND, MILLISECOND, SECOND
from latchtrace.simulation.bits import Message
from latchtrace.simulation.loop import Chance, Loop

OLD_STATE_FIRST = 150 * MILLISECOND
"""After waking, a message shows the old state at least this long before it shows a new one."""

_NEVER = 2**62


class Sent(NamedTuple):
    """One frame on the wire."""

    t: int
    message: Message
    data: bytes


@dataclass(frozen=True, slots=True)
class Wiring:
    """How the units hang together.

    Units in the order they fall asleep, `stagger` milliseconds (least, most) apart, once nobody did anything for
    `quiet` nanoseconds; bit rate by channel; the message that wakes.
    """

    units: tuple[str, ...]
    bit_rates: Mapping[str, int]
    quiet: int
    stagger: tuple[int, int]
    wake_message: str = "NetworkWake"


class _Unit:
    """Whether a unit sends, and which of its cyclic tasks are still wanted."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.running = False
        self.generation = 0
        self.stopping: int | None = None
        self.first: dict[str, int] = {}


class Network:
    """All messages of a car on the wire; `values` holds what each would show now."""

    def __init__(self, loop: Loop, chance: Chance, messages: Sequence[Message], wiring: Wiring) -> None:
        self.loop, self.chance, self.wiring = loop, chance, wiring
        self.messages = {message.name: message for message in messages}
        self.values = {message.name: dict(message.start) for message in messages}
        self.samplers: dict[str, Callable[[], dict[str, int]]] = {}
        self.busy: Callable[[], bool] = lambda: False
        self.frames: list[Sent] = []
        self.sleeps: list[tuple[int, int]] = []
        self.muted: dict[str, int] = {}
        self.removed: list[Sent] = []
        """Frames that a plant keeps off the wire until `muted` says."""
        self._units = {name: _Unit(name) for name in wiring.units}
        self._free = dict.fromkeys(wiring.bit_rates, 0)
        self._page: dict[str, int] = {}
        self._last_use = loop.now
        self._checking = False
        self._asleep_since = _NEVER

    @property
    def awake(self) -> bool:
        """Whether every unit sends."""
        return all(unit.running for unit in self._units.values())

    def begin_awake(self) -> None:
        """The capture starts while everything already runs."""
        for unit in self._units.values():
            self._start(unit, self.loop.now, settled=True)
        self.use()

    def use(self) -> None:
        """Somebody does something: stay awake for the quiet time from now."""
        self._last_use = self.loop.now
        if not self._checking:
            self._checking = True
            self.loop.at(self._last_use + self.wiring.quiet, self._check)

    def wake(self, unit: str, reason: int) -> None:
        """Wake the network from this unit; does nothing but count as use where all is awake."""
        self.use()
        now = self.loop.now
        for each in self._units.values():
            each.stopping = None
        if self.awake:
            return
        if self._asleep_since != _NEVER:
            self.sleeps.append((self._asleep_since, now))
            self._asleep_since = _NEVER
        number = self.wiring.units.index(unit) + 1
        self.send(self.wiring.wake_message, Node=number, Reason=reason)
        for sleeper in self._units.values():
            if not sleeper.running:
                low, high = (5, 20) if sleeper.name == unit else (40, 260)
                delay = self.chance.between(f"start {sleeper.name}", low * 1000, high * 1000) * MICROSECOND
                self._start(sleeper, now + delay)

    def ready(self, *names: str) -> int:
        """The first moment from now at which these messages may show something new."""
        moments = [self.loop.now]
        for name in names:
            message = self.messages[name]
            first = self._units[message.unit].first.get(name)
            if first is not None:
                moments.append(first + OLD_STATE_FIRST)
        return max(moments)

    def show(self, name: str, **values: int) -> None:
        """What the message carries from now on; sends it at once where it is sent on change."""
        message, shown = self.messages[name], self.values[name]
        changed = any(shown.get(signal) != value for signal, value in values.items())
        shown.update(values)
        if changed and message.on_change and self._units[message.unit].running:
            lag = self.chance.between(f"lag {name}", 1000, 9000) * MICROSECOND
            self.loop.at(self.loop.now + lag, lambda: self._put(message))

    def send(self, name: str, **values: int) -> None:
        """One frame now, as an event."""
        self.values[name].update(values)
        self._put(self.messages[name])

    def _check(self) -> None:
        now = self.loop.now
        due = self._last_use + self.wiring.quiet
        if self.busy():
            due = max(due, now + 5 * SECOND)
        if now < due:
            self.loop.at(due, self._check)
            return
        self._checking = False
        at = now
        for unit in self._units.values():
            unit.stopping = at
            self.loop.at(at, partial(self._stop, unit, at))
            at += self.chance.between("stagger", *self.wiring.stagger) * MILLISECOND

    def _stop(self, unit: _Unit, asked: int) -> None:
        if unit.stopping != asked:
            return
        unit.running = False
        unit.stopping = None
        unit.generation += 1
        unit.first.clear()
        if not any(other.running for other in self._units.values()):
            self._asleep_since = self.loop.now

    def _start(self, unit: _Unit, at: int, *, settled: bool = False) -> None:
        unit.running = True
        unit.generation += 1
        generation = unit.generation
        for message in self.messages.values():
            if message.unit != unit.name:
                continue
            if message.period:
                drift = 1 + (self.chance.share(f"drift {message.name}") - 0.5) * 2e-4
                first = at + int(self.chance.share(f"phase {message.name}") * message.period)
                self.loop.at(first, self._cycle(unit, generation, message, first, int(message.period * drift)))
            elif message.at_wake:
                first = at + self.chance.between(f"phase {message.name}", 1000, 30_000) * MICROSECOND
                self.loop.at(first, partial(self._put, message))
            else:
                first = at
            unit.first[message.name] = first - (OLD_STATE_FIRST if settled else 0)

    def _cycle(self, unit: _Unit, generation: int, message: Message, first: int, period: int) -> Callable[[], None]:
        count = 0

        def again() -> None:
            nonlocal count
            if unit.generation != generation:
                return
            self._put(message)
            count += 1
            self.loop.at(first + count * period, again)

        return again

    def _put(self, message: Message) -> None:
        values = self.values[message.name]
        if message.copy_of:
            values.update({k: v for k, v in self.values[message.copy_of].items() if k != message.alive})
        if sampler := self.samplers.get(message.copy_of or message.name):
            values.update(sampler())
        if message.alive:
            counter = message.fields[message.alive]
            values[message.alive] = (values.get(message.alive, 0) + 1) % (1 << counter.length)
        if message.pages:
            turn = self._page.get(message.name, -1) + 1
            self._page[message.name] = turn
            values[message.selector] = message.pages[turn % len(message.pages)]
        jitter = self.chance.between(f"jitter {message.channel}", 20, 320) * MICROSECOND
        t = max(self.loop.now + jitter, self._free[message.channel])
        bits = (67 if message.extended else 47) + 8 * message.length
        self._free[message.channel] = t + bits * SECOND // self.wiring.bit_rates[message.channel]
        sent = Sent(t // MICROSECOND * MICROSECOND, message, message.pack(values))
        kept = self.loop.now >= self.muted.get(message.name, 0)
        (self.frames if kept else self.removed).append(sent)
