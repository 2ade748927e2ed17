"""Changing one thing about a capture whose layout is known, and what must follow in the truth."""

from __future__ import annotations

import pytest

from latchtrace.errors import UsageError
from latchtrace.simulation import edits, lines
from latchtrace.simulation.runner import CARS, truth_document
from support.scenarios import DBC, Simulate, frames

HARBOUR = (
    "at: 5 s, remote: unlock",
    "after: 3 s, open: front-left",
    "after: 3 s, shut: front-left",
    "after: 3 s, switch: lock",
    "after: 5 s, cylinder: unlock",
    "after: 3 s, open: tailgate",
    "after: 3 s, shut: tailgate",
    "after: 3 s, remote: lock, key: 2",
)
AWAKE = "begin: {awake: yes}\n"
ALL = ["front-left", "front-right", "rear-left", "rear-right", "tailgate"]


@pytest.mark.parametrize(("number", "left"), [(0, [41, 42]), (3, [41, 42])])
def test_a_press_that_never_was_leaves_the_counter_one_behind_for_good(
    number: int, left: list[int], simulated: Simulate
) -> None:
    result = simulated(*HARBOUR)
    changed = edits.without_request(result, number)
    assert sorted({values["Presses"] for _, values in frames(result, "KeyReceiver")}) == [41, 42, 43]
    seen = frames(changed, "KeyReceiver")
    assert sorted({values["Presses"] for _, values in seen}) == left
    assert {values["Slot"] for _, values in seen if values["Presses"] == 41} == {1}
    assert len(changed.lines) == len(result.lines)
    other = [line for line in result.lines if " 1A2#" not in line]
    assert [line for line in changed.lines if " 1A2#" not in line] == other


@pytest.mark.parametrize(
    ("number", "message", "signal"), [(1, "CabinSwitches", "LockSwitch"), (2, "BodyDoors", "Cylinder")]
)
def test_a_switch_that_was_never_pressed_stays_at_rest(
    number: int, message: str, signal: str, simulated: Simulate
) -> None:
    result = simulated(*HARBOUR)
    changed = edits.without_request(result, number)
    assert {values[signal] for _, values in frames(result, message)} != {0}
    assert {values[signal] for _, values in frames(changed, message)} == {0}


def test_one_of_two_presses_of_a_switch_is_taken_and_the_other_stays(simulated: Simulate) -> None:
    result = simulated("at: 5 s, switch: unlock", "after: 3 s, switch: lock")
    changed = edits.without_request(result, 0)
    assert {values["LockSwitch"] for _, values in frames(changed, "CabinSwitches")} == {0, 1}
    changed = edits.without_request(result, 1)
    assert {values["LockSwitch"] for _, values in frames(changed, "CabinSwitches")} == {0, 2}


def test_the_key_check_stays_unless_it_is_to_go_too(simulated: Simulate) -> None:
    result = simulated(*HARBOUR[:3])
    assert {v["Result"] for _, v in frames(edits.without_request(result, 0), "KeyDecoder")} == {0, 1}
    assert {v["Result"] for _, v in frames(edits.without_request(result, 0, validation=True), "KeyDecoder")} == {0}


def test_the_truth_of_a_deleted_request_is_a_self_unlock_and_nothing_else_changes(simulated: Simulate) -> None:
    result = simulated(*HARBOUR, before=AWAKE)
    changed = edits.without_request(result, 0)
    document = truth_document(changed, "x.log")
    (finding,) = document["findings"]
    assert (finding["rule"], finding["closures"], finding["origin"]) == ("command-without-request", ALL, "none")
    before = truth_document(result, "x.log")["episodes"]
    assert document["episodes"][1:] == before[1:]
    assert document["episodes"][0] == {k: v for k, v in before[0].items() if k != "key_slot"} | {
        "origin": "none",
        "healthy": False,
    }
    assert truth_document(result, "x.log")["findings"] == []


def test_the_relock_of_an_unlock_without_request_has_origin_none(simulated: Simulate) -> None:
    changed = edits.without_request(simulated("at: 5 s, remote: unlock", before=AWAKE), 0)
    found = {(f["rule"], f["origin"]) for f in truth_document(changed, "x.log")["findings"]}
    assert found == {("command-without-request", "none"), ("relock-without-door-opening", "none")}


@pytest.mark.parametrize(("step", "message"), [("remote: unlock", "KeyEvent"), ("switch: unlock", "PanelKey")])
def test_event_frames_are_deleted_and_the_report_goes_too(step: str, message: str, simulated: Simulate) -> None:
    result = simulated(f"at: 5 s, {step}", "after: 9 s, switch: lock", car="orchard")
    changed = edits.without_request(result, 0)
    gone = len(frames(result, message)) - len(frames(changed, message))
    assert gone == 3
    assert len(result.lines) - len(changed.lines) == gone + 1
    numbers = {values["Number"] for _, values in frames(result, "LockReport")}
    assert len(numbers) == 3
    assert {values["Number"] for _, values in frames(changed, "LockReport")} == set(sorted(numbers)[:2])
    assert {values["Cause"] for _, values in frames(changed, "LockReport")} == {1, 2}


def test_an_episode_with_no_request_of_its_own_cannot_lose_one(simulated: Simulate) -> None:
    with pytest.raises(UsageError, match="relock-timer"):
        edits.without_request(simulated("at: 5 s, remote: unlock"), 1)


def test_a_flipped_contact_reads_the_other_way_round_and_flipping_twice_changes_nothing(simulated: Simulate) -> None:
    result = simulated(*HARBOUR)
    flipped = edits.flip(result.lines, result.car, "BodyDoors.AjarTailgate")
    assert flipped != list(result.lines)
    assert edits.flip(flipped, result.car, "BodyDoors.AjarTailgate") == list(result.lines)


@pytest.mark.parametrize("name", CARS)
def test_permuted_ids_are_the_same_ids_at_other_places(name: str) -> None:
    car = CARS[name][0]
    ids = edits.permutation(car, 5)
    assert sorted(ids.values()) == sorted(old for _, old in ids)
    assert any(old != new for (_, old), new in ids.items())


def test_a_renumbered_database_carries_the_new_ids_everywhere(simulated: Simulate) -> None:
    result = simulated(*HARBOUR[:1])
    ids = edits.permutation(result.car, 5)
    back = {("can0", new): old for (channel, old), new in ids.items() if channel == "can0"}
    renamed = lines.rename(result.lines, ids)
    assert lines.rename(lines.rename(renamed, back), {}) == lines.rename(
        result.lines, {key: new for key, new in ids.items() if key[0] == "can1"}
    )
    text = (DBC / "harbour_body.dbc").read_text()
    forth = {old: new for (channel, old), new in ids.items() if channel == "can0"}
    assert edits.renumber(edits.renumber(text, forth), {new: old for old, new in forth.items()}) == text
    new = int(forth["1A2"], 16)
    renumbered = edits.renumber(text, forth)
    assert f"BO_ {new} KeyReceiver" in renumbered
    assert f'VAL_ {new} Button 0 "none"' in renumbered
    assert f'"GenMsgCycleTime" BO_ {new} 50;' in renumbered


def test_a_deleted_press_right_after_another_need_not_be_found(simulated: Simulate) -> None:
    result = simulated("at: 5 s, remote: unlock", "after: 1 s, remote: unlock", before=AWAKE, car="orchard")
    document = truth_document(edits.without_request(result, 1), "x.log")
    assert next((f["rule"], f["closures"]) for f in document["allowed"]) == (
        "command-without-request",
        ["front-right", "tailgate"],
    )
    assert "command-without-request" not in {f["rule"] for f in document["findings"]}


def test_a_deleted_request_of_one_door_of_a_car_without_commands_may_be_told_either_way(simulated: Simulate) -> None:
    result = simulated("at: 5 s, remote: unlock", before=AWAKE, car="orchard")
    allowed = truth_document(edits.without_request(result, 0), "x.log")["allowed"]
    assert {claim["rule"] for claim in allowed} >= {"command-without-request", "movement-without-command"}


def test_a_deleted_request_at_the_very_start_need_not_be_found(simulated: Simulate) -> None:
    changed = edits.without_request(simulated(*HARBOUR[:3]), 0)
    assert truth_document(changed, "x.log")["findings"] == []
