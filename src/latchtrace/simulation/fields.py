"""The fields of a scenario file and how their text is read; the JSON Schema is made from the same tables."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from latchtrace.errors import Problem
from latchtrace.model.quantity import parse_speed, parse_time
from latchtrace.model.time import SECOND
from latchtrace.model.userfile import UserFile

_CLOCK = re.compile(r"\+?(\d+):([0-5]\d):([0-5]\d(?:\.\d+)?)")
_PERCENT = re.compile(r"(\d+(?:\.\d+)?)\s*%")
_TIME_PATTERN = r"^\s*\d+(\.\d+)?\s*(ns|us|µs|ms|s|min|h)\s*$"
_MOMENT_PATTERN = r"^(\+?\d+:[0-5]\d:[0-5]\d(\.\d+)?|\s*\d+(\.\d+)?\s*(ns|us|µs|ms|s|min|h)\s*)$"


@dataclass(frozen=True, slots=True)
class Kind:
    """How one field is written: a reader (ValueError with the reason) and its JSON Schema."""

    read: Callable[[str], Any]
    schema: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """One field of a table: its kind, whether it must be there, what stands for it if not, and its meaning."""

    kind: Kind
    meaning: str
    required: bool = False
    default: Any = None


def moment(text: str) -> int:
    """A time from the start, `90 min` or `+01:30:00`, in nanoseconds."""
    if match := _CLOCK.fullmatch(text.strip()):
        return (int(match[1]) * 3600 + int(match[2]) * 60) * SECOND + round(float(match[3]) * 1000) * SECOND // 1000
    return parse_time(text)


def instant(text: str) -> int:
    """A date and time with its offset, in nanoseconds since 1970."""
    try:
        read = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"'{text}' is not a date and time such as 2024-03-08T21:45:00+01:00") from None
    if read.tzinfo is None:
        raise ValueError(f"'{text}' has no offset; write it with one, such as {text}+01:00")
    return int(read.timestamp()) * SECOND + read.microsecond * 1000


def whole(low: int, high: int) -> Kind:
    """A whole number within bounds."""

    def read(text: str) -> int:
        if not re.fullmatch(r"\d{1,12}", text) or not low <= int(text) <= high:
            raise ValueError(f"'{text}' is not a whole number from {low} to {high}")
        return int(text)

    return Kind(read, {"type": ["integer", "string"], "pattern": r"^\d+$", "minimum": low, "maximum": high})


def choice(*names: str) -> Kind:
    """One of a few words."""

    def read(text: str) -> str:
        if text not in names:
            raise ValueError(f"'{text}' is not one of {', '.join(names)}")
        return text

    return Kind(read, {"enum": list(names)})


def _percent(text: str) -> float:
    match = _PERCENT.fullmatch(text.strip())
    if not match or float(match[1]) > 100:
        raise ValueError(f"'{text}' is not a share; write a number and %, such as 1 %")
    return float(match[1]) / 100


def _words(text: str) -> str:
    if not text.strip():
        raise ValueError("is empty")
    return text


TIME = Kind(parse_time, {"type": "string", "pattern": _TIME_PATTERN})
MOMENT = Kind(moment, {"type": "string", "pattern": _MOMENT_PATTERN})
INSTANT = Kind(instant, {"type": "string", "format": "date-time"})
SPEED = Kind(parse_speed, {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s*km/h\s*$"})
SHARE = Kind(_percent, {"type": "string", "pattern": r"^\s*\d+(\.\d+)?\s*%\s*$"})
TEXT = Kind(_words, {"type": "string", "minLength": 1})
SWITCH = choice("on", "off")
YES_NO = choice("yes", "no")


class Reading:
    """Reads tables of fields out of a user's file and collects every mistake."""

    def __init__(self, file: UserFile) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def wrong(self, path: Iterable[str | int], what: str, mend: str = "") -> None:
        """Note a mistake at a field."""
        self.problems.append(self.file.problem(path, what, mend))

    def table(self, data: Any, path: tuple[str | int, ...], entries: Mapping[str, Entry]) -> dict[str, Any] | None:
        """The fields of a mapping, read; None where it is none or a field is wrong."""
        if not isinstance(data, dict):
            self.wrong(path, "is not a mapping of fields", f"write {', '.join(list(entries)[:3])}, …")
            return None
        before = len(self.problems)
        for name in data:
            if name not in entries:
                self.wrong((*path, name), "is not a field known here", f"known are {', '.join(entries)}")
        read = {name: self._field(data, path, name, entry) for name, entry in entries.items()}
        return read if len(self.problems) == before else None

    def _field(self, data: Mapping[str, Any], path: tuple[str | int, ...], name: str, entry: Entry) -> Any:
        if name not in data:
            if entry.required:
                self.wrong(path, f"lacks the field {name} ({entry.meaning})", f"add {name}")
            return entry.default
        if not isinstance(data[name], str):
            self.wrong((*path, name), "must be one value", entry.meaning)
            return entry.default
        try:
            return entry.kind.read(data[name])
        except ValueError as error:
            self.wrong((*path, name), str(error))
            return entry.default


def table_schema(entries: Mapping[str, Entry]) -> dict[str, Any]:
    """The JSON Schema of a table of fields."""
    return {
        "type": "object",
        "additionalProperties": False,
        "required": [name for name, entry in entries.items() if entry.required],
        "properties": {name: {**entry.kind.schema, "description": entry.meaning} for name, entry in entries.items()},
    }
