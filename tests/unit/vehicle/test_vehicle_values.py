from __future__ import annotations

import pytest

from support.made_vehicle import HEAD, problems, vehicle, with_roles


def labels(roles: str, name: str) -> dict[int, tuple[tuple[str, str], ...]]:
    found = vehicle(roles).roles[name].readings[0].labels
    assert found is not None
    return dict(found.by_raw)


@pytest.mark.parametrize(("raw", "good"), [(-5, False), (-4, True), (3, True), (4, False)])
def test_a_signed_signal_of_three_bits_holds_from_minus_four_to_three(raw: int, good: bool) -> None:
    text = with_roles(f"ignition: {{signal: QuayRoad.Cold, values: {{0: off, {raw}: on}}}}")
    assert [one.mend for one in problems(text)] == ([] if good else ["write raw values from -4 to 3"])


@pytest.mark.parametrize(("raw", "good"), [(0, True), (3, True), (4, False)])
def test_an_unsigned_signal_of_two_bits_holds_from_nought_to_three(raw: int, good: bool) -> None:
    text = with_roles(f"ignition: {{signal: QuayRoad.Ignition, values: {{1: off, {raw}: on}}}}")
    assert (problems(text) == ()) == good


def test_the_value_that_cannot_occur_is_named() -> None:
    text = with_roles("ignition: {signal: QuayRoad.Cold, values: {0: off, -9-2: on}}")
    assert "raw value -9 cannot occur in Cold (3 bits, signed)" in problems(text)[0].what
    single = with_roles("ajar.left: {signal: QuayDoors.Left, values: {0: shut, 1-2: open}}")
    assert "raw value 2 cannot occur in Left (1 bit, unsigned)" in problems(single)[0].what


@pytest.mark.parametrize(("last", "good"), [(65_535, True), (65_536, False)])
def test_a_range_covers_at_most_sixty_five_thousand_values(last: int, good: bool) -> None:
    text = with_roles(f"request.keypad: {{signal: QuayKey.Code, shows: event, values: {{0-{last}: lock}}}}")
    assert (problems(text) == ()) == good


def test_hexadecimal_and_decimal_keys_and_ranges_with_spaces_mean_the_same() -> None:
    written = ["{0: unlocked, 1-3: locked}", "{0x0: unlocked, 0x1-0X3: locked}", "{0: unlocked, 1 - 3: locked}"]
    read = [labels(f"latch.left: {{signal: QuayLatch.Left, values: {one}}}", "latch.left") for one in written]
    assert read[0] == read[1] == read[2]
    assert read[0] == {0: (("", "unlocked"),), **dict.fromkeys((1, 2, 3), (("", "locked"),))}


def test_a_plain_whole_car_label_holds_of_every_lockable_closure() -> None:
    found = labels("latch: {signal: QuayCar.State, values: {0: unlocked, 1: locked, 7: unknown}}", "latch")
    assert found[1] == (("left", "locked"), ("right", "locked"), ("flap", "locked"))
    assert found[7] == (("left", "unknown"), ("right", "unknown"), ("flap", "unknown"))


def test_others_are_all_closures_the_value_does_not_name() -> None:
    roles = "latch: {signal: QuayCar.State, values: {0: {right: locked, others: unlocked}, 1: {others: locked}}}"
    found = labels(roles, "latch")
    assert found[0] == (("left", "unlocked"), ("right", "locked"), ("flap", "unlocked"))
    assert found[1] == (("left", "locked"), ("right", "locked"), ("flap", "locked"))


def test_values_that_only_name_some_closures_tell_of_those_only() -> None:
    roles = """\
latch:
  signal: QuayCar.State
  values: {0: {left: unlocked, right: unlocked}, 1: {left: locked, right: locked}, 7: unknown}
latch.flap: {signal: QuayLatch.Flap, values: {0: unlocked, 1: locked}}"""
    found = labels(roles, "latch")
    assert found[1] == (("left", "locked"), ("right", "locked"))
    assert found[7] == (("left", "unknown"), ("right", "unknown"))


def test_a_plain_label_among_maps_asks_every_map_for_all_closures() -> None:
    text = with_roles("latch: {signal: QuayCar.State, values: {0: unlocked, 1: {left: locked}}}")
    assert [one.what for one in problems(text)] == ["does not say what holds for right and flap"]


def test_ajar_values_of_the_whole_car_hold_of_closures_that_do_not_lock_as_well() -> None:
    found = labels("ajar: {signal: QuayDoors.All, values: {0: shut, 1: {hood: open, others: shut}}}", "ajar")
    assert found[1] == (("left", "shut"), ("right", "shut"), ("flap", "shut"), ("hood", "open"))


def test_a_request_by_closure_leaves_idle_closures_out() -> None:
    roles = "request.inside-handle: {signal: QuayPanel.Key, values: {0: {left: none}, 1: {left: release, right: none}}}"
    assert labels(roles, "request.inside-handle") == {0: (("", "none"),), 1: (("left", "release"),)}


@pytest.mark.parametrize(("modulus", "good"), [(2, True), (16, True), (17, False)])
def test_an_alive_counter_counts_no_farther_than_its_bits(modulus: int, good: bool) -> None:
    head = HEAD.replace("counter: Alive", f"counter: Alive, counter_modulus: {modulus}")
    text = with_roles("reception: not-fitted", head)
    assert (problems(text) == ()) == good
    if good:
        assert vehicle("reception: not-fitted", head).messages["QuayKey"].counter_modulus == modulus


def test_many_wide_ranges_cannot_fill_the_memory() -> None:
    one = "request.other:%d: {signal: QuayKey.Code, shows: event, values: {0-65535: lock}, when: {QuayKey.Slot: %d}}"
    text = with_roles("\n".join(one % (i, i % 8) for i in range(40)))
    assert "list at most 1,000,000 raw values in all" in {problem.mend for problem in problems(text)}
