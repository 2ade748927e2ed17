"""Each plant does to the wire what its truth says, with the findings that lock-functions' definitions demand."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from latchtrace.errors import UserFileError
from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation.runner import Simulated, truth_document
from support.plants import ALL, AWAKE, CASES, DRIVE_OFF, FASTER, USED
from support.scenarios import Simulate, frames


def told(result: Simulated, part: str = "findings") -> list[tuple[Any, ...]]:
    document = truth_document(result, "test.log")
    return [(claim["rule"], tuple(claim["closures"]), claim.get("origin", "")) for claim in document[part]]


@pytest.mark.parametrize("case", CASES)
def test_the_truth_of_a_plant_is_the_finding_its_definition_demands(case: str, simulated: Simulate) -> None:
    steps, expected = CASES[case]
    assert sorted(told(simulated(*steps, before=AWAKE))) == sorted(expected)


def test_what_hangs_on_the_time_before_the_capture_need_not_be_found(simulated: Simulate) -> None:
    result = simulated("at: 60 s, plant: self-unlock")
    assert told(result) == [("relock-without-door-opening", ALL, "none")]
    assert told(result, "allowed") == [("command-without-request", ALL, "none")]


def test_a_function_test_allows_the_relocks_it_provokes(simulated: Simulate) -> None:
    result = simulated("at: 5 s, remote: unlock", before="function_test: auto-relock\n")
    assert told(result) == []
    assert told(result, "allowed") == [("relock-without-door-opening", ALL, "remote-button")]


def test_what_follows_from_a_dead_latch_is_allowed(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: dead-latch, closure: rear-left", "at: 5 s, remote: unlock", *USED, before=AWAKE)
    assert told(result, "allowed") == [("closures-disagree", ("rear-left",), "")]
    assert [(e.outcome, e.healthy) for e in result.truth.episodes] == [("partial", False)]


# what it looks like on the wire


def commands(result: Simulated) -> list[tuple[int, int]]:
    seen = frames(result, "BodyCommand")
    return [(t, v["Actuators"]) for (_, b), (t, v) in pairwise(seen) if v["Actuators"] not in {0, b["Actuators"]}]


def test_a_self_unlock_shows_a_command_and_moving_latches_and_no_request(simulated: Simulate) -> None:
    result = simulated("at: 60 s, plant: self-unlock")
    assert [command for _, command in commands(result)] == [2, 1]
    assert {values["Presses"] for _, values in frames(result, "KeyReceiver")} == {41}
    assert {values["Result"] for _, values in frames(result, "KeyDecoder")} == {0}
    assert {values["LockSwitch"] for _, values in frames(result, "CabinSwitches")} == {0}
    assert {values["LatchTailgate"] for _, values in frames(result, "BodyLatches")} == {0, 1}
    (unlock, _), (lock, _) = commands(result)
    assert 29.8 * SECOND < lock - unlock < 30.2 * SECOND


def test_a_hidden_request_leaves_the_press_counter_where_it_was(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: hide-request", "at: 5 s, remote: unlock", "after: 9 s, remote: lock")
    assert [command for _, command in commands(result)] == [2, 1]
    assert {values["Presses"] for _, values in frames(result, "KeyReceiver")} == {41, 42}


def test_a_hidden_request_of_the_event_car_leaves_no_frame_and_no_report(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: hide-request", "at: 5 s, switch: unlock", car="orchard")
    assert frames(result, "PanelKey") == []
    assert {values["State"] for _, values in frames(result, "CarLock")} == {2, 1}
    assert len({values["Number"] for _, values in frames(result, "LockReport")}) == 1


def test_an_ignored_request_shows_press_and_acceptance_and_no_command(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: ignore-request", "at: 5 s, remote: unlock")
    assert {values["Presses"] for _, values in frames(result, "KeyReceiver")} == {41, 42}
    assert {values["Result"] for _, values in frames(result, "KeyDecoder")} == {0, 1}
    assert commands(result) == []


def test_a_refused_key_shows_the_refusal_and_no_command(simulated: Simulate) -> None:
    result = simulated("at: 5 s, remote: unlock, key: 9")
    assert {values["Result"] for _, values in frames(result, "KeyDecoder")} == {0, 2}
    assert commands(result) == []
    assert [(e.outcome, e.origin) for e in result.truth.episodes] == [("refused", "remote-button")]


def test_a_dead_latch_stays_while_the_others_move(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: dead-latch, closure: rear-left", "at: 5 s, remote: unlock", *USED)
    seen = frames(result, "BodyLatches")
    assert {values["LatchRearLeft"] for _, values in seen} == {1}
    assert {values["LatchRearRight"] for _, values in seen} == {0, 1}


def test_a_slow_latch_answers_when_the_plant_says(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: slow-latch, closure: tailgate, takes: 850 ms", "at: 5 s, remote: unlock", *USED)
    (command, _), *_ = commands(result)
    moved = next(t for t, values in frames(result, "BodyLatches") if values["LatchTailgate"] == 0)
    assert 790 * MILLISECOND < moved - command < 1000 * MILLISECOND


def test_dropped_frames_are_really_absent_and_told(simulated: Simulate) -> None:
    result = simulated(
        "at: 5 s, remote: unlock", "after: 5 s, plant: drop-frames, message: BodyLatches, lasts: 3 s", *USED
    )
    event = next(told for told in result.truth.happenings if told.kind == "frames-removed")
    start, end = event.t, event.facts["until_ns"]
    assert not [t for t, _ in frames(result, "BodyLatches") if start + 5 * MILLISECOND < t < end]
    assert len(result.removed) == 30
    assert {id_text for _, _, id_text in result.removed} == {"210"}
    assert [t for t, _ in frames(result, "BodyDoors") if start < t < end]


def test_a_forced_contact_reads_what_was_planted_for_as_long_as_planted(simulated: Simulate) -> None:
    result = simulated("at: 20 s, plant: force-contact, closure: rear-right, state: open, lasts: 3 s")
    seen = [t for t, values in frames(result, "BodyDoors") if values["AjarRearRight"]]
    assert 2.5 * SECOND < seen[-1] - seen[0] < 3.2 * SECOND


def test_an_early_speed_lock_commands_below_the_threshold(simulated: Simulate) -> None:
    result = simulated("at: 2 s, plant: speed-lock-early, threshold: 8 km/h", *DRIVE_OFF, FASTER)
    at = [t for t, command in commands(result) if command == 1][-1]
    speeds = [values["Speed"] / 100 for t, values in frames(result, "DriveMotion") if t <= at]
    assert 7.5 < speeds[-1] < 9


def test_speed_locking_locks_once_at_the_threshold_and_an_occupants_unlock_disarms_it(simulated: Simulate) -> None:
    slow_down, speed_up = "after: 50 s, speed: 0 km/h, over: 5 s", "after: 10 s, speed: 40 km/h, over: 40 s"
    result = simulated(*DRIVE_OFF, FASTER, slow_down, "after: 8 s, switch: unlock", speed_up)
    origins = [episode.origin for episode in result.truth.episodes]
    assert origins == ["remote-button", "speed", "interior-switch"]
    at = next(t for t, command in commands(result) if command == 1)
    speeds = [values["Speed"] / 100 for t, values in frames(result, "DriveMotion") if t <= at]
    assert 15 <= speeds[-1] < 15.6


def test_speed_locking_waits_for_a_door_that_is_open_and_is_armed_again_by_one(simulated: Simulate) -> None:
    result = simulated(
        *DRIVE_OFF,
        "after: 1 s, switch: unlock",
        "after: 1 s, open: rear-left",
        FASTER,
        "after: 30 s, shut: rear-left",
    )
    episode = result.truth.episodes[-1]
    assert episode.origin == "speed"
    assert episode.command is not None
    shut = [t for t, values in frames(result, "BodyDoors") if values["AjarRearLeft"]][-1]
    assert 0 < episode.command - shut < 500 * MILLISECOND


def test_the_second_car_restarts_its_timer_when_a_door_opens(simulated: Simulate) -> None:
    result = simulated("at: 5 s, switch: unlock", car="orchard")
    assert [e.origin for e in result.truth.episodes] == ["interior-switch"]
    result = simulated(
        "at: 5 s, remote: unlock", "after: 20 s, open: front-left", "after: 5 s, shut: front-left", car="orchard"
    )
    assert [e.origin for e in result.truth.episodes] == ["remote-button", "relock-timer"]
    opened = next(t for t, values in frames(result, "DoorContacts") if not values["ShutFrontLeft"])
    command = result.truth.episodes[1].command
    assert command is not None
    assert 39.8 * SECOND < command - opened < 40.2 * SECOND
    assert told(result) == []


def test_the_second_car_reports_the_cause_before_or_after_the_state(simulated: Simulate) -> None:
    steps = [f"after: {wait} s, switch: {action}" for wait, action in [(9, "unlock"), (9, "lock")] * 12]
    result = simulated(*steps, car="orchard")
    reports = frames(result, "LockReport")
    numbers = [t for (_, a), (t, b) in pairwise(reports) if a["Number"] != b["Number"]]
    states = frames(result, "CarLock")[1:]
    lags = [report - state for report, (state, _) in zip(numbers, states, strict=True)]
    assert all(abs(lag) < 200 * MILLISECOND for lag in lags)
    assert min(lags) < 0 < max(lags)


@pytest.mark.parametrize(
    ("steps", "car", "what"),
    [
        (("at: 5 s, open: front-left",), "harbour", "opened while it is locked"),
        (("at: 5 s, shut: front-left",), "harbour", "is not open"),
        (("at: 5 s, open: roof",), "harbour", "no closure of this car"),
        (("at: 5 s, open: tailgate, from: inside",), "harbour", "has no inside handle"),
        (("at: 5 s, speed: 20 km/h, over: 3 s",), "harbour", "with the ignition off"),
        ((*DRIVE_OFF, FASTER, "after: 9 s, ignition: off"), "harbour", "while the car moves"),
        (
            ("at: 5 s, remote: unlock", "after: 3 s, open: tailgate", "after: 3 s, remote: lock"),
            "harbour",
            "a door is open",
        ),
        (("at: 5 s, plant: dead-latch, closure: front-left",), "orchard", "one value for all its latches"),
        (("at: 5 s, speed-lock: off",), "orchard", "no speed locking"),
        (("at: 5 s, plant: drop-frames, message: Nothing, lasts: 1 s",), "harbour", "no message of this car"),
        (("at: 5 s, plant: latch-alone, closure: tailgate, state: locked",), "harbour", "is locked already"),
        (
            (
                "at: 2 s, plant: speed-lock-early, threshold: 12 km/h",
                *DRIVE_OFF,
                "after: 2 s, speed: 60 km/h, over: 3 s",
            ),
            "harbour",
            "rises too fast",
        ),
    ],
)
def test_a_step_that_cannot_happen_is_told_with_its_place(
    steps: tuple[str, ...], car: str, what: str, simulated: Simulate
) -> None:
    with pytest.raises(UserFileError, match=what) as caught:
        simulated(*steps, car=car)
    (problem,) = caught.value.problems
    assert problem.line == 7 + len(steps)
    assert problem.mend
