"""The first demo car on its wires: cyclic messages on two networks, one latch signal for each closure."""

from __future__ import annotations

from collections.abc import Mapping

from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation.bits import Field, Message
from latchtrace.simulation.cars import Car, Limits, Timing
from latchtrace.simulation.loop import Chance, Loop
from latchtrace.simulation.motion import Motion
from latchtrace.simulation.network import Network, Wiring

_SHORT = {
    "front-left": "FrontLeft",
    "front-right": "FrontRight",
    "rear-left": "RearLeft",
    "rear-right": "RearRight",
    "tailgate": "Tailgate",
    "bonnet": "Bonnet",
}
_CLOSURES = tuple(_SHORT)
_LOCKABLE = _CLOSURES[:5]
_HANDLES = _CLOSURES[:4]
_ACTIONS = {"lock": 1, "unlock": 2}
_REASONS = {"key": 1, "contact": 2, "switch": 3, "module": 4, "ignition": 5}

_MOTION = Message(
    "DriveMotion",
    0x0B4,
    "drive",
    "cluster",
    4,
    {"Speed": Field(7, 16, big=True), "Ignition": Field(22, 2, big=True), "Crash": Field(20, 1), "Alive": Field(27, 4, big=True)},
    period=100 * MILLISECOND,
    alive="Alive",
)

MESSAGES = (
    Message(
        "BodyCommand",
        0x0E0,
        "body",
        "body-module",
        4,
        {"Actuators": Field(0, 3), "Flash": Field(4, 2), "Alive": Field(8, 4), "MotorCurrent": Field(16, 8)},
        period=50 * MILLISECOND,
        alive="Alive",
    ),
    Message(
        "KeyReceiver",
        0x1A2,
        "body",
        "key-receiver",
        8,
        {
            "Presses": Field(0, 8),
            "Button": Field(8, 4),
            "Alive": Field(12, 4),
            "Slot": Field(16, 4),
            "Battery": Field(20, 4),
            "Count": Field(24, 16),
            "Code": Field(40, 24),
        },
        period=50 * MILLISECOND,
        alive="Alive",
        start={"Presses": 41, "Button": 1, "Slot": 1, "Battery": 10, "Count": 12_877, "Code": 0x5A17C3},
    ),
    Message(
        "KeyDecoder",
        0x1A8,
        "body",
        "body-module",
        3,
        {"Result": Field(1, 2), "Slot": Field(4, 4), "Alive": Field(8, 4), "Lead": Field(16, 8)},
        period=50 * MILLISECOND,
        alive="Alive",
        start={"Slot": 1, "Lead": 1},
    ),
    Message(
        "BodyLatches",
        0x210,
        "body",
        "body-module",
        4,
        {**{f"Latch{_SHORT[c]}": Field(2 * i, 2) for i, c in enumerate(_LOCKABLE)}, "Alive": Field(12, 4)},
        period=100 * MILLISECOND,
        alive="Alive",
    ),
    Message(
        "BodyDoors",
        0x214,
        "body",
        "body-module",
        4,
        {
            **{f"Ajar{_SHORT[c]}": Field(i, 1) for i, c in enumerate(_CLOSURES)},
            **{f"Handle{_SHORT[c]}": Field(8 + i, 1) for i, c in enumerate(_HANDLES)},
            "Cylinder": Field(12, 2),
            "Alive": Field(16, 4),
        },
        period=100 * MILLISECOND,
        alive="Alive",
    ),
    Message(
        "CabinSwitches",
        0x228,
        "body",
        "cabin-panel",
        2,
        {"LockSwitch": Field(2, 2), "HazardSwitch": Field(4, 1), "Dimming": Field(8, 8)},
        period=100 * MILLISECOND,
        start={"Dimming": 180},
    ),
    Message(
        "BodyClimate",
        0x310,
        "body",
        "climate",
        4,
        {
            "Page": Field(0, 2),
            "CabinTemperature": Field(8, 8, page=0),
            "OutsideTemperature": Field(16, 8, page=0),
            "Blower": Field(8, 4, page=1),
            "Flap": Field(16, 8, page=1),
            "Humidity": Field(8, 8, page=2),
        },
        period=500 * MILLISECOND,
        selector="Page",
        pages=(0, 1, 2),
        start={"CabinTemperature": 116, "OutsideTemperature": 98, "Blower": 3, "Flap": 120, "Humidity": 140},
    ),
    Message(
        "ExteriorLamps",
        0x320,
        "body",
        "lamps",
        2,
        {"Hazard": Field(0, 2), "Courtesy": Field(2, 1), "SideLamps": Field(3, 1)},
        period=500 * MILLISECOND,
    ),
    Message(
        "BodySupply",
        0x330,
        "body",
        "body-module",
        5,
        {"Voltage": Field(7, 12, big=True), "Current": Field(11, 12, big=True), "BatteryTemperature": Field(31, 8, big=True)},
        period=SECOND,
        start={"Voltage": 1248, "Current": -42, "BatteryTemperature": 9},
    ),
    Message(
        "Settings",
        0x340,
        "body",
        "cabin-panel",
        2,
        {"SpeedLock": Field(0, 2), "Language": Field(4, 4)},
        period=SECOND,
        start={"SpeedLock": 1, "Language": 2},
    ),
    Message(
        "GatewayBody",
        0x352,
        "body",
        "gateway",
        2,
        {"DiagnosticLock": Field(0, 2), "DiagnosticSession": Field(4, 2)},
        period=500 * MILLISECOND,
    ),
    Message("NetworkWake", 0x5E0, "body", "body-module", 2, {"Node": Field(0, 4), "Reason": Field(8, 4)}),
    Message("(tyre module)", 0x6A3, "body", "lamps", 4, {"Word": Field(0, 32)}, period=SECOND),
    _MOTION,
    _MOTION.on("body", "gateway", 500 * MILLISECOND),
    Message(
        "EngineState",
        0x0C8,
        "drive",
        "engine",
        4,
        {"EngineSpeed": Field(0, 16), "Coolant": Field(16, 8), "Alive": Field(24, 4)},
        period=200 * MILLISECOND,
        alive="Alive",
        start={"Coolant": 71},
    ),
    Message("(steering module)", 0x4B0, "drive", "engine", 2, {"Word": Field(0, 16)}, period=500 * MILLISECOND),
)

CAR = Car(
    name="harbour",
    vehicle_file="harbour_estate.yaml",
    closures=_CLOSURES,
    lockable=_LOCKABLE,
    driver="front-left",
    handles=_HANDLES,
    limits=Limits(
        relock_delay=30 * SECOND,
        relock_tolerance=SECOND,
        relock_policy="cancel",
        speed_threshold=15.0,
        speed_tolerance=2.0,
        speed_hysteresis=5.0,
        speed_deadline=2 * SECOND,
        response_limit=600 * MILLISECOND,
    ),
    timing=Timing(),
    messages=MESSAGES,
    wiring=Wiring(
        units=("climate", "lamps", "engine", "cluster", "gateway", "cabin-panel", "key-receiver", "body-module"),
        bit_rates={"body": 125_000, "drive": 500_000},
        quiet=45 * SECOND,
        stagger=(260, 640),
    ),
    capture_names={"body": "can0", "drive": "can1"},
    keys={1: 0x2B, 2: 0x71},
    single_latches=True,
    command_visible=True,
    two_stage=False,
    requests={
        "remote-button": (
            "KeyReceiver.Presses",
            "KeyReceiver.Button",
            "KeyReceiver.Slot",
            "KeyReceiver.Count",
            "KeyReceiver.Code",
        ),
        "interior-switch": ("CabinSwitches.LockSwitch",),
        "key-cylinder": ("BodyDoors.Cylinder",),
    },
)

_CHAIN = ("KeyReceiver", "KeyDecoder", "BodyCommand", "BodyLatches", "BodyDoors", "CabinSwitches")


class HarbourWire:
    """Shows on the Harbour estate's networks what its body module does."""

    def __init__(self, loop: Loop, chance: Chance, motion: Motion) -> None:
        self.loop, self.chance, self.motion = loop, chance, motion
        self.network = Network(loop, chance, CAR.messages, CAR.wiring)
        self._speed_noise = 0
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
        self.network.show("BodyLatches", **{f"Latch{_SHORT[c]}": int(s == "locked") for c, s in state.items()})

    def report(self, action: str, origin: str) -> None:
        """This car reports nothing."""

    def ajar(self, state: Mapping[str, bool]) -> None:
        """Show the ajar contacts, now; the courtesy lamp follows."""
        self.network.show("BodyDoors", **{f"Ajar{_SHORT[c]}": int(o) for c, o in state.items()})
        self.network.show("ExteriorLamps", Courtesy=int(any(state.values())))

    def handle(self, closure: str) -> None:
        """Show a pull at an inside handle, now."""
        name = f"Handle{_SHORT[closure]}"
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
