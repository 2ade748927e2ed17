"""Shapes made of other shapes: lists, named entries, records of known fields, and choices between shapes."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from latchtrace.vehicle.form import Form, Path, Shape, kind_of, short
from latchtrace.vehicle.words import did_you_mean, nearest


@dataclass(frozen=True)
class ListOf(Shape):
    """A list; one item may stand without the brackets, unless `alone` is False."""

    item: Shape
    alone: bool = True

    def read(self, form: Form, path: Path, value: Any) -> list[Any] | None:
        """The items that could be read."""
        if not isinstance(value, list):
            one = self.item.read(form, path, value)
            return None if one is None else [one]
        found = [self.item.read(form, (*path, i), item) for i, item in enumerate(value)]
        return [item for item in found if item is not None]

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        several = {"type": "array", "items": self.item.schema()}
        return {"anyOf": [self.item.schema(), several]} if self.alone else several


@dataclass(frozen=True)
class MapOf(Shape):
    """Named entries of one shape; `check` may refuse a name with (what, mend)."""

    item: Shape
    pattern: str = ".+"
    name_text: str = "a name"
    check: Callable[[str], tuple[str, str] | None] | None = None
    may_be_empty: bool = False

    def read(self, form: Form, path: Path, value: Any) -> dict[str, Any] | None:
        """The entries that could be read."""
        if self.may_be_empty and value == "":
            return {}
        if not isinstance(value, dict):
            empty = isinstance(value, str) and not value
            form.problem(path, "is empty" if empty else f"is {kind_of(value)}", "write one entry a line, `name: …`")
            return None
        found: dict[str, Any] = {}
        for name, entry in value.items():
            refused = self.check(name) if self.check else None
            if refused is None and not re.fullmatch(self.pattern, name):
                refused = (f"'{short(name)}' cannot be a name here", f"write {self.name_text}")
            if refused:
                form.problem((*path, name), *refused)
                continue
            read = self.item.read(form, (*path, name), entry)
            if read is not None:
                found[name] = read
        return found

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {
            "type": ["object", "null"] if self.may_be_empty else "object",
            "patternProperties": {f"^(?:{self.pattern})$": self.item.schema()},
            "additionalProperties": False,
        }


@dataclass(frozen=True)
class Field:
    """One field of a record: its shape, what it means, and whether it must be there."""

    shape: Shape
    meaning: str
    required: bool = False


@dataclass(frozen=True)
class Record(Shape):
    """A group of known fields. An empty value is an empty group."""

    fields: Mapping[str, Field]

    def read(self, form: Form, path: Path, value: Any) -> dict[str, Any] | None:
        """The fields that could be read, by name."""
        if value == "":
            value = {}
        if not isinstance(value, dict):
            form.problem(path, f"is {kind_of(value)}", f"write fields: {', '.join(self.fields)}")
            return None
        found: dict[str, Any] = {}
        meant: set[str] = set()
        for name, entry in value.items():
            known = self.fields.get(name)
            if known is None:
                meant.update(nearest(name, self.fields, 1))
                form.problem((*path, name), "is not a field here", did_you_mean(name, self.fields))
                continue
            read = known.shape.read(form, (*path, name), entry)
            if read is not None:
                found[name] = read
        for name, known in self.fields.items():
            if known.required and name not in value and name not in meant:
                form.problem(path, f"has no field '{name}'", f"add {name}: {known.meaning}")
        return found

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        required = [name for name, known in self.fields.items() if known.required]
        return {
            "type": "object",
            "properties": {name: f.shape.schema() | {"description": f.meaning} for name, f in self.fields.items()},
            "additionalProperties": False,
        } | ({"required": required} if required else {})


@dataclass(frozen=True)
class Either(Shape):
    """One shape for a plain value, another for a list, another for a group of fields."""

    plain: Shape | None = None
    group: Shape | None = None
    several: Shape | None = None
    wanted: str = ""

    def read(self, form: Form, path: Path, value: Any) -> Any:
        """What the shape that fits reads."""
        shape = self.several if isinstance(value, list) else self.group if isinstance(value, dict) else self.plain
        if shape is None:
            form.problem(path, f"is {kind_of(value)}", f"write {self.wanted}" if self.wanted else "")
            return None
        return shape.read(form, path, value)

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        shapes = [shape for shape in (self.plain, self.group, self.several) if shape is not None]
        return {"anyOf": [shape.schema() for shape in shapes]}


@dataclass(frozen=True)
class Named(Shape):
    """A shape that stands once in the schema, under a name."""

    name: str
    shape: Shape

    def read(self, form: Form, path: Path, value: Any) -> Any:
        """What the shape reads."""
        return self.shape.read(form, path, value)

    def schema(self) -> dict[str, Any]:
        """A reference to the shape's place in the schema."""
        return {"$ref": f"#/$defs/{self.name}"}
