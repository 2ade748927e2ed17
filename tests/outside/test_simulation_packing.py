"""The simulation's own bit packing against cantools (45.1, MIT), which reads the demo's databases by itself."""

from __future__ import annotations

from typing import Any

import cantools
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.simulation import harbour, orchard
from latchtrace.simulation.bits import Field, Message
from support.scenarios import DBC

FILES = {"body": "harbour_body.dbc", "drive": "harbour_drive.dbc", "comfort": "orchard_comfort.dbc"}
DATABASES: dict[str, Database] = {}
for _channel, _name in FILES.items():
    _loaded = cantools.database.load_file(DBC / _name, strict=True)
    assert isinstance(_loaded, Database)
    DATABASES[_channel] = _loaded

KNOWN = [m for m in (*harbour.MESSAGES, *orchard.MESSAGES) if "(" not in m.name]


def described(message: Message) -> Any:
    """The message as cantools knows it: by id, which the databases give with the extended bit apart."""
    return DATABASES[message.channel].get_message_by_frame_id(message.can_id)


@pytest.mark.parametrize("message", KNOWN, ids=lambda message: message.name)
def test_every_message_lies_as_its_database_says(message: Message) -> None:
    told = described(message)
    assert told.name == message.name.partition("@")[0]
    assert told.is_extended_frame == message.extended
    assert told.length == message.length
    assert told.cycle_time == (message.period // 10**6 if message.period else None)
    assert {signal.name for signal in told.signals} == set(message.fields)
    for signal in told.signals:
        field = message.fields[signal.name]
        assert (field.start, field.length) == (signal.start, signal.length)
        assert field.length == 1 or field.big == (signal.byte_order == "big_endian")
        assert field.page == (signal.multiplexer_ids[0] if signal.multiplexer_ids else None)


def test_the_databases_hold_no_message_that_the_cars_do_not_send() -> None:
    sent = {(message.channel, message.can_id) for message in KNOWN}
    assert {(c, told.frame_id) for c, database in DATABASES.items() for told in database.messages} == sent


@given(st.sampled_from(KNOWN), st.data())
def test_any_raw_values_are_packed_as_cantools_packs_them(message: Message, data: st.DataObject) -> None:
    told = described(message)
    pages = sorted({field.page for field in message.fields.values() if field.page is not None})
    page = data.draw(st.sampled_from(pages)) if pages else None
    values: dict[str, int] = {}
    for signal in told.signals:
        if signal.is_multiplexer:
            values[signal.name] = page or 0
        elif message.fields[signal.name].page in {None, page}:
            low = -(1 << signal.length - 1) if signal.is_signed else 0
            high = (1 << signal.length - (1 if signal.is_signed else 0)) - 1
            values[signal.name] = data.draw(st.integers(low, high))
    packed = message.pack(values)
    assert packed == told.encode(values, scaling=False, strict=False)
    assert told.decode(packed, scaling=False, decode_choices=False) == values


def test_big_endian_fields_lie_where_cantools_finds_them() -> None:
    """checks.md §2.1: frame `8A 5C …` read by cantools with `3|12@0+` gives 2652, with `7|1@0+` gives 1."""
    payload = Field(7, 1, big=True).put(Field(3, 12, big=True).put(0, 2652), 1)
    assert payload.to_bytes(2, "little") == bytes.fromhex("8A5C")
