"""Values of single frames: labels, types, scaling, what a frame does not carry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from latchtrace.network.decoding import decode_frame, presence, scaled, scaled_column, signal_columns
from support.dbc import message, signal


def test_a_label_goes_by_the_raw_value_and_an_unlabelled_raw_is_a_number() -> None:
    spec = message(signal("S", 0, 8, scale=0.5, choices={4: "four"}))
    assert decode_frame(spec, bytes([4, *bytes(7)])).values == {"S": "four"}
    assert decode_frame(spec, bytes([4, *bytes(7)]), choices=False).values == {"S": 2.0}
    assert decode_frame(spec, bytes([2, *bytes(7)])).values == {"S": 1.0}
    assert decode_frame(spec, bytes([4, *bytes(7)]), scaling=False).values == {"S": "four"}


@pytest.mark.parametrize(
    ("scale", "offset", "kind"), [(1, 0, int), (2.0, -1.0, int), (0.5, 0, float), (1, 0.5, float), (1.0, 0.0, int)]
)
def test_numbers_stay_whole_where_scale_and_offset_are(scale: float, offset: float, kind: type) -> None:
    one = signal("S", 0, 8, scale=scale, offset=offset)
    value = decode_frame(message(one), bytes([7, *bytes(7)])).values["S"]
    assert type(value) is kind
    assert value == 7 * scale + offset


def test_64_bit_values_are_exact_and_do_not_overflow() -> None:
    one = signal("S", 0, 64, scale=3, offset=1)
    assert decode_frame(message(one), b"\xff" * 8).values == {"S": (2**64 - 1) * 3 + 1}
    signed = replace(one, signed=True)
    assert decode_frame(message(signed), b"\xff" * 8).values == {"S": -2}
    _, raw = signal_columns(one, np.full((1, 8), 255, np.uint8))
    assert raw.dtype == np.uint64
    assert scaled_column(one, raw)[0] == float((2**64 - 1) * 3 + 1)


def test_not_a_number_takes_no_label_and_raises_nothing() -> None:
    one = signal("S", 0, 32, is_float=True, choices={1: "one"})
    nan, inf = bytes.fromhex("0000C07F00000000"), bytes.fromhex("0000807F00000000")
    value = decode_frame(message(one), nan).values["S"]
    assert isinstance(value, float)
    assert math.isnan(value)
    assert decode_frame(message(one), inf).values == {"S": math.inf}
    assert decode_frame(message(one), bytes.fromhex("0000803F00000000")).values == {"S": "one"}


def test_limits_of_the_dbc_are_not_enforced() -> None:
    one = replace(signal("S", 0, 8), minimum=0, maximum=10)
    assert decode_frame(message(one), b"\xff" * 8).values == {"S": 255}


def test_bytes_beyond_the_message_are_not_looked_at() -> None:
    one = message(signal("S", 0, 8), length=1)
    assert decode_frame(one, bytes([1, 2, 3])).values == {"S": 1}
    assert decode_frame(one, bytes([1, 2, 3])).problems == ()


def test_a_signal_that_reaches_beyond_its_message_has_no_value() -> None:
    one = message(signal("S", 4, 8), signal("T", 0, 4), length=1)
    assert decode_frame(one, bytes([0x21, 0xFF])).values == {"T": 1}


def test_a_frame_too_short_for_its_multiplexer_loses_what_hangs_on_it() -> None:
    spec = message(
        signal("Page", 8, 8, is_multiplexer=True), signal("A", 0, 4, multiplexers=[("Page", (0,))]), signal("B", 4, 4)
    )
    decoded = decode_frame(spec, b"\x21")
    assert decoded.values == {"B": 2}
    assert decoded.problems == ("M: 1 of 8 bytes",)


def test_a_label_of_a_multiplexer_makes_its_value_a_known_one() -> None:
    page = signal("Page", 0, 8, is_multiplexer=True, choices={9: "no content"})
    spec = message(page, signal("A", 8, 8, multiplexers=[("Page", (0,))]))
    assert decode_frame(spec, bytes([9, *bytes(7)])).problems == ()
    assert decode_frame(spec, bytes([8, *bytes(7)])).problems != ()


def test_an_inner_multiplexer_of_another_page_is_no_problem() -> None:
    spec = message(
        signal("Outer", 0, 1, is_multiplexer=True),
        signal("Inner", 8, 8, is_multiplexer=True, multiplexers=[("Outer", (1,))]),
        signal("Deep", 16, 8, multiplexers=[("Outer", (1,)), ("Inner", (0,))]),
        signal("Flat", 8, 8, multiplexers=[("Outer", (0,))]),
    )
    decoded = decode_frame(spec, bytes([0, 77, *bytes(6)]))
    assert decoded.values == {"Outer": 0, "Flat": 77}
    assert decoded.problems == ()


@pytest.mark.parametrize("raw", [0, 1, 2**53 + 1, 2**63 - 1])
def test_columns_are_scaled_to_the_same_figure_as_single_values(raw: int) -> None:
    for one in (signal("S", 0, 63, scale=3), signal("S", 0, 63, scale=0.1, offset=7), signal("S", 0, 63, offset=0.5)):
        assert scaled_column(one, np.array([raw]))[0] == float(scaled(one, raw))


def test_columns_know_short_frames_and_those_of_an_unknown_page() -> None:
    spec = message(signal("Page", 16, 4, is_multiplexer=True), signal("A", 0, 4, multiplexers=[("Page", (0,))]))
    found = presence(spec, spec.signals[1], np.zeros((3, 8), np.uint8), np.array([8, 1, 0], np.uint8))
    assert found.carried.tolist() == [True, False, False]
    assert found.short.tolist() == [False, True, True]
    assert found.selected.tolist() == [True, False, False]


def test_columns_have_no_value_beyond_the_message() -> None:
    spec = message(signal("S", 4, 8), length=1)
    found = presence(spec, spec.signals[0], np.zeros((1, 8), np.uint8), np.array([8], np.uint8))
    assert not found.carried[0]
    assert found.short[0]
