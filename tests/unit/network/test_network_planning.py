"""What the reader is asked to let through so that signals can be followed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from latchtrace.errors import NetworkError
from latchtrace.model.plan import Emit, MessageKey, Pages
from latchtrace.model.time import MILLISECOND
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.planning import MOST_PAGES, deposit, message_plan
from support.dbc import message, signal

CYCLIC = MessageUse("M", None, SendType.CYCLIC, period=100 * MILLISECOND)
EVENT = MessageUse("M", None, SendType.EVENT, latency=20 * MILLISECOND)
ON_CHANGE = MessageUse("M", None, SendType.ON_CHANGE, counter="Alive")
SPEC = message(
    signal("Page", 0, 4, is_multiplexer=True),
    signal("A", 8, 8, multiplexers=[("Page", (1,))]),
    signal("B", 8, 4, multiplexers=[("Page", (2,))]),
    signal("Wide", 32, 8, multiplexers=[("Page", (1, 2))]),
    signal("Common", 16, 8),
    signal("Alive", 60, 4),
)


def test_the_mask_covers_the_wanted_signals_and_nothing_else() -> None:
    plan = message_plan(SPEC, CYCLIC, ["Common"], "body", False)
    assert plan.key == MessageKey("body", 0x100)
    assert (plan.mask, plan.pages, plan.selector, plan.emit) == (0xFF0000, Pages.NONE, 0, Emit.CHANGE)
    assert plan.shortest == 3


def test_signals_on_one_page_each_are_compared_page_by_page() -> None:
    plan = message_plan(SPEC, CYCLIC, ["A", "B"], None, False)
    assert (plan.pages, plan.selector, plan.mask) == (Pages.ROTATING, 0xF, 0xF)
    assert plan.page_masks == {1: 0xFF0F, 2: 0xF0F}


@pytest.mark.parametrize("names", [["A", "Common"], ["A", "Page"], ["Wide"]])
def test_signals_on_several_pages_need_each_change_of_page(names: list[str]) -> None:
    assert message_plan(SPEC, CYCLIC, names, None, False).pages is Pages.KIND


def test_kind_pages_are_asked_for_where_the_vehicle_file_says_so() -> None:
    plan = message_plan(SPEC, replace(CYCLIC, kind_pages=True), ["A"], None, False)
    assert plan.pages is Pages.KIND


def test_signals_under_different_multiplexers_need_every_frame() -> None:
    spec = message(
        signal("P", 0, 2, is_multiplexer=True),
        signal("Q", 8, 2, is_multiplexer=True),
        signal("A", 16, 8, multiplexers=[("P", (1,))]),
        signal("B", 24, 8, multiplexers=[("Q", (1,))]),
    )
    plan = message_plan(spec, CYCLIC, ["A", "B"], None, False)
    assert (plan.emit, plan.pages) == (Emit.ALWAYS, Pages.NONE)
    assert plan.mask == 0xFFFF0303
    assert message_plan(spec, CYCLIC, ["A"], None, False).emit is Emit.CHANGE


def test_nested_pages_are_keyed_by_all_selectors() -> None:
    spec = message(
        signal("P", 0, 2, is_multiplexer=True),
        signal("Q", 8, 2, is_multiplexer=True, multiplexers=[("P", (3,))]),
        signal("A", 16, 4, multiplexers=[("P", (3,)), ("Q", (1,))]),
    )
    plan = message_plan(spec, CYCLIC, ["A"], None, False)
    assert plan.page_masks == {0x103: 0xF0303}
    assert plan.pages is Pages.ROTATING


def test_too_many_pages_share_one_mask() -> None:
    spec = message(
        signal("P", 0, 16, is_multiplexer=True), signal("A", 16, 4, multiplexers=[("P", range(MOST_PAGES + 1))])
    )
    plan = message_plan(spec, CYCLIC, ["A"], None, False)
    assert (plan.page_masks, plan.mask, plan.pages) == ({}, 0xFFFFF, Pages.KIND)


def test_event_messages_and_messages_asked_for_whole_come_through_always() -> None:
    assert message_plan(SPEC, EVENT, ["Common"], None, False).emit is Emit.ALWAYS
    assert message_plan(SPEC, CYCLIC, ["Common"], None, True).emit is Emit.ALWAYS
    assert message_plan(SPEC, ON_CHANGE, ["Common"], None, False).emit is Emit.CHANGE


def test_the_alive_counter_is_watched_on_messages_whose_loss_no_period_shows() -> None:
    assert message_plan(SPEC, ON_CHANGE, ["Common"], None, False).mask == 0xF000000000FF0000
    assert message_plan(SPEC, replace(EVENT, counter="Alive"), ["Common"], None, False).shortest == 8
    cyclic = replace(CYCLIC, counter="Alive")
    assert message_plan(SPEC, cyclic, ["Common"], None, False).mask == 0xFF0000


@pytest.mark.parametrize("send", list(SendType))
def test_only_cyclic_messages_fall_silent(send: SendType) -> None:
    plan = message_plan(SPEC, replace(CYCLIC, send=send), ["Common"], None, False)
    cyclic = send in (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)
    assert (plan.period == 100 * MILLISECOND) == cyclic
    assert (plan.silence_limit is not None) == cyclic
    assert plan.silence_limit is None or 150 * MILLISECOND < plan.silence_limit < 160 * MILLISECOND


def test_the_period_of_the_dbc_serves_where_the_vehicle_file_has_none() -> None:
    spec = replace(SPEC, period=50 * MILLISECOND)
    assert message_plan(spec, replace(CYCLIC, period=None), ["Common"], None, False).period == 50 * MILLISECOND
    assert message_plan(spec, CYCLIC, ["Common"], None, False).period == 100 * MILLISECOND


def test_signals_that_are_not_there_or_too_long_are_refused() -> None:
    with pytest.raises(NetworkError, match="M: has no signal 'Gone'"):
        message_plan(SPEC, CYCLIC, ["Gone"], None, False)
    with pytest.raises(NetworkError, match=r"M\.Long: is 65 bits long"):
        message_plan(message(signal("Long", 0, 65), length=16), CYCLIC, ["Long"], None, False)


def test_a_negative_selector_value_is_put_in_as_its_bits() -> None:
    assert deposit(signal("P", 4, 4, signed=True), -1) == 0xF0
