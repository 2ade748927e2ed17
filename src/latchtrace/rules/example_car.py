"""The little car of the examples: four doors, a tailgate, a bonnet, every source visible, practice limits only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from latchtrace.model.quantity import parse_speed, parse_time
from latchtrace.model.userfile import load_user_file
from latchtrace.model.vehicle import REQUEST_SOURCES, Closure, Parameter, Role, RoleStatus, Vehicle
from latchtrace.rules.example_lines import AJAR, CLOSURES, GROUPS

FUNCTIONS = ("auto-relock", "speed-lock")
SINGLE_ROLES = (
    "reception",
    "validation",
    "command",
    "action-report",
    "ignition",
    "speed",
    "speed-lock-enabled",
    "hand-release",
)
STATUSES = ("mapped", "not-fitted", "not-visible", "silent")
NOT_STATED = "not-stated"


def role_names() -> tuple[str, ...]:
    """Every role of the little car."""
    closures = [*(f"latch.{closure}" for closure in CLOSURES), *(f"ajar.{closure}" for closure in AJAR)]
    return (*SINGLE_ROLES, *(f"request.{source}" for source in REQUEST_SOURCES), *closures)


@dataclass(frozen=True, slots=True)
class Car:
    """What an example states of its car beside the little car's own: statuses by role, parameters, functions.

    A parameter or function that is None is not stated.
    """

    roles: Mapping[str, str]
    parameters: Mapping[str, Parameter | None]
    functions: Mapping[str, bool | None]

    def status(self, role: str) -> str:
        """What the car says of a role: mapped, not-fitted, not-visible or silent."""
        return self.roles.get(role) or self.roles.get(role.partition(".")[0]) or "mapped"

    def joined(self, other: Car) -> Car:
        """The same, with what the other states put on top."""
        return Car(
            {**self.roles, **other.roles},
            {**self.parameters, **other.parameters},
            {**self.functions, **other.functions},
        )


LITTLE_CAR = Car({}, {}, {})


def example_vehicle(car: Car, more_roles: tuple[str, ...] = ()) -> Vehicle:
    """The vehicle an example speaks of."""
    roles = {}
    for name in dict.fromkeys((*role_names(), *more_roles)):
        kind, _, subject = name.partition(".")
        status = car.status(name)
        roles[name] = Role(name, kind, subject, RoleStatus("mapped" if status == "silent" else status))
    stated: dict[str, Parameter | None] = {**practice_limits(), **car.parameters}
    functions = {name: car.functions.get(name, True) for name in FUNCTIONS}
    return Vehicle(
        name="the car of an example",
        system="",
        folder=".",
        channels=(),
        messages={},
        closures=tuple(
            Closure(
                name,
                name.replace("-", " "),
                lockable=name in CLOSURES,
                rear=name.startswith("rear"),
                driver=name == "front-left",
            )
            for name in AJAR
        ),
        lock_groups=GROUPS,
        roles=roles,
        parameters={name: value for name, value in stated.items() if value is not None},
        functions={name: value for name, value in functions.items() if value is not None},
    )


@cache
def limits() -> Mapping[str, Mapping[str, Any]]:
    """The catalogue of parameters: unit, meaning, choices, default."""
    from latchtrace.rules.catalogue import data_folder

    found: Mapping[str, Mapping[str, Any]] = load_user_file(data_folder() / "parameters.yaml").data["parameters"]
    return found


@cache
def practice_limits() -> Mapping[str, Parameter]:
    """The tracing windows that hold where nothing is stated."""
    return {
        name: read_parameter(name, entry["default"], "common practice")
        for name, entry in limits().items()
        if "default" in entry
    }


def read_parameter(name: str, text: str, origin: str) -> Parameter:
    """A parameter of the catalogue from its text; ValueError says what is wrong."""
    entry = limits()[name]
    unit = entry["unit"]
    value: int | float | str | bool
    if unit == "time":
        return Parameter(name, parse_time(text), "ns", origin, text)
    if unit == "speed":
        return Parameter(name, parse_speed(text), "km/h", origin, text)
    if unit == "count":
        if not text.isdecimal() or len(text) > 9:
            raise ValueError(f"'{text[:40]}' is not a whole number")
        value = int(text)
        least, most = int(entry.get("least", 0)), int(entry.get("most", value))
        if not least <= value <= most:
            upper = f" and not above {most}" if "most" in entry else ""
            raise ValueError(f"{value} is out of range; write a number not below {least}{upper}")
    elif unit == "truth":
        if text not in ("true", "false"):
            raise ValueError(f"'{text[:40]}' is neither true nor false")
        value = text == "true"
    else:
        if text not in entry["choices"]:
            raise ValueError(f"'{text[:40]}' is none of {', '.join(entry['choices'])}")
        value = text
    return Parameter(name, value, "", origin, text)
