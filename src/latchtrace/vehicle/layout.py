"""The fields of a vehicle file: one definition from which files are read and the schema is published."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any

from latchtrace.model.vehicle import REQUEST_SOURCES, SendType
from latchtrace.vehicle.form import BitRate, Duration, Form, Path, Shape, Text, Whole, YesNo, kind_of, short
from latchtrace.vehicle.groups import Either, Field, ListOf, MapOf, Named, Record
from latchtrace.vehicle.kinds import DETAILS, FUNCTIONS, KINDS, OTHERS, Follows, Kind
from latchtrace.vehicle.parameters import ParameterMap

VERSION = 1
NAME = r"[A-Za-z0-9][A-Za-z0-9_-]*"
SIGNAL = r"[A-Za-z_][A-Za-z0-9_]*\.[A-Za-z_][A-Za-z0-9_]*"
RAW = r"(?:-?\d{1,20}|0[xX][0-9a-fA-F]{1,16})"
RAWS = rf"\s*{RAW}\s*(?:-\s*{RAW}\s*)?"
NOT_FITTED = "not-fitted"
NOT_VISIBLE = "not-visible"

SIGNAL_SHAPE = Text(pattern=SIGNAL, form_text="Message.Signal, as the DBC names them")
LABEL_SHAPE = Text(also="boolean")


@dataclass(frozen=True)
class Raws(Shape):
    """A raw value or a range of them, kept as text."""

    def read(self, form: Form, path: Path, value: Any) -> str | None:
        """The text, checked for its form."""
        if isinstance(value, str) and re.fullmatch(RAWS, value):
            return value
        what = f"'{short(value)}' is not a raw value" if isinstance(value, str) else f"is {kind_of(value)}"
        form.problem(path, what, "write a whole number, 0x…, or a range such as 4-7")
        return None

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {"anyOf": [{"type": "integer"}, {"type": "string", "pattern": f"^{RAWS}$"}]}


def _name_of_closure(name: str) -> tuple[str, str] | None:
    if name == OTHERS:
        return f"'{OTHERS}' stands for all other closures", "choose another name"
    return None


CLOSURES = MapOf(
    Record(
        {
            "title": Field(Text(), "the name people read"),
            "driver": Field(YesNo(), "whether it is the driver's door"),
            "rear": Field(YesNo(), "whether it is at the rear"),
            "lockable": Field(YesNo(), "false for one that only has an ajar contact"),
            "actuator": Field(Text(choices=("motor-in-latch", "separate")), "where its motor sits"),
        }
    ),
    pattern=NAME,
    name_text="letters, digits and hyphens, such as front-left",
    check=_name_of_closure,
)

CHANNELS = MapOf(
    Record(
        {
            "aliases": Field(ListOf(Text()), "the names captures call this channel by"),
            "bit_rate": Field(BitRate(), "the channel's bit rate, such as 125 kbit/s"),
            "dbc": Field(ListOf(Text()), "the channel's DBC files, seen from this file", required=True),
        }
    ),
    pattern=NAME,
    name_text="letters, digits and hyphens, such as body",
)

MESSAGES = MapOf(
    Record(
        {
            "send": Field(Text(choices=tuple(SendType)), "when it is sent", required=True),
            "period": Field(Duration(positive=True), "spacing of its cyclic frames; without it the DBC's cycle time"),
            "latency": Field(Duration(), "longest time from the change to its frame"),
            "repeats": Field(Whole(1, 1000), "frames that carry one and the same event"),
            "repeat_within": Field(Duration(), "longest time from the first to the last of them"),
            "kind_pages": Field(YesNo(), "whether its multiplexer tells what kind of event it is"),
            "counter": Field(Text(), "its alive counter, a signal of the message"),
            "counter_modulus": Field(Whole(2), "the alive counter's number of values, where not all its bits count"),
            "channel": Field(Text(), "its channel, where the DBCs of several channels define it"),
        }
    ),
    pattern=r"[A-Za-z_][A-Za-z0-9_]*",
    name_text="a message as the DBC names it",
    may_be_empty=True,
)

_CLOSURE_LABELS = MapOf(LABEL_SHAPE, name_text="a closure")
VALUES = Named(
    "values",
    MapOf(
        Either(plain=LABEL_SHAPE, group=_CLOSURE_LABELS, wanted="a label, or closures with a label each"),
        pattern=RAWS,
        name_text="raw values: a whole number, 0x…, or a range such as 4-7",
    ),
)
DETAIL_VALUES = MapOf(LABEL_SHAPE, pattern=RAWS, name_text="raw values: a whole number, 0x…, or a range such as 4-7")
DETAIL = Either(
    plain=SIGNAL_SHAPE,
    group=Record(
        {
            "signal": Field(SIGNAL_SHAPE, "Message.Signal, of the same message as the reading's signal", required=True),
            "values": Field(DETAIL_VALUES, "what its raw values mean"),
        }
    ),
    wanted="Message.Signal",
)
DETAIL_MAP = Named("details", Record({name: Field(Named("detail", DETAIL), text) for name, text in DETAILS.items()}))
_WANTED = Either(plain=Raws(), several=ListOf(Raws(), alone=False), wanted="a raw value or a list of them")
WHEN = Named("when", MapOf(_WANTED, name_text="a signal"))


def reading(kind: Kind) -> Record:
    """The fields of one reading of a role of this kind."""
    fields = {"signal": Field(SIGNAL_SHAPE, "Message.Signal, as the DBC names them", required=True)}
    labels = ", ".join(kind.labels)
    fields["values"] = Field(VALUES, f"what each raw value means: {labels}")
    fields["when"] = Field(WHEN, "other signals of the same frame and the raw values they must hold")
    if kind.numeric:
        fields["unit"] = Field(Text(choices=("km/h", "mph", "m/s")), "the signal's unit, where the DBC does not tell")
        return Record(fields)
    fields["shows"] = Field(Text(choices=tuple(kind.shows)), "how it tells; level where not stated")
    if kind.state:
        return Record(fields)
    fields["details"] = Field(DETAIL_MAP, "further facts of the same frame")
    fields["modulus"] = Field(Whole(2), "at how many steps a counter starts again; without it from its length")
    fields["holds"] = Field(Duration(positive=True), "the shortest time a level or pulse is shown")
    fields["closure"] = Field(Text(), "the closure it concerns")
    fields["does"] = Field(Text(choices=kind.happenings), "what each event or counter step means")
    return Record(fields)


_STATUS = Text(choices=(NOT_FITTED, NOT_VISIBLE))
_NOTE = Record({name: Field(Text(), "why") for name in (NOT_FITTED, NOT_VISIBLE)})


def role_shape(kind: Kind) -> Either:
    """What may stand at a role of this kind."""
    one = Named(f"reading-{kind.name}", reading(kind))
    return Either(plain=_STATUS, group=_NoteOrReading(one), several=ListOf(one, alone=False))


@dataclass(frozen=True)
class _NoteOrReading(Shape):
    """`{not-visible: why}`, `{not-fitted: why}`, or the fields of one reading."""

    fields: Named

    def read(self, form: Form, path: Path, value: Any) -> Any:
        """A pair (status, note), or the reading's fields."""
        for status in (NOT_FITTED, NOT_VISIBLE):
            if status in value:
                for other in value:
                    if other != status:
                        form.problem((*path, other), f"stands beside {status}", f"remove it, or remove {status}")
                note = Text().read(form, (*path, status), value[status])
                return None if note is None else (status, note)
        return self.fields.read(form, path, value)

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        return {"anyOf": [{"$ref": "#/$defs/note"}, self.fields.schema()]}


def role_pattern(kind: Kind) -> str:
    """How roles of this kind are named."""
    sources = "|".join(REQUEST_SOURCES)
    return {
        Follows.NOTHING: kind.name,
        Follows.CLOSURE: rf"{kind.name}(?:\.{NAME})?",
        Follows.GROUP: rf"{kind.name}(?:\.{NAME})?",
        Follows.SOURCE: rf"{kind.name}\.(?:{sources}|other:.+)",
    }[kind.follows]


@dataclass(frozen=True)
class Roles(Shape):
    """All roles of a file; each is read by the shape of its kind once its name is known to be one."""

    def read(self, form: Form, path: Path, value: Any) -> dict[str, Any] | None:
        """Roles as plain data: their names are checked with the closures and groups at hand."""
        if not isinstance(value, dict):
            form.problem(
                path, "is empty" if value == "" else f"is {kind_of(value)}", "write one role a line, `role: …`"
            )
            return None
        return value

    def schema(self) -> dict[str, Any]:
        """The field in JSON Schema."""
        patterns = {
            f"^(?:{role_pattern(kind)})$": role_shape(kind).schema() | {"description": kind.meaning}
            for kind in KINDS.values()
        }
        return {"type": "object", "patternProperties": patterns, "additionalProperties": False}


FILE = Record(
    {
        "version": Field(Whole(1), f"the version of this file's format, {VERSION}", required=True),
        "name": Field(Text(), "what people call the vehicle", required=True),
        "system": Field(Text(), "the locking system in trade terms"),
        "channels": Field(CHANNELS, "the vehicle's networks; without it one channel that matches every one"),
        "dbc": Field(ListOf(Text()), "the DBC files, where there are no channels"),
        "timestamp_uncertainty": Field(Duration(), "by how much the capture's times may be off"),
        "closures": Field(CLOSURES, "doors, tailgate, bonnet, flap", required=True),
        "lock_groups": Field(MapOf(ListOf(Text()), pattern=NAME, name_text="letters, digits and hyphens"),
                             "closures that move together; without it one group `all` of every lockable closure"),
        "functions": Field(Record({name: Field(Text(choices=("fitted", NOT_FITTED)), "whether the vehicle has it")
                                   for name in FUNCTIONS}), "what the vehicle has"),
        "messages": Field(MESSAGES, "how each message is sent"),
        "roles": Field(Roles(), "which signal plays which role", required=True),
        "parameters": Field(ParameterMap(), "limits, policies and settings"),
    }
)  # fmt: skip
"""A whole vehicle file."""


def published_schema() -> dict[str, Any]:
    """The JSON Schema of vehicle files, as it is published in data/schemas."""
    shared = [VALUES, DETAIL_MAP, Named("detail", DETAIL), WHEN]
    shared += [Named(f"reading-{kind.name}", reading(kind)) for kind in KINDS.values()]
    note = _NOTE.schema() | {"minProperties": 1, "maxProperties": 1}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"latchtrace/vehicle/{VERSION}",
        "title": "latchtrace vehicle file",
        "description": "Which signal plays which role in a vehicle's locking system, and by which limits it is judged.",
        **FILE.schema(),
        "$defs": {"note": note, **{one.name: one.shape.schema() for one in shared}},
    }


def schema_text() -> str:
    """The published schema as its file holds it."""
    return json.dumps(published_schema(), indent=1, ensure_ascii=False) + "\n"
