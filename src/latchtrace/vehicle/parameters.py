"""Limits, policies and settings a vehicle file may state: the catalogue, and reading them with their origin."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from latchtrace.model.quantity import parse_speed, parse_time
from latchtrace.model.userfile import parse_user_text
from latchtrace.model.vehicle import Parameter
from latchtrace.vehicle.form import LARGEST_NUMBER, TIME_PATTERN, Form, Path, Shape, Text, kind_of, short, whole_number
from latchtrace.vehicle.groups import Either, Field, Record
from latchtrace.vehicle.words import did_you_mean, listed

PRACTICE = "common practice, no published source"
STATED = "vehicle file"
_UNITS = {"time": "ns", "speed": "km/h", "count": "", "choice": "", "truth": ""}
_WANTED = {
    "time": "a number and a unit, such as 500 ms or 30 s",
    "speed": "a number and km/h, such as 15 km/h",
    "count": "a whole number",
    "truth": "true or false",
}
_SCHEMAS: dict[str, dict[str, Any]] = {
    "time": {"type": "string", "pattern": TIME_PATTERN},
    "speed": {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s*km/h\s*$"},
    "truth": {"type": "boolean"},
}


@dataclass(frozen=True)
class Limit:
    """One entry of the catalogue; `default` as text, only for tracing windows; `least` and `most` only for counts."""

    name: str
    unit: str
    meaning: str
    choices: tuple[str, ...] = ()
    default: str = ""
    least: int = 0
    most: int = LARGEST_NUMBER

    @property
    def wanted(self) -> str:
        """What to write, in a user's words."""
        if self.unit == "count" and (self.least, self.most) != (0, LARGEST_NUMBER):
            upper = f" to {self.most}" if self.most < LARGEST_NUMBER else " or more"
            return f"a whole number, {self.least}{upper}"
        return listed(self.choices, "or") if self.unit == "choice" else _WANTED[self.unit]

    def value(self, text: str) -> int | float | str | bool:
        """The value in the catalogue's unit; ValueError where the text is none."""
        if self.unit == "time":
            return _bounded(parse_time(text))
        if self.unit == "speed":
            return parse_speed(text)
        if self.unit == "truth" and text in ("true", "false"):
            return text == "true"
        if self.unit == "choice" and text in self.choices:
            return text
        number = whole_number(text) if self.unit == "count" else None
        if number is None or not self.least <= number <= self.most:
            raise ValueError(text)
        return number

    def parameter(self, text: str, origin: str) -> Parameter:
        """The value with its origin; ValueError where the text is none."""
        return Parameter(self.name, self.value(text), _UNITS[self.unit], origin, text)


@cache
def catalogue() -> dict[str, Limit]:
    """Every parameter a vehicle file may state, by name."""
    raw = (files("latchtrace") / "data" / "parameters.yaml").read_bytes()
    entries: dict[str, dict[str, Any]] = parse_user_text(raw, "parameters.yaml").data["parameters"]
    return {
        name: Limit(
            name,
            entry["unit"],
            entry["meaning"],
            tuple(entry.get("choices", ())),
            entry.get("default", ""),
            int(entry.get("least", 0)),
            int(entry.get("most", LARGEST_NUMBER)),
        )
        for name, entry in entries.items()
    }


def defaults() -> dict[str, Parameter]:
    """The tracing windows that hold where a vehicle file states none."""
    return {name: limit.parameter(limit.default, PRACTICE) for name, limit in catalogue().items() if limit.default}


@dataclass(frozen=True)
class _Value(Shape):
    """The value of one limit."""

    limit: Limit

    def read(self, form: Form, path: Path, value: Any) -> str | None:
        """The text of the value, checked."""
        if not isinstance(value, str):
            form.problem(path, f"is {kind_of(value)}", f"write {self.limit.wanted}")
            return None
        text = value.strip()
        try:
            self.limit.value(text if len(text) < 40 else "")
        except ValueError:
            form.problem(path, self._wrong(text), f"{self.limit.meaning}: write {self.limit.wanted}")
            return None
        return text

    def _wrong(self, text: str) -> str:
        if not text:
            return "is empty"
        if self.limit.unit == "count" and whole_number(text) is not None:
            return f"{short(text)} is out of range"
        return f"'{short(text)}' is not {_KINDS[self.limit.unit]}"

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        if self.limit.unit == "choice":
            return {"enum": list(self.limit.choices)}
        if self.limit.unit == "count":
            upper = {} if self.limit.most == LARGEST_NUMBER else {"maximum": self.limit.most}
            return {"type": "integer", "minimum": self.limit.least} | upper
        return dict(_SCHEMAS[self.limit.unit])


_KINDS = {
    "time": "a duration",
    "speed": "a speed in km/h",
    "count": "a whole number",
    "choice": "one of the choices",
    "truth": "true or false",
}


@dataclass(frozen=True)
class ParameterMap(Shape):
    """All parameters of a file: each its value, or value and origin."""

    def read(self, form: Form, path: Path, value: Any) -> dict[str, Parameter] | None:
        """The parameters that could be read, by name."""
        if not isinstance(value, dict):
            if value == "":
                return {}
            form.problem(path, f"is {kind_of(value)}", "write one parameter a line, `relock.delay: 30 s`")
            return None
        found: dict[str, Parameter] = {}
        for name, entry in value.items():
            limit = catalogue().get(name)
            if limit is None:
                form.problem((*path, name), "is not a parameter", did_you_mean(name, catalogue()))
                continue
            read = _shape(limit).read(form, (*path, name), entry)
            stated = {"value": read} if isinstance(read, str) else read
            if stated and "value" in stated:
                found[name] = limit.parameter(stated["value"], stated.get("origin", STATED))
        return found

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        entries = {name: _shape(limit).schema() | {"description": limit.meaning} for name, limit in catalogue().items()}
        return {"type": ["object", "null"], "properties": entries, "additionalProperties": False}


def _shape(limit: Limit) -> Either:
    value = _Value(limit)
    origin = Field(Text(), "where the value comes from: document, section, table")
    return Either(
        plain=value,
        group=Record({"value": Field(value, limit.meaning, required=True), "origin": origin}),
        wanted=limit.wanted,
    )


def _bounded(number: int) -> int:
    if number > LARGEST_NUMBER:
        raise ValueError(str(number))
    return number
