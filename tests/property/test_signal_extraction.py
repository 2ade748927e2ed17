"""Signals of any place, length, byte order and sign come out of a payload as an independent bit walk has them."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.network import SignalSpec
from latchtrace.network.bits import bit_mask, bytes_needed, intel_bits, motorola_bits, raw_bits, raw_value
from latchtrace.network.decoding import decode_frame, presence, scaled, scaled_column, signal_columns
from latchtrace.network.planning import deposit
from support.dbc import message, signal, walked_bits, walked_value


@st.composite
def placed(draw: st.DrawFn, size: int = 8) -> tuple[SignalSpec, int, bool]:
    """A signal somewhere in a payload of `size` bytes: (spec, DBC start bit, whether Motorola)."""
    motorola = draw(st.booleans())
    length = draw(st.integers(1, min(64, 8 * size)))
    first = draw(st.integers(0, 8 * size - length))  # distance from the first bit in walking order
    start = 8 * (first // 8) + 7 - first % 8 if motorola else first
    bits = (motorola_bits if motorola else intel_bits)(start, length)
    spec = replace(
        signal("S", 0, length, signed=draw(st.booleans()), scale=draw(st.sampled_from([1, 0.5, 2, -3, 0.1])),
               offset=draw(st.sampled_from([0, 10, -0.25]))),
        bits=bits, mask=bit_mask(bits),
    )  # fmt: skip
    return spec, start, motorola


@given(placed(), st.binary(min_size=8, max_size=8))
def test_classic_frames_are_read_as_a_bit_walk_reads_them(case: tuple[SignalSpec, int, bool], data: bytes) -> None:
    spec, start, motorola = case
    assert raw_value(spec, data) == walked_value(data, start, len(spec.bits), motorola, spec.signed)


@given(placed(size=64), st.binary(min_size=64, max_size=64))
def test_frames_of_64_bytes_are_read_as_a_bit_walk_reads_them(case: tuple[SignalSpec, int, bool], data: bytes) -> None:
    spec, start, motorola = case
    assert raw_value(spec, data) == walked_value(data, start, len(spec.bits), motorola, spec.signed)


@given(placed(), st.lists(st.binary(min_size=0, max_size=8), max_size=30))
def test_columns_hold_what_frame_by_frame_decoding_gives(
    case: tuple[SignalSpec, int, bool], frames: list[bytes]
) -> None:
    spec, _, _ = case
    payload = np.array([list(data.ljust(8, b"\0")) for data in frames], np.uint8).reshape(len(frames), 8)
    lengths = np.array([len(data) for data in frames], np.uint8)
    found = presence(message(spec), spec, payload, lengths)
    bits, raw = signal_columns(spec, payload)
    values = scaled_column(spec, raw)
    for i, data in enumerate(frames):
        whole = len(data) >= bytes_needed(spec.bits)
        assert bool(found.carried[i]) == whole
        assert bool(found.short[i]) == (not whole)
        if whole:
            assert int(bits[i]) == raw_bits(spec.bits, data)
            assert raw[i].item() == raw_value(spec, data)
            assert values[i] == float(scaled(spec, raw_value(spec, data)))


@given(st.sampled_from([16, 32, 64]), st.binary(min_size=8, max_size=8))
def test_floating_point_columns_hold_the_same_numbers(length: int, data: bytes) -> None:
    spec = signal("S", 0, length, is_float=True, scale=0.5, offset=1)
    one = raw_value(spec, data)
    _, raw = signal_columns(spec, np.frombuffer(data, np.uint8).reshape(1, 8))
    assert raw.dtype == np.float64
    assert raw[0] == one or (math.isnan(raw[0]) and math.isnan(one))
    shown = decode_frame(message(spec), data).values["S"]
    assert isinstance(shown, float)
    assert shown == scaled_column(spec, raw)[0] or math.isnan(shown)


@given(placed(), st.data())
def test_a_value_put_into_a_payload_comes_out_again(case: tuple[SignalSpec, int, bool], data: st.DataObject) -> None:
    spec, _, _ = case
    size = len(spec.bits)
    low = -(2 ** (size - 1)) if spec.signed else 0
    raw = data.draw(st.integers(low, low + 2**size - 1))
    payload = deposit(spec, raw)
    assert payload & ~spec.mask == 0
    assert raw_value(spec, payload.to_bytes(8, "little")) == raw


@given(st.integers(0, 63), st.integers(1, 64))
def test_a_motorola_walk_goes_down_the_byte_and_on_to_the_next(start: int, length: int) -> None:
    bits = motorola_bits(start, length)
    assert bits[-1] == start
    assert len(set(bits)) == length
    data = bytes(64)
    assert len(walked_bits(data, start, length, motorola=True)) == length
    for after, before in pairwise(bits):
        assert after == (before - 1 if before % 8 else before + 15)
