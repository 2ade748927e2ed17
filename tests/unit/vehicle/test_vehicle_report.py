from __future__ import annotations

from collections.abc import Sequence

import pytest

from latchtrace.model.frames import CaptureReport, IdStatistics
from latchtrace.model.network import SignalTrack
from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.model.vehicle import RoleStatus
from latchtrace.model.vehicle_report import RoleReport
from latchtrace.vehicle.mapping import timeline
from latchtrace.vehicle.measure import send_found
from latchtrace.vehicle.report import role_report
from support.made_vehicle import END, HEAD, LOST, taped, track, vehicle

LATCH = "latch.left: {signal: QuayLatch.Left, values: {0: unlocked, 1: locked, 3: unknown}}"
AJAR = "ajar.left: {signal: QuayDoors.Left, values: {0: shut, 1: open}}"
COMMAND = "command: {signal: QuayMotor.Drive, values: {0: none, 1: lock, 2: unlock}}"
SWITCH = "request.interior-switch: {signal: QuayPanel.Key, values: {0: none, 1: lock, 2: unlock}}"


def wire(
    one: SignalTrack,
    *,
    frames: int = 1000,
    period: int | None = 100 * MILLISECOND,
    min_gap: int = 90 * MILLISECOND,
    changes: int = 5,
    changing: int = 0b11,
    channel: str = "net",
    can_id: int | None = None,
) -> IdStatistics:
    """Statistics of the id a track came on."""
    number = one.key.can_id if can_id is None else can_id
    return IdStatistics(
        channel=channel,
        can_id=number,
        extended=one.key.extended,
        frames=frames,
        first=0,
        last=END * MILLISECOND,
        lengths=(8,),
        min_gap=min_gap,
        mean_gap=1e8,
        max_gap=SECOND,
        period=period,
        changing=changing,
        changes=changes,
    )


def reports(
    roles: str, *tracks: SignalTrack, ids: Sequence[IdStatistics] = (), head: str = HEAD
) -> dict[str, RoleReport]:
    car, tape = vehicle(roles, head), taped(*tracks)
    found = role_report(car, [timeline(car, tape)], [tape], CaptureReport(files=(), ids=tuple(ids)))
    return {one.role: one for one in found}


def test_a_role_that_is_not_mapped_says_so() -> None:
    found = reports("latch: {not-visible: wired}\nrequest.keypad: not-fitted")
    assert found["latch"] == RoleReport("latch", RoleStatus.NOT_VISIBLE, "wired")
    assert found["request.keypad"].status is RoleStatus.NOT_FITTED


def test_values_are_told_with_label_how_often_and_how_long() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1), (40_000, 0), (50_000, 2), (60_000, 0))
    reading = reports(LATCH, rows)["latch.left"].readings[0]
    assert [(one.raw, one.label, one.times, one.held // SECOND) for one in reading.values] == [
        (0, "unlocked", 3, 60), (1, "locked", 1, 30), (2, "", 1, 10),
    ]  # fmt: skip
    assert [one.raw for one in reading.unlabelled] == [2]


def test_time_over_a_gap_is_not_counted() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, LOST), (90_000, 0))
    value = reports(LATCH, rows)["latch.left"].readings[0].values[0]
    assert (value.times, value.held // SECOND) == (2, 20)


def test_events_and_the_first_of_them_are_told() -> None:
    found = reports(LATCH, track("QuayLatch.Left", (0, 0), (10_000, 1), (40_000, 0)))["latch.left"]
    assert (found.events, found.first, found.first_value) == (2, 10 * SECOND, "left locked")


def test_a_request_tells_its_closure() -> None:
    roles = "request.inside-handle: {signal: QuayPanel.Key, values: {0: none, 1: release}, closure: left}"
    found = reports(roles, track("QuayPanel.Key", (0, 0), (5000, 1), (5200, 0)))["request.inside-handle"]
    assert (found.events, found.first_value) == (1, "left release")


def test_frames_id_and_periods_come_from_the_wire() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1))
    reading = reports(LATCH, rows, ids=[wire(rows, frames=1234)])["latch.left"].readings[0]
    assert (reading.frames, reading.can_id, reading.channel) == (1234, rows.key.can_id, "net")
    assert (reading.send_stated, reading.send_found) == ("cyclic", "cyclic")
    assert reading.period_stated == reading.period_found == 100 * MILLISECOND


@pytest.mark.parametrize(
    ("period", "min_gap", "changes", "expected"),
    [
        (100, 90, 5, "cyclic"),
        (100, 3, 5, "cyclic-and-on-change"),
        (None, 3, 999, "on-change"),
        (None, 3, 700, "on-change"),
        (None, 3, 300, "event"),
    ],
)
def test_the_send_type_is_read_off_the_spacing(period: int | None, min_gap: int, changes: int, expected: str) -> None:
    one = wire(
        track("QuayLatch.Left", (0, 0)),
        period=None if period is None else period * MILLISECOND,
        min_gap=min_gap * MILLISECOND,
        changes=changes,
    )
    assert send_found(one) == expected


def test_two_frames_tell_no_send_type() -> None:
    assert send_found(wire(track("QuayLatch.Left", (0, 0)), frames=2)) == ""
    assert send_found(None) == ""


def test_another_send_type_than_stated_is_in_doubt() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1))
    found = reports(LATCH, rows, ids=[wire(rows, period=None, changes=999)])["latch.left"]
    assert any("stated as cyclic, but its frames look on-change" in doubt for doubt in found.doubts)
    mixed = reports(LATCH, rows, ids=[wire(rows, min_gap=MILLISECOND)])["latch.left"]
    assert any("also on change?" in doubt for doubt in mixed.doubts)


def test_another_period_than_stated_is_in_doubt() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1))
    found = reports(LATCH, rows, ids=[wire(rows, period=250 * MILLISECOND, min_gap=200 * MILLISECOND)])["latch.left"]
    assert found.doubts == ("QuayLatch.Left: period stated as 100 ms, measured as 250 ms",)


def test_a_sound_mapping_has_no_doubt() -> None:
    latch = track("QuayLatch.Left", (0, 0), (10_300, 1), (40_300, 0))
    command = track("QuayMotor.Drive", (0, 0), (10_000, 1), (10_400, 0), (40_000, 2), (40_400, 0))
    ajar = track("QuayDoors.Left", (0, 0), (50_000, 1), (60_000, 0))
    ids = [wire(latch), wire(command, period=50 * MILLISECOND, min_gap=40 * MILLISECOND), wire(ajar, changing=1)]
    found = reports(f"{LATCH}\n{COMMAND}\n{AJAR}", latch, command, ajar, ids=ids)
    assert {name: one.doubts for name, one in found.items()} == {"latch.left": (), "command": (), "ajar.left": ()}


def test_a_contact_that_reads_open_most_of_the_time_may_be_reversed() -> None:
    found = reports(AJAR, track("QuayDoors.Left", (0, 1), (90_000, 0)))["ajar.left"]
    assert found.doubts == ("reads open for 90% of the capture: polarity reversed?",)


def test_a_contact_that_reads_open_while_driving_may_be_reversed() -> None:
    roles = f"{AJAR}\nspeed: {{signal: QuayRoad.Speed}}"
    speed = track("QuayRoad.Speed", (0, 0), (60_000, 30), (61_000, 50), (62_000, 70), (63_000, 0))
    found = reports(roles, track("QuayDoors.Left", (0, 0), (59_000, 1), (64_000, 0)), speed)
    assert found["ajar.left"].doubts == ("reads open most of the time while the car drives: polarity reversed?",)


def test_an_ignition_that_is_off_while_driving_may_be_reversed() -> None:
    roles = "ignition: {signal: QuayRoad.Ignition, values: {0: on, 1: off}}\nspeed: {signal: QuayRoad.Speed}"
    speed = track("QuayRoad.Speed", (0, 0), (60_000, 30), (61_000, 50))
    found = reports(roles, track("QuayRoad.Ignition", (0, 1)), speed)
    assert found["ignition"].doubts == ("reads off most of the time while the car drives: polarity reversed?",)


LOCK_THEN_UNLOCK = ((0, 0), (10_000, 1), (10_400, 0), (40_000, 2), (40_400, 0))
UNLOCK_THEN_LOCK = ((0, 0), (10_000, 2), (10_400, 0), (40_000, 1), (40_400, 0))
ASKED_TO_LOCK_THEN_UNLOCK = ((0, 0), (9_900, 1), (10_100, 0), (39_900, 2), (40_100, 0))
LOCKS_THEN_UNLOCKS = ((0, 0), (10_300, 1), (40_300, 0))
UNLOCKS_THEN_LOCKS = ((0, 1), (10_300, 0), (40_300, 1))


def doubts_of(roles: str, *tracks: SignalTrack) -> dict[str, str]:
    """The doubts about the ways of latch, command and switch, by role."""
    return {name: "; ".join(one.doubts) for name, one in reports(roles, *tracks).items() if one.doubts}


def test_a_latch_that_moves_against_command_and_request_may_be_reversed() -> None:
    found = doubts_of(
        f"{LATCH}\n{COMMAND}\n{SWITCH}",
        track("QuayLatch.Left", *UNLOCKS_THEN_LOCKS),
        track("QuayMotor.Drive", *LOCK_THEN_UNLOCK),
        track("QuayPanel.Key", *ASKED_TO_LOCK_THEN_UNLOCK),
    )
    told = "moved against what was asked 2 times and with it 0 times: polarity reversed?"
    assert found == {"latch.left": told}


def test_a_command_that_alone_goes_the_other_way_may_have_its_values_exchanged() -> None:
    found = doubts_of(
        f"{LATCH}\n{COMMAND}\n{SWITCH}",
        track("QuayLatch.Left", *LOCKS_THEN_UNLOCKS),
        track("QuayMotor.Drive", *UNLOCK_THEN_LOCK),
        track("QuayPanel.Key", *ASKED_TO_LOCK_THEN_UNLOCK),
    )
    told = "the latches moved against it 2 times, and as was asked: lock and unlock exchanged?"
    assert found == {"command": told}


def test_a_request_that_alone_goes_the_other_way_may_have_its_values_exchanged() -> None:
    found = doubts_of(
        f"{LATCH}\n{COMMAND}\n{SWITCH}",
        track("QuayLatch.Left", *UNLOCKS_THEN_LOCKS),
        track("QuayMotor.Drive", *UNLOCK_THEN_LOCK),
        track("QuayPanel.Key", *ASKED_TO_LOCK_THEN_UNLOCK),
    )
    told = "the opposite was commanded and done 2 times: lock and unlock exchanged?"
    assert found == {"request.interior-switch": told}


def test_where_two_alone_are_shown_either_may_be_the_wrong_way_round() -> None:
    moved = "moved against what was asked 2 times and with it 0 times: polarity reversed, or lock and unlock exchanged"
    latch, command = track("QuayLatch.Left", *UNLOCKS_THEN_LOCKS), track("QuayMotor.Drive", *LOCK_THEN_UNLOCK)
    asked = track("QuayPanel.Key", *ASKED_TO_LOCK_THEN_UNLOCK)
    assert doubts_of(f"{LATCH}\n{COMMAND}", latch, command) == {"latch.left": f"{moved} in the command?"}
    assert doubts_of(f"{LATCH}\n{SWITCH}", latch, asked) == {"latch.left": f"{moved} in the request?"}
    other = "the opposite of what was asked just before it 2 times: lock and unlock exchanged, here or in the request?"
    wrong = track("QuayMotor.Drive", *UNLOCK_THEN_LOCK)
    assert doubts_of(f"{COMMAND}\n{SWITCH}", wrong, asked) == {"command": other}


def test_one_answer_the_other_way_is_no_doubt() -> None:
    roles = f"{LATCH}\n{COMMAND}"
    latch, command = track("QuayLatch.Left", (0, 1), (10_300, 0)), track("QuayMotor.Drive", *LOCK_THEN_UNLOCK)
    assert doubts_of(roles, latch, command) == {}


def test_what_comes_long_after_a_command_is_no_answer_to_it() -> None:
    roles = f"{LATCH}\n{COMMAND}"
    command = track("QuayMotor.Drive", *LOCK_THEN_UNLOCK)
    assert doubts_of(roles, track("QuayLatch.Left", (0, 1), (12_100, 0), (42_100, 1)), command) == {}
    assert doubts_of(roles, track("QuayLatch.Left", (0, 1), (12_000, 0), (42_000, 1)), command) != {}


def test_a_request_that_is_active_most_of_the_time_has_its_idle_value_in_doubt() -> None:
    found = reports(SWITCH, track("QuayPanel.Key", (0, 1), (80_000, 0)))["request.interior-switch"]
    assert found.doubts == ("QuayPanel.Key: active for 80% of the capture: idle value mistaken?",)


def test_a_speed_beyond_reason_is_in_doubt() -> None:
    found = reports("speed: {signal: QuayRoad.Speed}", track("QuayRoad.Speed", (0, 0), (100, 65535)))["speed"]
    assert (found.readings[0].lowest, found.readings[0].highest) == (0.0, 65535.0)
    assert "wrong unit or scale" in found.doubts[0]


def test_values_without_a_label_are_in_doubt() -> None:
    found = reports(LATCH, track("QuayLatch.Left", (0, 0), (100, 2)))["latch.left"]
    assert found.doubts == ("QuayLatch.Left: values without a label: 2 (1×)",)


def test_a_copy_on_another_id_is_named() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1))
    copies = [
        wire(rows),
        wire(rows, channel="other", can_id=0x5A),
        wire(rows, channel="other", can_id=0x5B, changing=0b111),
        wire(rows, channel="other", can_id=0x5C, changes=9),
        wire(rows, can_id=0x5D),
    ]
    assert reports(LATCH, rows, ids=copies)["latch.left"].readings[0].mirrors == ("other:05A",)


def test_ids_that_hardly_change_are_no_copies() -> None:
    rows = track("QuayLatch.Left", (0, 0), (10_000, 1))
    copies = [wire(rows, changes=2), wire(rows, changes=2, channel="other")]
    assert reports(LATCH, rows, ids=copies)["latch.left"].readings[0].mirrors == ()


def test_a_silent_role_and_one_where_nothing_happened_say_so() -> None:
    found = reports(f"{LATCH}\n{AJAR}", track("QuayLatch.Left", (0, 0)))
    assert found["ajar.left"].notes == ("silent: no frame of QuayDoors.Left in this capture",)
    assert "nothing happened" in found["latch.left"].notes[0]


def test_a_whole_car_value_reads_as_a_sentence() -> None:
    roles = "latch: {signal: QuayCar.State, values: {0: unlocked, 2: {left: unlocked, others: locked}}}"
    reading = reports(roles, track("QuayCar.State", (0, 0), (100, 2)))["latch"].readings[0]
    assert [one.label for one in reading.values] == ["unlocked", "left unlocked; right and flap locked"]


def test_frames_of_events_are_counted_and_last_no_time() -> None:
    roles = "request.remote-button: {signal: QuayKey.Button, shows: event, values: {0: none, 1: lock, 2: unlock}}"
    rows = track("QuayKey.Button", (0, 1), (20, 1), (40, 1), (5000, 2), every=True)
    reading = reports(roles, rows)["request.remote-button"].readings[0]
    assert [(one.raw, one.times, one.held) for one in reading.values] == [(1, 3, 0), (2, 1, 0)]
    assert reading.changes == 4


def test_what_happens_to_a_speed_are_its_changes() -> None:
    rows = track("QuayRoad.Speed", (0, 0), (7000, 12), (8000, 15))
    found = reports("speed: {signal: QuayRoad.Speed}", rows)["speed"]
    assert (found.events, found.first, found.first_value) == (2, 7 * SECOND, "12 km/h")
