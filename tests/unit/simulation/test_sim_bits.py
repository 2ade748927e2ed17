from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.simulation import harbour, orchard
from latchtrace.simulation.bits import Field, Message

ALL = [*harbour.MESSAGES, *orchard.MESSAGES]


def test_a_little_endian_field_starts_at_its_lowest_bit() -> None:
    assert Field(4, 12).put(0, 0xABC) == 0xABC0


def test_a_big_endian_field_starts_at_its_highest_bit_and_goes_down_into_the_next_byte() -> None:
    payload = Field(3, 12, big=True).put(0, 0xABC)
    assert payload.to_bytes(2, "little") == bytes([0x0A, 0xBC])


def test_a_negative_value_is_written_in_twos_complement() -> None:
    assert Field(11, 12, big=True).put(0, -1).to_bytes(3, "little") == bytes([0x00, 0x0F, 0xFF])


@pytest.mark.parametrize("raw", [16, -9])
def test_a_value_that_does_not_fit_is_refused(raw: int) -> None:
    with pytest.raises(ValueError, match="does not fit in 4 bits"):
        Field(0, 4).put(0, raw)


def test_signals_of_another_page_are_left_out() -> None:
    message = next(m for m in harbour.MESSAGES if m.name == "BodyClimate")
    assert message.pack({"Page": 1, "CabinTemperature": 255, "Blower": 5}) == bytes([1, 5, 0, 0])
    assert "CabinTemperature" not in message.unpack(bytes([1, 5, 0, 0]))


@pytest.mark.parametrize("message", ALL, ids=lambda message: message.name)
def test_no_two_signals_of_a_page_share_a_bit_and_all_lie_inside(message: Message) -> None:
    for page in {field.page for field in message.fields.values()} | {None}:
        used = [p for f in message.fields.values() if f.page in {None, page} for p in f.positions()]
        assert len(used) == len(set(used))
        assert all(0 <= position < 8 * message.length for position in used)


@given(st.sampled_from(ALL), st.data())
def test_what_is_packed_is_unpacked(message: Message, data: st.DataObject) -> None:
    values = {name: data.draw(st.integers(0, (1 << f.length) - 1)) for name, f in message.fields.items()}
    read = message.unpack(message.pack(values))
    assert read == {name: values[name] for name in read}
