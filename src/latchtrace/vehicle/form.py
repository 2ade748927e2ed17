"""Shapes of fields: each reads text a person wrote into a value, and tells its part of the published schema."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from latchtrace.errors import Problem
from latchtrace.model.quantity import parse_time
from latchtrace.model.userfile import UserFile
from latchtrace.vehicle.words import did_you_mean, listed

Path = tuple[str | int, ...]
TIME_PATTERN = r"^\s*\d+(\.\d+)?\s*(ns|us|µs|ms|s|min|h)\s*$"
BIT_RATE_PATTERN = r"^\s*\d+(\.\d+)?\s*[kM]?bit/s\s*$"
LARGEST_NUMBER = 2**63 - 1


class Form:
    """A user's file under reading: collects every mistake with its place instead of stopping at the first."""

    def __init__(self, file: UserFile) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.raw_values = 0

    def problem(self, path: Sequence[str | int], what: str, mend: str = "") -> None:
        """Note a mistake at a field."""
        self.problems.append(self.file.problem(path, what, mend))


class Shape(ABC):
    """What a field may hold. `read` gives None where it noted a mistake."""

    @abstractmethod
    def read(self, form: Form, path: Path, value: Any) -> Any:
        """The field's value, or None with the mistake noted."""

    @abstractmethod
    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""


def kind_of(value: Any) -> str:
    """What a node is, in a user's words."""
    return "a list" if isinstance(value, list) else "a group of fields" if isinstance(value, dict) else "a value"


def _is_text(form: Form, path: Path, value: Any, wanted: str) -> bool:
    if isinstance(value, str):
        return True
    form.problem(path, f"is {kind_of(value)}", f"write {wanted}")
    return False


@dataclass(frozen=True)
class Text(Shape):
    """Text, perhaps one of some choices or of a certain form."""

    choices: tuple[str, ...] = ()
    pattern: str = ""
    form_text: str = ""
    also: str = ""

    def read(self, form: Form, path: Path, value: Any) -> str | None:
        """The text."""
        wanted = listed(self.choices, "or") if self.choices else self.form_text or "text"
        if not _is_text(form, path, value, wanted):
            return None
        text = str(value).strip()
        if self.choices and text not in self.choices:
            form.problem(path, f"is '{short(text)}'" if text else "is empty", self._mend(text, wanted))
            return None
        if not text or (self.pattern and not re.fullmatch(self.pattern, text)):
            form.problem(path, f"is '{short(text)}'" if text else "is empty", f"write {wanted}")
            return None
        return text

    def _mend(self, text: str, wanted: str) -> str:
        close = did_you_mean(text, self.choices)
        return close if close.startswith("did") else f"write {wanted}"

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        if self.choices:
            return {"enum": list(self.choices)}
        found: dict[str, Any] = {"type": ["string", self.also] if self.also else "string"}
        return found | ({"pattern": f"^(?:{self.pattern})$"} if self.pattern else {"minLength": 1})


@dataclass(frozen=True)
class Duration(Shape):
    """A time such as `100 ms`, read as nanoseconds."""

    positive: bool = False

    def read(self, form: Form, path: Path, value: Any) -> int | None:
        """Nanoseconds."""
        if not _is_text(form, path, value, "a number and a unit, such as 100 ms"):
            return None
        try:
            time = parse_time(value) if len(value) < 40 else LARGEST_NUMBER + 1
        except ValueError:
            form.problem(
                path, f"'{short(value)}' is not a duration", "write a number and a unit, such as 100 ms or 30 s"
            )
            return None
        if time > LARGEST_NUMBER or (self.positive and time == 0):
            form.problem(path, f"{short(value)} is out of range", "write a duration above zero and below 200 years")
            return None
        return time

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {"type": "string", "pattern": TIME_PATTERN}


@dataclass(frozen=True)
class BitRate(Shape):
    """A bit rate such as `125 kbit/s`, read as bit/s."""

    def read(self, form: Form, path: Path, value: Any) -> int | None:
        """Bits per second."""
        if not _is_text(form, path, value, "a bit rate, such as 125 kbit/s"):
            return None
        match = re.fullmatch(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*([kM]?)bit/s\s*", value)
        rate = round(float(match[1]) * {"": 1, "k": 1000, "M": 1_000_000}[match[2]]) if match else 0
        if rate <= 0:
            form.problem(path, f"'{short(value)}' is not a bit rate", "write it such as 125 kbit/s or 1 Mbit/s")
            return None
        return rate

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {"type": "string", "pattern": BIT_RATE_PATTERN}


@dataclass(frozen=True)
class Whole(Shape):
    """A whole number between two limits."""

    lowest: int
    highest: int = LARGEST_NUMBER

    def read(self, form: Form, path: Path, value: Any) -> int | None:
        """The number."""
        if not _is_text(form, path, value, "a whole number"):
            return None
        number = whole_number(value)
        if number is None:
            form.problem(path, f"'{short(value)}' is not a whole number", "write digits, such as 3")
            return None
        if not self.lowest <= number <= self.highest:
            upper = "" if self.highest == LARGEST_NUMBER else f" and not above {self.highest}"
            form.problem(path, f"{number} is out of range", f"write a number not below {self.lowest}{upper}")
            return None
        return number

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        upper = {} if self.highest == LARGEST_NUMBER else {"maximum": self.highest}
        return {"type": "integer", "minimum": self.lowest} | upper


@dataclass(frozen=True)
class YesNo(Shape):
    """`true` or `false`."""

    def read(self, form: Form, path: Path, value: Any) -> bool | None:
        """The truth value."""
        known = {"true": True, "yes": True, "false": False, "no": False}
        if isinstance(value, str) and value.strip().lower() in known:
            return known[value.strip().lower()]
        form.problem(
            path, f"is '{short(value)}'" if isinstance(value, str) else f"is {kind_of(value)}", "write true or false"
        )
        return None

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {"type": "boolean"}


def whole_number(text: str) -> int | None:
    """A whole number written in digits or as 0x…; None where it is none."""
    plain = text.strip()
    if not re.fullmatch(r"-?\d{1,20}|0[xX][0-9a-fA-F]{1,16}", plain):
        return None
    return int(plain, 16) if plain[:2].lower() == "0x" else int(plain)


def short(text: str) -> str:
    """A text as it fits into one line of a message."""
    line = " ".join(str(text).split())
    return line if len(line) <= 60 else line[:57] + "…"
