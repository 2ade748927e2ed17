"""What the Harbour estate's body module does, as its networks show it."""

from __future__ import annotations

from collections.abc import Mapping

from latchtrace.model.time import MILLISECOND
from latchtrace.simulation.harbour import CAR, SHORT
from latchtrace.simulation.loop import Chance, Loop
from latchtrace.simulation.motion import Motion
from latchtrace.simulation.network import Network

_ACTIONS = {"lock": 1, "unlock": 2}
_REASONS = {"key": 1, "contact": 2, "switch": 3, "module": 4, "ignition": 5}
_CHAIN = ("KeyReceiver", "KeyDecoder", "BodyCommand", "BodyLatches", "BodyDoors", "CabinSwitches")


class HarbourWire:
    """Shows on the Harbour estate's networks what its body module does."""

    def __init__(self, loop: Loop, chance: Chance, motion: Motion) -> None:
        self.loop, self.chance, self.motion = loop, chance, motion
        self.network = Network(loop, chance, CAR.messages, CAR.wiring)
        self._counts = {slot: 4_000 + 771 * slot for slot in range(16)}
        self.network.samplers = {
            "DriveMotion": self._sample_motion,
            "EngineState": self._sample_engine,
            "BodySupply": self._sample_supply,
            "BodyClimate": self._sample_climate,
            "(tyre module)": lambda: {"Word": chance.between("tyre", 0, 2**32 - 1)},
            "(steering module)": lambda: {"Word": chance.between("steering", 0x7F00, 0x80FF)},
        }

    def request(self, source: str, action: str, key: int, *, hidden: bool) -> int:
        """Show a request (unless hidden) and tell when; wakes the network."""
        unit, reason = ("key-receiver", "key") if source == "remote-button" else ("body-module", "switch")
        self.network.wake(unit, _REASONS[reason])
        when = max(self.network.ready(*_CHAIN), self.loop.now + 40 * MILLISECOND)
        if not hidden:
            self.loop.at(when, lambda: self._show_request(source, action, key))
        return when

    def validation(self, accepted: bool, key: int) -> None:
        """Show the result of a key check, now, for 300 ms and a little more."""
        self.network.show("KeyDecoder", Result=1 if accepted else 2, Slot=key, Lead=1 if accepted else 0)
        self.loop.at(self.loop.now + 310 * MILLISECOND, lambda: self.network.show("KeyDecoder", Result=0))

    def command_ready(self) -> int:
        """The first moment at which a command may show; wakes the network."""
        self.network.wake("body-module", _REASONS["module"])
        return self.network.ready(*_CHAIN)

    def command(self, action: str) -> None:
        """Show a command, now, for 400 ms and a little more; the indicators flash."""
        current = self.chance.between("current", 38, 52)
        flash = 1 if action == "lock" else 2
        self.network.show("BodyCommand", Actuators=_ACTIONS[action], Flash=flash, MotorCurrent=current)
        self.network.show("ExteriorLamps", Hazard=1)
        self.loop.at(
            self.loop.now + 420 * MILLISECOND,
            lambda: self.network.show("BodyCommand", Actuators=0, Flash=0, MotorCurrent=0),
        )
        self.loop.at(self.loop.now + 1100 * MILLISECOND, lambda: self.network.show("ExteriorLamps", Hazard=0))

    def latches(self, state: Mapping[str, str]) -> None:
        """Show the latch states, now."""
        self.network.show("BodyLatches", **{f"Latch{SHORT[c]}": int(s == "locked") for c, s in state.items()})

    def report(self, action: str, origin: str) -> None:
        """Nothing: the car has no reports."""

    def ajar(self, state: Mapping[str, bool]) -> None:
        """Show the ajar contacts, now; the courtesy lamp follows."""
        self.network.show("BodyDoors", **{f"Ajar{SHORT[c]}": int(o) for c, o in state.items()})
        self.network.show("ExteriorLamps", Courtesy=int(any(state.values())))

    def handle(self, closure: str) -> None:
        """Show a pull at an inside handle, now."""
        name = f"Handle{SHORT[closure]}"
        held = self.chance.between("handle", 450, 800) * MILLISECOND
        self.network.show("BodyDoors", **{name: 1})
        self.loop.at(self.loop.now + held, lambda: self.network.show("BodyDoors", **{name: 0}))

    def contact_ready(self) -> int:
        """The first moment at which a contact may show something new; wakes the network."""
        self.network.wake("body-module", _REASONS["contact"])
        return self.network.ready("BodyDoors", "BodyLatches", "BodyCommand")

    def ignition(self, on: bool) -> None:
        """Show the ignition; wakes the network."""
        self.network.wake("cluster", _REASONS["ignition"])
        when = self.network.ready("DriveMotion", "DriveMotion@body")
        self.loop.at(when, lambda: self.network.show("DriveMotion", Ignition=int(on)))

    def speed_lock(self, on: bool) -> None:
        """Show whether speed locking is turned on, now."""
        self.network.wake("cabin-panel", _REASONS["switch"])
        self.loop.at(self.network.ready("Settings"), lambda: self.network.show("Settings", SpeedLock=int(on)))

    def _show_request(self, source: str, action: str, key: int) -> None:
        held = self.chance.between("held", 450, 800) * MILLISECOND
        if source == "remote-button":
            self._counts[key] = count = (self._counts[key] + 1) % 65_536
            presses = (self.network.values["KeyReceiver"]["Presses"] + 1) % 256
            code = (count * 40_503 + key * 7919 + self.chance.between("code", 0, 4095)) % (1 << 24)
            self.network.show("KeyReceiver", Presses=presses, Button=_ACTIONS[action], Slot=key, Count=count, Code=code)
            return
        name, signal = ("CabinSwitches", "LockSwitch") if source == "interior-switch" else ("BodyDoors", "Cylinder")
        self.network.show(name, **{signal: _ACTIONS[action]})
        self.loop.at(self.loop.now + held, lambda: self.network.show(name, **{signal: 0}))

    def _sample_motion(self) -> dict[str, int]:
        speed = round(self.motion.speed * 100)
        return {"Speed": max(0, speed + self.chance.between("speed", -4, 4)) if speed else 0}

    def _sample_engine(self) -> dict[str, int]:
        running = self.network.values["DriveMotion"].get("Ignition") == 1
        turns = 3200 + round(self.motion.speed * 70) + self.chance.between("turns", -60, 60)
        return {"EngineSpeed": turns if running else 0}

    def _sample_supply(self) -> dict[str, int]:
        running = self.network.values["DriveMotion"].get("Ignition") == 1
        return {"Voltage": (1390 if running else 1245) + self.chance.between("supply", -4, 4)}

    def _sample_climate(self) -> dict[str, int]:
        return {"Humidity": 140 + self.chance.between("humidity", -2, 2)}
