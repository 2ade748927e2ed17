"""What the simulated networks do on the wire: sleeping, waking, holding values, counting."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import pytest

from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation import lines
from latchtrace.simulation.bits import Message
from latchtrace.simulation.runner import cyclic_ids, simulate
from support.scenarios import DBC, DEMO, Frames, Simulate, frames, times

NIGHT = (
    "at: 10 s, remote: unlock",
    "after: 5 s, open: front-left",
    "after: 5 s, shut: front-left",
    "after: 4 s, remote: lock",
)


@pytest.mark.parametrize("car", ["harbour", "orchard"])
def test_nothing_is_sent_while_the_network_sleeps(simulated: Simulate, car: str) -> None:
    result = simulated(*NIGHT, "at: 20 min, remote: unlock", car=car, duration="22 min")
    (asleep, woken), *_ = [sleep for sleep in result.sleeps if sleep[1] - sleep[0] > SECOND]
    assert woken - asleep > 15 * 60 * SECOND
    assert not [t for t in times(result) if asleep < t < woken]


@pytest.mark.parametrize("car", ["harbour", "orchard"])
def test_units_fall_asleep_one_after_another(simulated: Simulate, car: str) -> None:
    result = simulated(*NIGHT, car=car)
    last: dict[str, int] = defaultdict(int)
    for message in result.car.messages:
        if message.period:
            last[message.unit] = max(last[message.unit], frames(result, message.name)[-1][0])
    order = [last[unit] for unit in result.car.wiring.units if unit in last]
    assert max(order) - min(order) > 700 * MILLISECOND
    assert len({t // (200 * MILLISECOND) for t in order}) > 2


@pytest.mark.parametrize("car", ["harbour", "orchard"])
def test_after_waking_the_old_state_is_shown_first_and_phases_are_new(simulated: Simulate, car: str) -> None:
    result = simulated(*NIGHT, "at: 20 min, remote: unlock", car=car, duration="22 min")
    woken = result.sleeps[-1][1]
    for message in result.car.messages:
        if not (message.period or message.at_wake) or message.copy_of or message.selector or "(" in message.name:
            continue
        seen = frames(result, message.name)
        before = [values for t, values in seen if t < woken][-1]
        after = [(t, values) for t, values in seen if t >= woken]
        steady = [name for name in before if name not in {message.alive, "Voltage", "Odometer"}]
        changed = [t for t, values in after if any(values[name] != before[name] for name in steady)]
        assert not changed or changed[0] - after[0][0] >= 140 * MILLISECOND, message.name
    assert any(out_of_step(frames(result, m.name), woken, m.period) for m in result.car.messages if m.period)


def out_of_step(seen: Frames, woken: int, period: int) -> bool:
    """Whether a message goes on after the waking in another phase than it stopped in."""
    before, after = [t for t, _ in seen if t < woken][-1], next(t for t, _ in seen if t >= woken)
    return period // 10 < (after - before) % period < period - period // 10


def test_alive_counters_step_by_one_from_frame_to_frame(simulated: Simulate) -> None:
    result = simulated(*NIGHT, "at: 20 min, remote: unlock", duration="22 min")
    for message in (m for m in result.car.messages if m.alive and not m.copy_of):
        counts = [values[message.alive] for _, values in frames(result, message.name)]
        assert all((b - a) % 16 == 1 for a, b in pairwise(counts)), message.name


def held(seen: Frames, signal: str) -> list[int]:
    """How many frames in a row each non-zero stay of a signal lasts."""
    stays, now = [], 0
    for _, values in seen:
        if values[signal]:
            now += 1
        elif now:
            stays.append(now)
            now = 0
    return stays


def test_levels_are_held_for_at_least_four_cycles_so_that_a_lost_frame_hides_nothing(simulated: Simulate) -> None:
    result = simulated(
        "at: 5 s, remote: unlock",
        "after: 5 s, open: front-left, from: inside",
        "after: 5 s, shut: front-left",
        "after: 5 s, switch: lock",
        "after: 5 s, switch: unlock",
        "after: 5 s, cylinder: lock",
    )
    for name, signal, count in [
        ("BodyCommand", "Actuators", 4),
        ("KeyDecoder", "Result", 1),
        ("CabinSwitches", "LockSwitch", 2),
        ("BodyDoors", "Cylinder", 1),
        ("BodyDoors", "HandleFrontLeft", 1),
    ]:
        stays = held(frames(result, name), signal)
        assert len(stays) == count
        assert min(stays) >= 4


def test_a_press_of_the_cyclic_car_steps_a_counter_and_of_the_other_is_sent_three_times(simulated: Simulate) -> None:
    pressed = ("at: 5 s, remote: unlock", "after: 4 s, remote: unlock")
    counts = [values["Presses"] for _, values in frames(simulated(*pressed), "KeyReceiver")]
    assert counts[-1] - counts[0] == 2
    events = frames(simulated(*pressed, car="orchard"), "KeyEvent")
    assert [values["Kind"] for _, values in events] == [1, 3, 3, 3] * 2
    assert len({tuple(values.items()) for _, values in events if values["Kind"] == 3}) == 1


def test_lines_are_in_time_order_and_no_two_frames_overlap_on_a_channel(simulated: Simulate) -> None:
    result = simulated(*NIGHT)
    assert times(result) == sorted(times(result))
    by_channel: dict[str, list[int]] = defaultdict(list)
    for line in result.lines:
        if parts := lines.parts(line):
            by_channel[parts.channel].append(parts.t)
    assert all(b - a >= 400_000 for a, b in pairwise(by_channel["can0"]))


def test_cyclic_messages_keep_their_period_while_awake(simulated: Simulate) -> None:
    result = simulated(
        "at: 30 s, remote: unlock", "after: 20 s, remote: lock", before="begin: {awake: yes}\n", duration="60 s"
    )

    def spacing(message: Message) -> list[int]:
        return [b - a for (a, _), (b, _) in pairwise(frames(result, message.name))]

    for message in (m for m in result.car.messages if m.period):
        assert message.period
        assert all(abs(gap - message.period) < 6 * MILLISECOND for gap in spacing(message)), message.name


def test_one_message_is_unknown_to_the_databases_of_each_channel(simulated: Simulate) -> None:
    for car, databases in [
        ("harbour", {"can0": "harbour_body.dbc", "can1": "harbour_drive.dbc"}),
        ("orchard", {"comfort0": "orchard_comfort.dbc"}),
    ]:
        result = simulated(*NIGHT, car=car)
        for channel, name in databases.items():
            dbc = (DBC / name).read_text()
            ids = {parts.id_text for line in result.lines if (parts := lines.parts(line)) and parts.channel == channel}
            unknown = [i for i in ids if f"BO_ {int(i, 16) | (0x80000000 if len(i) == 8 else 0)} " not in dbc]
            assert len(unknown) == 1


def test_the_second_network_day_has_a_noted_hole_with_exactly_as_many_frames_missing() -> None:
    result = simulate(DEMO / "second-network-day.scenario.yaml")
    at = next(i for i, line in enumerate(result.lines) if line.startswith("DROPCOUNT"))
    assert result.lines[at] == "DROPCOUNT: dropped 33 CAN frames on 'comfort0' socket (total drops 33)"
    before, after = lines.parts(result.lines[at - 1]), lines.parts(result.lines[at + 1])
    assert before
    assert after
    assert 5.5 * SECOND < after.t - before.t < 6.5 * SECOND
    assert 0.3 < (before.t - times(result)[0]) / (times(result)[-1] - times(result)[0]) < 0.7


def test_cyclic_ids_are_told_by_the_names_captures_use() -> None:
    result = simulate(DEMO / "second-network-day.scenario.yaml")
    assert ("comfort0", "0E110200") in cyclic_ids(result.car)
    assert ("comfort0", "1A2C0310") not in cyclic_ids(result.car)
