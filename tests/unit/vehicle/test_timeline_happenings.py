from __future__ import annotations

import pytest

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalTrack
from latchtrace.model.time import Interval
from latchtrace.vehicle.mapping import timeline
from support.made_vehicle import ABSENT, HEAD, LOST, milliseconds, of, taped, told, track, vehicle

SWITCH = "request.interior-switch: {signal: QuayPanel.Key, values: {0: none, 1: lock, 2: unlock, 3: unknown}}"
PULSE = SWITCH.replace("values", "shows: pulse, values")
REMOTE = """\
request.remote-button:
  signal: QuayKey.Button
  shows: event
  values: {0: none, 1: lock, 2: unlock}
  when: {QuayKey.Kind: 3}
  details: {slot: QuayKey.Slot, counter: QuayKey.Count, code: QuayKey.Code}"""
PRESSES = "request.tailgate-switch: {signal: QuayPanel.Presses, shows: counter, does: release, modulus: 6}"


def run(roles: str, *tracks: SignalTrack, head: str = HEAD) -> Timeline:
    return timeline(vehicle(roles, head), taped(*tracks))


def brief(found: Timeline) -> list[tuple[str, str, int]]:
    return [(event.subject, event.value, event.row) for event in found.events]


# Level and pulse


def test_a_level_is_one_event_with_its_start_and_end() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1), (6000, 0), width=50))
    assert told(found) == [("interior-switch", "lock", 950.0, 1000.0)]
    end = found.events[0].end
    assert end is not None
    assert milliseconds(end) == (5950.0, 6000.0)


def test_a_level_that_lasts_at_the_end_of_the_capture_ends_with_it() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1)))
    assert [(event.value, event.end) for event in found.events] == [("lock", Interval.at(found.span.hi))]


def test_a_level_going_from_one_action_to_the_other_ends_one_and_starts_the_other() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1), (2000, 2), (3000, 0), width=50))
    assert [(e.value, e.row, e.end and e.end.hi // 10**6) for e in found.events] == [
        ("lock", 1000, 2000),
        ("unlock", 2000, 3000),
    ]


def test_a_level_first_seen_under_way_is_no_known_start() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (500, 2), (900, 0)))
    assert [(e.change, milliseconds(e.at)) for e in found.events] == [(False, (500.0, 500.0))]


def test_a_level_first_seen_in_a_frame_only_sent_on_change_is_a_start() -> None:
    head = HEAD.replace("QuayPanel:  {send: cyclic, period: 50 ms}", "QuayPanel:  {send: on-change, latency: 20 ms}")
    found = run(SWITCH, track("QuayPanel.Key", (500, 2), (900, 0), width=20, sent_on_change=True), head=head)
    assert [(e.change, milliseconds(e.at)) for e in found.events] == [(True, (480.0, 500.0))]


def test_the_end_of_a_level_that_a_gap_hides_may_lie_anywhere_in_it() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1), (2000, LOST), (8000, 0)))
    end = found.events[0].end
    assert end is not None
    assert milliseconds(end) == (2000.0, 8000.0)


def test_a_level_seen_before_and_after_a_gap_is_two_requests_the_second_of_unknown_start() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1), (2000, LOST), (8000, 1), (9000, 0)))
    assert [(e.value, e.row, e.change) for e in found.events] == [("lock", 1000, True), ("lock", 8000, False)]


def test_a_level_after_not_available_is_no_known_start() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 3), (2000, 1), (3000, 0)))
    assert [(e.row, e.change) for e in found.events] == [(2000, False)]


def test_a_pulse_counts_by_its_starts_only() -> None:
    found = run(PULSE, track("QuayPanel.Key", (0, 0), (1000, 1), (1100, 0), (1200, 1), (1300, 0)))
    assert [(e.value, e.row, e.end) for e in found.events] == [("lock", 1000, None), ("lock", 1200, None)]


def test_frames_of_another_kind_say_nothing_of_a_level() -> None:
    roles = SWITCH.replace("values", "when: {QuayPanel.Page: [1, 2]}, values")
    page = track("QuayPanel.Page", (0, 1), (500, 9), (700, 2), (1500, 9), (1700, 1))
    key = track("QuayPanel.Key", (0, 0), (500, 1), (700, 0), (900, 2), (1500, 0), (1700, 2), (1800, 0))
    found = run(roles, page, key)
    assert [(e.value, e.row, e.end and e.end.hi // 10**6) for e in found.events] == [("unlock", 900, 1800)]


def test_a_condition_that_comes_true_shows_a_level_that_held_before() -> None:
    roles = SWITCH.replace("values", "when: {QuayPanel.Page: 1}, values")
    found = run(roles, track("QuayPanel.Page", (0, 1), (100, 9), (400, 1)), track("QuayPanel.Key", (0, 0), (200, 1)))
    assert [(e.value, e.row, milliseconds(e.at)) for e in found.events] == [("lock", 400, (300.0, 400.0))]


def test_inside_handles_name_their_closure() -> None:
    roles = """\
request.inside-handle:
  - {signal: QuayPanel.Key, values: {0: none, 1: release}, closure: left}
  - signal: QuayMotor.Drive
    values: {0: none, 1: {right: release}, 2: {flap: release}, 3: {right: release, flap: release}}"""
    found = run(roles, track("QuayPanel.Key", (0, 0), (100, 1), (200, 0)),
                track("QuayMotor.Drive", (0, 0), (300, 1), (400, 3), (500, 0)))  # fmt: skip
    assert [(e.detail("closure"), e.row) for e in found.events] == [("left", 100), ("right", 300), ("flap", 400)]


# Commands, validations, receptions


COMMAND = (
    "command: {signal: QuayMotor.Drive, values: {0: none, 1: lock, 2: unlock, 3: {left: unlock}, 4: {doors: lock}}}"
)


def test_a_command_is_of_the_group_all_unless_its_value_names_another() -> None:
    found = run(COMMAND, track("QuayMotor.Drive", (0, 0), (100, 1), (200, 2), (300, 0), (400, 3), (500, 4)))
    assert brief(found) == [
        ("all", "lock", 100),
        ("all", "unlock", 200),
        ("left", "unlock", 400),
        ("doors", "lock", 500),
    ]


def test_a_command_role_may_be_of_one_closure() -> None:
    roles = "command.flap: {signal: QuayMotor.Drive, values: {0: none, 1: lock}}"
    assert brief(run(roles, track("QuayMotor.Drive", (0, 0), (100, 1)))) == [("flap", "lock", 100)]


def test_without_a_group_all_a_command_is_of_the_first_group() -> None:
    head = HEAD.replace("  all: [left, right, flap]\n", "")
    found = run(COMMAND, track("QuayMotor.Drive", (0, 0), (100, 1)), head=head)
    assert brief(found) == [("doors", "lock", 100)]


def test_validations_and_receptions_have_no_subject() -> None:
    roles = """\
validation: {signal: QuayMotor.Result, values: {0: none, 1: accepted, 2: refused}, details: {slot: QuayMotor.Drive}}
reception: {signal: QuayPanel.Key, values: {0: none, 1: decoded, 2: undecoded}}"""
    result = track("QuayMotor.Result", (0, 0), (100, 1), (200, 2))
    slot = track("QuayMotor.Drive", (0, 0), (100, 4))
    found = run(roles, result, slot, track("QuayPanel.Key", (0, 0), (150, 2), (170, 0), (180, 1)))
    assert [(e.kind, e.subject, e.value, e.detail("slot")) for e in found.events] == [
        (EventKind.VALIDATION, "", "accepted", 4),
        (EventKind.RECEPTION, "", "undecoded", None),
        (EventKind.RECEPTION, "", "decoded", None),
        (EventKind.VALIDATION, "", "refused", 4),
    ]


# Event frames


def remote(*frames: tuple[int, int, int, int, int], code: int = 7) -> list[SignalTrack]:
    """Frames of the made remote as (milliseconds, kind, button, slot, counter)."""
    columns = {"Kind": 1, "Button": 2, "Slot": 3, "Count": 4}
    tracks = [
        track(f"QuayKey.{name}", *((frame[0], frame[i]) for frame in frames), width=20, every=True)
        for name, i in columns.items()
    ]
    return [*tracks, track("QuayKey.Code", *((frame[0], code) for frame in frames), width=20, every=True)]


def test_the_repeats_of_an_event_are_one_event_with_the_details_of_its_frame() -> None:
    found = run(REMOTE, *remote((1000, 3, 1, 2, 77), (1020, 3, 1, 2, 77), (1040, 3, 1, 2, 77)))
    assert brief(found) == [("remote-button", "lock", 1000)]
    assert found.events[0].details == (("slot", 2), ("counter", 77), ("code", 7))
    assert milliseconds(found.events[0].at) == (980.0, 1000.0)


def test_a_fixed_code_pressed_twice_is_two_events() -> None:
    frames = [(1000 + i * 20 + press * 400, 3, 1, 2, 77) for press in range(2) for i in range(3)]
    assert [event.row for event in run(REMOTE, *remote(*frames)).events] == [1000, 1400]


def test_more_frames_than_repeats_are_a_new_event_even_within_their_time() -> None:
    frames = [(1000 + 10 * i, 3, 1, 2, 77) for i in range(5)]
    assert [event.row for event in run(REMOTE, *remote(*frames)).events] == [1000, 1030]


@pytest.mark.parametrize("other", [(1020, 3, 2, 2, 77), (1020, 3, 1, 4, 77), (1020, 3, 1, 2, 78)])
def test_a_frame_that_says_something_else_is_a_new_event(other: tuple[int, int, int, int, int]) -> None:
    assert [event.row for event in run(REMOTE, *remote((1000, 3, 1, 2, 77), other)).events] == [1000, 1020]


def test_two_keys_pressed_at_once_are_two_events_though_their_frames_take_turns() -> None:
    frames = [(1000 + 10 * i, 3, 1, 2 + i % 2, 77) for i in range(6)]
    assert [event.row for event in run(REMOTE, *remote(*frames)).events] == [1000, 1010]


def test_frames_of_another_kind_and_idle_frames_are_no_events() -> None:
    found = run(REMOTE, *remote((1000, 1, 1, 2, 77), (2000, 3, 0, 2, 77), (3000, 3, 2, 2, 77)))
    assert brief(found) == [("remote-button", "unlock", 3000)]


def test_an_event_seen_with_fewer_frames_than_it_has_may_have_begun_earlier() -> None:
    """Three frames within 60 ms: of two that came at 1000 and 1040 the first may have been lost at 980 or later."""
    found = run(REMOTE, *remote((1000, 3, 1, 2, 77), (1040, 3, 1, 2, 77)))
    assert milliseconds(found.events[0].at) == (960.0, 1000.0)


def test_an_event_without_values_does_what_the_file_says() -> None:
    roles = "request.remote-button: {signal: QuayKey.Button, shows: event, does: unlock}"
    assert brief(run(roles, *remote((1000, 3, 1, 2, 77)))) == [("remote-button", "unlock", 1000)]


def test_an_event_frame_after_a_gap_is_an_event() -> None:
    rows = [
        track(str(one.ref), (1000, int(one.raw[0])), (2000, LOST), (9000, int(one.raw[0])), every=True)
        for one in remote((1000, 3, 1, 2, 77))
    ]
    assert [(e.row, e.change) for e in run(REMOTE, *rows).events] == [(1000, True), (9000, True)]


def test_an_event_value_without_label_is_counted_and_no_event() -> None:
    found = run(REMOTE, *remote((1000, 3, 5, 2, 77), (2000, 1, 6, 2, 77)))
    assert found.events == ()
    assert len(found.notices) == 1
    assert "5 (1 time)" in found.notices[0]
    assert "6 (" not in found.notices[0], "a frame of another kind says nothing of the role"


# Counters


def test_each_step_of_a_counter_is_an_event() -> None:
    found = run(PRESSES, track("QuayPanel.Presses", (0, 2), (1000, 3), (2000, 4), width=50))
    assert brief(found) == [("tailgate-switch", "release", 1000), ("tailgate-switch", "release", 2000)]
    assert told(found)[0][2:] == (950.0, 1000.0)


def test_a_counter_first_seen_or_seen_after_a_gap_is_no_event() -> None:
    found = run(PRESSES, track("QuayPanel.Presses", (0, 2), (1000, LOST), (2000, 4), (3000, 5)))
    assert [event.row for event in found.events] == [3000]


def test_a_counter_wraps_at_its_modulus() -> None:
    assert [e.row for e in run(PRESSES, track("QuayPanel.Presses", (0, 5), (1000, 0))).events] == [1000]


def test_a_step_of_two_is_two_events_in_the_same_interval() -> None:
    found = run(PRESSES, track("QuayPanel.Presses", (0, 5), (1000, 1)))
    assert [(e.row, milliseconds(e.at)) for e in found.events] == [(1000, (900.0, 1000.0))] * 2


def test_a_step_faster_than_anyone_presses_is_a_restart_noticed_and_left_open() -> None:
    found = run(PRESSES, track("QuayPanel.Presses", (0, 1), (1000, 0), width=50))
    assert found.events == ()
    assert "taken for a restart" in found.notices[0]
    assert [span.reason.value for span in found.coverage["request.tailgate-switch"].blind] == ["loss"]


REPORT = """\
action-report:
  signal: QuayReport.Number
  shows: counter
  details:
    action: {signal: QuayReport.Action, values: {0: none, 1: lock, 2: unlock}}
    origin: {signal: QuayReport.Cause, values: {1: remote-button, 4: relock-timer, 5: "other:shed"}}"""


def report(*rows: tuple[int, int, int, int]) -> list[LockEvent]:
    names = ("Number", "Action", "Cause")
    tracks = [track(f"QuayReport.{name}", *((row[0], row[i + 1]) for row in rows)) for i, name in enumerate(names)]
    return of(run(REPORT, *tracks), EventKind.REPORT)


def test_an_action_report_tells_action_and_origin() -> None:
    found = report((0, 3, 1, 1), (1000, 4, 2, 1), (2000, 5, 1, 4), (3000, 6, 2, 5))
    assert [(e.subject, e.value) for e in found] == [
        ("remote-button", "unlock"), ("relock-timer", "lock"), ("other:shed", "unlock"),
    ]  # fmt: skip


def test_a_report_whose_codes_have_no_label_is_of_unknown_origin() -> None:
    assert [(e.subject, e.value) for e in report((0, 3, 1, 1), (1000, 4, 9, 9))] == [("unknown", "unknown")]


def test_a_report_of_no_action_is_no_event() -> None:
    assert report((0, 3, 1, 1), (1000, 4, 0, 1)) == []


def test_of_a_report_that_counted_twice_only_the_last_one_is_told() -> None:
    found = report((0, 3, 1, 1), (1000, 5, 2, 4))
    assert sorted((e.subject, e.value) for e in found) == [("relock-timer", "unlock"), ("unknown", "unknown")]


def test_details_of_a_frame_may_have_changed_before_it() -> None:
    """The tracks only keep changes: the code of a frame is the last one before it."""
    roles = PRESSES.replace(
        "does: release, modulus: 6", "details: {action: {signal: QuayPanel.Key, values: {1: lock, 2: unlock}}}"
    )
    found = run(
        roles, track("QuayPanel.Presses", (0, 1), (1000, 2), (2000, 3)), track("QuayPanel.Key", (0, 1), (1500, 2))
    )
    assert [(e.value, e.row) for e in found.events] == [("lock", 1000), ("unlock", 2000)]


def test_a_counter_only_counts_in_frames_in_which_its_conditions_hold() -> None:
    roles = PRESSES.replace("does", "when: {QuayPanel.Page: 1}, does")
    page = track("QuayPanel.Page", (0, 1), (1000, 2), (2000, 1))
    presses = track("QuayPanel.Presses", (0, 1), (1000, 5), (2000, 2), (3000, 3))
    assert [event.row for event in run(roles, page, presses).events] == [2000, 3000]


def test_nobody_presses_faster_than_twice_and_once_more_in_every_fiftieth_of_a_second() -> None:
    four = run(PRESSES, track("QuayPanel.Presses", (0, 0), (1000, 4), width=101))
    assert len(four.events) == 4
    five = run(PRESSES, track("QuayPanel.Presses", (0, 0), (1000, 5), (2000, 4), width=101))
    assert five.events == ()
    assert "jumped 2 times farther" in five.notices[0]


def test_a_frame_too_short_for_the_counter_does_not_count() -> None:
    found = run(PRESSES, track("QuayPanel.Presses", (0, 2), (1000, ABSENT), (2000, 3), (3000, 4)))
    assert [event.row for event in found.events] == [2000, 3000]


def test_a_repeat_comes_within_its_time_and_not_after() -> None:
    in_time = run(REMOTE, *remote((1000, 3, 1, 2, 77), (1060, 3, 1, 2, 77)))
    assert [event.row for event in in_time.events] == [1000]
    late = run(REMOTE, *remote((1000, 3, 1, 2, 77), (1061, 3, 1, 2, 77)))
    assert [event.row for event in late.events] == [1000, 1061]


def test_the_action_and_details_that_are_not_known_are_no_details_of_the_event() -> None:
    roles = """\
request.remote-button:
  signal: QuayKey.Button
  shows: event
  details:
    action: {signal: QuayKey.Kind, values: {1: lock, 3: unlock}}
    closure: {signal: QuayKey.Slot, values: {2: left}}
    code: QuayKey.Code"""
    found = run(roles, *remote((1000, 3, 1, 2, 77), (2000, 1, 1, 4, 77)))
    assert [(e.value, e.details) for e in found.events] == [
        ("unlock", (("closure", "left"), ("code", 7))),
        ("lock", (("code", 7),)),
    ]
    assert len(found.notices) == 1
    assert found.notices[0].startswith("request.remote-button: QuayKey.Slot took raw values the vehicle file gives no")
    assert found.notices[0].endswith("read as unknown: 4 (1 time)")


def test_an_end_hidden_by_not_available_and_then_a_gap_may_lie_anywhere_in_both() -> None:
    found = run(SWITCH, track("QuayPanel.Key", (0, 0), (1000, 1), (2000, 3), (3000, LOST), (8000, 0), width=50))
    end = found.events[0].end
    assert end is not None
    assert milliseconds(end) == (1950.0, 8000.0)


def test_a_condition_not_seen_yet_does_not_hold() -> None:
    roles = SWITCH.replace("values", "when: {QuayPanel.Page: 1}, values")
    found = run(roles, track("QuayPanel.Page", (500, 1)), track("QuayPanel.Key", (100, 1), (200, 0), (600, 2)))
    assert [event.row for event in found.events] == [600]


def test_a_condition_lost_in_a_gap_does_not_hold_until_it_is_seen_again() -> None:
    roles = REMOTE.replace("when: {QuayKey.Kind: 3}", "when: {QuayKey.Kind: [1, 3]}")
    frames = remote((1000, 3, 1, 2, 77), (5000, 3, 1, 2, 77))
    frames[0] = track("QuayKey.Kind", (1000, 3), (2000, LOST))
    assert [event.row for event in run(roles, *frames).events] == [1000]


def test_many_values_without_a_label_are_counted_and_the_first_few_named() -> None:
    roles = "request.keypad: {signal: QuayPanel.Page, values: {0: none, 1: lock}}"
    rows = track("QuayPanel.Page", (0, 0), *((100 * i, 1 + i) for i in range(1, 9)))
    notice = run(roles, rows).notices[0]
    assert notice.endswith("2 (1 time), 3 (1 time), 4 (1 time), 5 (1 time), 6 (1 time) and 3 more values")


def test_the_last_frame_before_a_gap_still_shows_all_it_says() -> None:
    frames = [(1000, 3, 1, 2, 77)]
    tracks = [track(str(one.ref), (1000, int(one.raw[0])), (1500, LOST), every=True) for one in remote(*frames)]
    event = run(REMOTE, *tracks).events[0]
    assert event.details == (("slot", 2), ("counter", 77), ("code", 7))
