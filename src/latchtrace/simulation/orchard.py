"""The second demo car on its wire: one value for all locks, presses as repeated event frames, 29-bit ids."""

from __future__ import annotations

from collections.abc import Mapping

from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation.bits import Field, Message
from latchtrace.simulation.cars import Car, Carrier, Limits, Timing
from latchtrace.simulation.loop import Chance, Loop
from latchtrace.simulation.motion import Motion
from latchtrace.simulation.network import Network, Wiring

_CLOSURES = ("front-left", "front-right", "tailgate")
_SHORT = {"front-left": "FrontLeft", "front-right": "FrontRight", "tailgate": "Tailgate"}
_ACTIONS = {"lock": 1, "unlock": 2}
_CAUSES = {"remote-button": 1, "interior-switch": 2, "relock-timer": 3, "key-cylinder": 4}
_REASONS = {"key": 1, "contact": 2, "switch": 3, "module": 4, "ignition": 5}
_ALL_UNLOCKED, _ALL_LOCKED, _DRIVER_ONLY = 1, 2, 3
_CODES = {1: 0x4C19E2, 2: 0x90A56B}

MESSAGES = (
    Message(
        "CarLock",
        0x1A2C0310,
        "comfort",
        "lock-module",
        3,
        {"State": Field(13, 4, big=True), "Horn": Field(17, 1, big=True)},
        extended=True,
        on_change=True,
        at_wake=True,
        start={"State": _ALL_LOCKED},
    ),
    Message(
        "KeyEvent",
        0x1A2C0420,
        "comfort",
        "infrared",
        6,
        {
            "Kind": Field(7, 4, big=True),
            "Strength": Field(15, 8, big=True, page=1),
            "Ambient": Field(23, 8, big=True, page=1),
            "Button": Field(3, 4, big=True, page=3),
            "Slot": Field(15, 4, big=True, page=3),
            "Code": Field(23, 24, big=True, page=3),
        },
        extended=True,
        selector="Kind",
    ),
    Message(
        "PanelKey",
        0x1A2C0510,
        "comfort",
        "panel",
        2,
        {"Key": Field(6, 3, big=True), "Backlight": Field(15, 8, big=True)},
        extended=True,
        start={"Backlight": 150},
    ),
    Message(
        "LockReport",
        0x1A2C0330,
        "comfort",
        "lock-module",
        4,
        {"Number": Field(3, 8, big=True), "Action": Field(23, 3, big=True), "Cause": Field(19, 4, big=True)},
        extended=True,
        period=SECOND,
        on_change=True,
        start={"Number": 0xFB, "Action": 1, "Cause": 1},
    ),
    Message(
        "DoorContacts",
        0x1A2C0340,
        "comfort",
        "lock-module",
        2,
        {
            "ShutFrontLeft": Field(7, 1, big=True),
            "ShutFrontRight": Field(5, 1, big=True),
            "ShutTailgate": Field(9, 1, big=True),
        },
        extended=True,
        period=SECOND,
        on_change=True,
        start={"ShutFrontLeft": 1, "ShutFrontRight": 1, "ShutTailgate": 1},
    ),
    Message(
        "VehicleState",
        0x0E110200,
        "comfort",
        "instrument",
        4,
        {"Ignition": Field(1, 2, big=True), "Odometer": Field(15, 24, big=True)},
        extended=True,
        period=500 * MILLISECOND,
        start={"Odometer": 873_112},
    ),
    Message(
        "LampState",
        0x1A2C0600,
        "comfort",
        "lamps",
        1,
        {"Indicators": Field(7, 2, big=True), "Courtesy": Field(4, 1, big=True)},
        extended=True,
        period=SECOND,
    ),
    Message(
        "NetworkWake",
        0x1A2C07F0,
        "comfort",
        "lock-module",
        1,
        {"Node": Field(7, 4, big=True), "Reason": Field(3, 4, big=True)},
        extended=True,
    ),
    Message(
        "(trailer module)", 0x1F334455, "comfort", "lamps", 3, {"Word": Field(0, 24)}, extended=True, period=2 * SECOND
    ),
)

CAR = Car(
    name="orchard",
    vehicle_file="orchard_hatch.yaml",
    closures=_CLOSURES,
    lockable=_CLOSURES,
    driver="front-left",
    handles=_CLOSURES[:2],
    limits=Limits(relock_delay=40 * SECOND, relock_tolerance=2 * SECOND, relock_policy="restart"),
    timing=Timing(check=120 * MILLISECOND, decide=80 * MILLISECOND, decide_switch=90 * MILLISECOND),
    messages=MESSAGES,
    wiring=Wiring(
        units=("panel", "infrared", "lamps", "instrument", "lock-module"),
        bit_rates={"comfort": 100_000},
        quiet=90 * SECOND,
        stagger=(700, 1600),
    ),
    capture_names={"comfort": "comfort0"},
    keys=_CODES,
    single_latches=False,
    command_visible=False,
    two_stage=True,
    requests={
        "remote-button": Carrier("event", ("KeyEvent.Button",)),
        "interior-switch": Carrier("event", ("PanelKey.Key",)),
    },
    report=Carrier("counter", ("LockReport.Number", "LockReport.Action", "LockReport.Cause")),
)

_CHAIN = ("CarLock", "LockReport", "DoorContacts")


class OrchardWire:
    """Shows on the Orchard hatchback's network what its lock module does."""

    def __init__(self, loop: Loop, chance: Chance, motion: Motion) -> None:
        self.loop, self.chance, self.motion = loop, chance, motion
        self.network = Network(loop, chance, CAR.messages, CAR.wiring)
        self.network.samplers = {
            "(trailer module)": lambda: {"Word": chance.between("trailer", 0, 2**24 - 1)},
            "VehicleState": self._sample_state,
        }

    def request(self, source: str, action: str, key: int, *, hidden: bool) -> int:
        """Show a request (unless hidden) and tell when; wakes the network. The cylinder shows nothing."""
        unit = {"remote-button": "infrared", "interior-switch": "panel"}.get(source, "lock-module")
        self.network.wake(unit, _REASONS["key" if source == "remote-button" else "switch"])
        when = max(self.network.ready(*_CHAIN), self.loop.now + 30 * MILLISECOND)
        if not hidden:
            self.loop.at(when, lambda: self._show_request(source, action, key))
        return when

    def validation(self, accepted: bool, key: int) -> None:
        """Nothing: the check is not on the network."""

    def command_ready(self) -> int:
        """The first moment at which the locks may move; wakes the network."""
        self.network.wake("lock-module", _REASONS["module"])
        return self.network.ready(*_CHAIN)

    def command(self, action: str) -> None:
        """Flash the indicators; the command is not on the network."""
        self.network.show("LampState", Indicators=_ACTIONS[action])
        self.loop.at(self.loop.now + 1500 * MILLISECOND, lambda: self.network.show("LampState", Indicators=0))

    def latches(self, state: Mapping[str, str]) -> None:
        """Show the one lock value, now."""
        locked = [closure for closure, told in state.items() if told == "locked"]
        value = _ALL_LOCKED if len(locked) == len(state) else _DRIVER_ONLY if locked else _ALL_UNLOCKED
        self.network.show("CarLock", State=value)

    def report(self, action: str, origin: str) -> None:
        """Report an action that moves the locks now: the report comes a little before or after."""
        lag = self.chance.between("report", 1, 130) * MILLISECOND
        self.loop.at(self.loop.now + lag, lambda: self._show_report(action, origin))

    def ajar(self, state: Mapping[str, bool]) -> None:
        """Show the contacts, now."""
        self.network.show("DoorContacts", **{f"Shut{_SHORT[c]}": int(not o) for c, o in state.items()})
        self.network.show("LampState", Courtesy=int(any(state.values())))

    def handle(self, closure: str) -> None:
        """Nothing: the inside handles are not on the network."""

    def contact_ready(self) -> int:
        """The first moment at which a contact may show something new; wakes the network."""
        self.network.wake("lock-module", _REASONS["contact"])
        return self.network.ready(*_CHAIN)

    def ignition(self, on: bool) -> None:
        """Show the ignition; wakes the network."""
        self.network.wake("instrument", _REASONS["ignition"])
        when = self.network.ready("VehicleState")
        self.loop.at(when, lambda: self.network.show("VehicleState", Ignition=2 if on else 0))

    def speed_lock(self, on: bool) -> None:
        """Nothing: the car has no speed locking."""

    def _show_request(self, source: str, action: str, key: int) -> None:
        now = self.loop.now
        if source == "remote-button":
            strength, ambient = self.chance.between("strength", 60, 160), self.chance.between("ambient", 4, 20)
            self.network.send("KeyEvent", Kind=1, Strength=strength, Ambient=ambient)
            press = {"Kind": 3, "Button": _ACTIONS[action], "Slot": key, "Code": _CODES.get(key, 0x0DD5ED)}
            self._thrice("KeyEvent", now + 5 * MILLISECOND, press)
        elif source == "interior-switch":
            self._thrice("PanelKey", now, {"Key": _ACTIONS[action]})

    def _thrice(self, name: str, start: int, values: dict[str, int]) -> None:
        for i in range(3):
            self.loop.at(start + 20 * i * MILLISECOND, lambda: self.network.send(name, **values))

    def _show_report(self, action: str, origin: str) -> None:
        number = (self.network.values["LockReport"]["Number"] + 1) % 256
        self.network.show("LockReport", Number=number, Action=_ACTIONS[action], Cause=_CAUSES[origin])

    def _sample_state(self) -> dict[str, int]:
        moved = round(self.motion.speed / 3600 * 0.5 * 10)
        return {"Odometer": self.network.values["VehicleState"]["Odometer"] + moved}
