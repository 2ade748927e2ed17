from __future__ import annotations

from dataclasses import replace

import pytest

from latchtrace.model.events import Coverage, Reason, Timeline
from latchtrace.model.network import SignalTrack, Tracks
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import MILLISECOND, Interval
from latchtrace.model.vehicle import REQUEST_SOURCES, RoleStatus
from latchtrace.vehicle.mapping import WantedSignal, timeline, wanted_signals
from support.made_vehicle import END, HEAD, LOST, milliseconds, ref, taped, track, vehicle

SWITCH = "request.interior-switch: {signal: QuayPanel.Key, values: {0: none, 1: lock}%s}"
HELD = SWITCH % ", holds: 150 ms"
COUNTED = "request.interior-switch: {signal: QuayPanel.Presses, shows: counter, does: lock}"
REMOTE = "request.remote-button: {signal: QuayKey.Button, shows: event, values: {0: none, 1: lock}}"
PLAIN_KEY = HEAD.replace(", counter: Alive", "")


def key_head(repeats: int) -> str:
    within = ", repeat_within: 60 ms" if repeats > 1 else ""
    return PLAIN_KEY.replace("repeats: 3, repeat_within: 60 ms", f"repeats: {repeats}{within}")


def blind(cover: Coverage) -> list[tuple[str, float, float]]:
    return [(one.reason.value, *milliseconds(one.span)) for one in cover.blind]


def switch(found: Timeline) -> Coverage:
    return found.coverage["request.interior-switch"]


def test_every_role_of_the_file_and_every_source_has_a_coverage() -> None:
    car = vehicle("latch.left: not-visible\nrequest.keypad: not-fitted\n" + HELD)
    cover = timeline(car, taped(track("QuayPanel.Key", (0, 0)))).coverage
    assert {f"request.{source}" for source in REQUEST_SOURCES} <= set(cover)
    assert {"reception", "validation", "command", "action-report", "ignition", "speed", "speed-lock-enabled"} <= set(
        cover
    )
    assert cover["request.keypad"].status is RoleStatus.NOT_FITTED
    assert cover["request.crash"].status is RoleStatus.NOT_VISIBLE
    assert cover["request.interior-switch"].status is RoleStatus.MAPPED
    assert cover["latch.right"].status is RoleStatus.NOT_VISIBLE


def test_a_command_of_one_group_leaves_no_unmapped_command_behind() -> None:
    car = vehicle("command.doors: {signal: QuayMotor.Drive, values: {0: none, 1: lock}}")
    assert "command" not in timeline(car, taped(track("QuayMotor.Drive", (0, 0)))).coverage


def test_the_coverage_names_channel_and_id() -> None:
    rows = track("QuayKey.Button", (0, 0), every=True, key=MessageKey("net", 0x1ABCDE, True))
    cover = timeline(vehicle(REMOTE), taped(rows)).coverage["request.remote-button"]
    assert (cover.channel, cover.can_id, cover.extended) == ("net", 0x1ABCDE, True)


def test_a_whole_car_signal_covers_each_closure_it_tells_of() -> None:
    car = vehicle("latch: {signal: QuayCar.State, values: {0: unlocked, 1: locked}}")
    cover = timeline(car, taped(track("QuayCar.State", (500, 0)))).coverage
    assert {name for name in cover if name.startswith("latch")} == {"latch", "latch.left", "latch.right", "latch.flap"}
    assert cover["latch.flap"].seen == cover["latch"].seen
    assert cover["latch.flap"].role == "latch.flap"


def test_what_the_file_says_of_all_contacts_holds_of_each() -> None:
    cover = timeline(vehicle("ajar: not-fitted\nlatch: {not-visible: wired}\najar.left: not-visible"), taped()).coverage
    assert cover["ajar.hood"].status is RoleStatus.NOT_FITTED
    assert cover["ajar.left"].status is RoleStatus.NOT_VISIBLE
    assert cover["latch.left"].status is RoleStatus.NOT_VISIBLE
    assert "latch.hood" not in cover


def test_a_whole_car_signal_that_only_names_some_closures_leaves_the_others_not_visible() -> None:
    car = vehicle("latch: {signal: QuayCar.State, values: {0: {left: unlocked}, 1: {left: locked}}}")
    cover = timeline(car, taped(track("QuayCar.State", (500, 0)))).coverage
    assert cover["latch.left"].status is RoleStatus.MAPPED
    assert cover["latch.right"].status is RoleStatus.NOT_VISIBLE


def test_a_mapped_message_that_never_came_is_silent() -> None:
    silent = track("QuayPanel.Key")
    for found in (timeline(vehicle(HELD), taped()), timeline(vehicle(HELD), taped(silent))):
        assert switch(found).status is RoleStatus.MAPPED
        assert switch(found).seen is None
        assert found.events == ()


def test_a_cyclic_message_covers_from_its_first_frame_to_its_last() -> None:
    tracks = taped(track("QuayPanel.Key", (700, 0)))
    seen = {next(iter(tracks.seen)): Interval(700 * MILLISECOND, 9000 * MILLISECOND)}
    found = timeline(vehicle(HELD), replace(tracks, seen=seen))
    assert switch(found).seen == Interval(700 * MILLISECOND, 9000 * MILLISECOND)


def test_a_message_sent_at_events_covers_the_whole_segment_once_it_is_seen() -> None:
    rows = track("QuayKey.Button", (700, 1), every=True)
    tracks = replace(taped(rows), seen={rows.key: Interval(700 * MILLISECOND, 700 * MILLISECOND)})
    cover = timeline(vehicle(REMOTE), tracks).coverage["request.remote-button"]
    assert cover.seen == Interval(0, END * MILLISECOND)


def test_a_state_sent_on_change_is_known_from_its_first_frame_on() -> None:
    rows = track("QuayCar.State", (700, 1), sent_on_change=True)
    tracks = replace(taped(rows), seen={rows.key: Interval(700 * MILLISECOND, 700 * MILLISECOND)})
    car = vehicle("latch: {signal: QuayCar.State, values: {0: unlocked, 1: locked}}")
    assert timeline(car, tracks).coverage["latch"].seen == Interval(700 * MILLISECOND, END * MILLISECOND)


def test_with_several_readings_all_must_be_seen() -> None:
    roles = """\
request.inside-handle:
  - {signal: QuayPanel.Key, values: {0: none, 1: release}, closure: left}
  - {signal: QuayMotor.Drive, values: {0: none, 1: release}, closure: right}"""
    one = track("QuayPanel.Key", (300, 0))
    other = track("QuayMotor.Drive", (800, 0))
    assert timeline(vehicle(roles), taped(one)).coverage["request.inside-handle"].seen is None
    both = taped(one, other)

    def seen(first: tuple[int, int], second: tuple[int, int]) -> Interval | None:
        spans = {key: Interval(lo, hi) for key, (lo, hi) in zip((one.key, other.key), (first, second), strict=True)}
        return timeline(vehicle(roles), replace(both, seen=spans)).coverage["request.inside-handle"].seen

    assert seen((300, 5000), (800, 9000)) == Interval(800, 5000)
    assert seen((300, 700), (800, 9000)) is None


def test_a_recorder_gap_blinds_the_roles_of_its_channel() -> None:
    rows = track("QuayPanel.Key", (0, 0))
    for where, expected in (("", True), ("net", True), ("other", False)):
        found = timeline(vehicle(HELD), taped(rows, gaps=[(where, 2000, 3000)]))
        assert blind(switch(found)) == ([("gap", 2000.0, 3000.0)] if expected else [])
        assert found.gaps == (Interval(2000 * MILLISECOND, 3000 * MILLISECOND),)


def test_a_silence_hides_a_level_that_may_be_shorter() -> None:
    rows = track("QuayPanel.Key", (0, 0), silences=[(1000, 1100), (2000, 2200)])
    assert blind(switch(timeline(vehicle(SWITCH % ""), taped(rows)))) == [
        ("loss", 1000.0, 1100.0),
        ("loss", 2000.0, 2200.0),
    ]
    assert blind(switch(timeline(vehicle(HELD), taped(rows)))) == [("loss", 2000.0, 2200.0)]


def test_a_silence_hides_no_step_of_a_counter_and_no_change_of_state() -> None:
    silences = [(2000, 2600)]
    found = timeline(vehicle(COUNTED), taped(track("QuayPanel.Presses", (0, 0), silences=silences)))
    assert blind(switch(found)) == []
    car = vehicle("latch.left: {signal: QuayLatch.Left, values: {0: unlocked, 1: locked}}")
    assert timeline(car, taped(track("QuayLatch.Left", (0, 0), silences=silences))).coverage["latch.left"].blind == ()


def test_a_message_that_stopped_coming_blinds_until_it_is_back() -> None:
    rows = track("QuayPanel.Presses", (0, 0), (2000, LOST), (9000, 1))
    assert blind(switch(timeline(vehicle(COUNTED), taped(rows)))) == [("loss", 2000.0, 9000.0)]


def test_a_message_that_is_lost_in_a_gap_is_blinded_by_the_gap_alone() -> None:
    rows = track("QuayPanel.Presses", (0, 0), (2000, LOST), (3000, 1))
    found = timeline(vehicle(COUNTED), taped(rows, gaps=[("net", 2000, 3000)]))
    assert blind(switch(found)) == [("gap", 2000.0, 3000.0)]


def lossy(
    repeats: int, *silences: tuple[str, int, int], head: str | None = None, extra: SignalTrack | None = None
) -> Coverage:
    """The coverage of the remote while other messages of its channel lose frames."""
    roles = f"{REMOTE}\nlatch.left: {{signal: QuayLatch.Left, values: {{0: unlocked, 1: locked}}}}\n" + HELD
    named: dict[str, list[tuple[int, int]]] = {"QuayLatch.Left": [], "QuayPanel.Key": []}
    for name, lo, hi in silences:
        named[name].append((lo, hi))
    others = [track(name, (0, 0), silences=spans) for name, spans in named.items()]
    rows = [track("QuayKey.Button", (500, 1), every=True, width=20), *others, *([extra] if extra else [])]
    return timeline(vehicle(roles, head or key_head(repeats)), taped(*rows)).coverage["request.remote-button"]


def test_an_event_frame_sent_once_may_be_lost_around_any_loss_of_its_channel() -> None:
    assert blind(lossy(1, ("QuayLatch.Left", 5000, 5200))) == [("loss", 4000.0, 6200.0)]


def test_an_event_sent_twice_is_only_lost_where_two_messages_lost_frames_at_once() -> None:
    assert blind(lossy(2, ("QuayLatch.Left", 5000, 5200))) == []
    both = lossy(2, ("QuayLatch.Left", 5000, 5200), ("QuayPanel.Key", 5100, 5300))
    assert blind(both) == [("loss", 4100.0, 6200.0)]
    apart = lossy(2, ("QuayLatch.Left", 5000, 5200), ("QuayPanel.Key", 9000, 9200))
    assert blind(apart) == []


def test_an_event_sent_three_times_outlives_lost_frames() -> None:
    assert blind(lossy(3, ("QuayLatch.Left", 5000, 5200), ("QuayPanel.Key", 5100, 5300))) == []


def test_loss_on_another_channel_takes_no_event_of_this_one() -> None:
    roles = f"{REMOTE}\nlatch.left: {{signal: QuayLatch.Left, values: {{0: unlocked, 1: locked}}}}"
    far = track("QuayLatch.Left", (0, 0), silences=[(5000, 5200)], key=MessageKey("far", 3))
    found = timeline(vehicle(roles, key_head(1)), taped(track("QuayKey.Button", (500, 1), every=True), far))
    assert found.coverage["request.remote-button"].blind == ()


@pytest.mark.parametrize(
    ("alive", "expected"),
    [
        ([14, 15, 0], []),  # the counter wraps
        ([14, 15, 4], [("loss", 3000.0, 7000.0)]),  # more than three frames are missing
        ([14, 15, 2], []),  # two frames are missing: no whole event of three
        ([14, 15, 3], [("loss", 3000.0, 7000.0)]),  # three frames are missing: perhaps one whole event
    ],
)
def test_an_alive_counter_tells_where_an_event_may_be_lost(
    alive: list[int], expected: list[tuple[str, float, float]]
) -> None:
    head = HEAD
    rows = track("QuayKey.Alive", *zip((1000, 3000, 7000), alive, strict=True), every=True)
    cover = lossy(3, ("QuayLatch.Left", 5000, 5200), head=head, extra=rows)
    assert blind(cover) == expected


def test_an_alive_counter_that_counts_events_shows_each_one_lost() -> None:
    rows = track("QuayKey.Alive", (1000, 4), (1020, 4), (3000, 5), (3020, 5), (7000, 7), every=True)
    assert blind(lossy(3, head=HEAD, extra=rows)) == [("loss", 3020.0, 7000.0)]


def test_an_alive_counter_says_nothing_over_a_gap() -> None:
    rows = track("QuayKey.Alive", (1000, 4), (2000, LOST), (7000, 12), (8000, 13), every=True)
    assert (
        blind(lossy(3, head=HEAD, extra=rows)) == [("loss", 2000.0, 7000.0)]
        or blind(lossy(3, head=HEAD, extra=rows)) == []
    )


def test_an_alive_counter_may_start_anew_over_a_sleep() -> None:
    rows = track("QuayKey.Alive", (1000, 4), (7000, 0), every=True)
    roles = vehicle(REMOTE)
    tracks = taped(track("QuayKey.Button", (1000, 0), (7000, 1), every=True), rows)
    asleep = replace(tracks, sleeps=(("net", Interval(2000 * MILLISECOND, 6900 * MILLISECOND)),))
    assert timeline(roles, asleep).coverage["request.remote-button"].blind == ()
    assert timeline(roles, tracks).coverage["request.remote-button"].blind != ()


def test_sleeps_are_told_and_blind_nothing() -> None:
    tracks = replace(taped(track("QuayPanel.Key", (0, 0))), sleeps=(("net", Interval(1, 2)), ("far", Interval(1, 2))))
    found = timeline(vehicle(HELD), tracks)
    assert found.sleeps == (Interval(1, 2),)
    assert switch(found).blind == ()


def test_an_empty_segment_has_a_timeline_too() -> None:
    found = timeline(vehicle(HELD), Tracks(3, Interval(5, 5), {}))
    assert (found.segment, found.span, found.events) == (3, Interval(5, 5), ())


def test_blind_spans_of_one_reason_are_merged_and_in_order() -> None:
    rows = track("QuayPanel.Key", (0, 0), silences=[(2000, 2300), (2250, 2600), (1000, 1400)])
    found = timeline(vehicle(HELD), taped(rows, gaps=[("", 2100, 2200)]))
    assert blind(switch(found)) == [("loss", 1000.0, 1400.0), ("loss", 2000.0, 2600.0), ("gap", 2100.0, 2200.0)]
    assert switch(found).blind[0].reason is Reason.LOSS


def test_wanted_are_the_signals_with_their_conditions_details_and_alive_counters() -> None:
    roles = """\
request.remote-button:
  signal: QuayKey.Button
  shows: event
  values: {1: lock}
  when: {QuayKey.Kind: 3}
  details: {slot: QuayKey.Slot}
request.interior-switch: {signal: QuayPanel.Key, values: {0: none, 1: lock}}
latch: {signal: QuayCar.State, values: {0: unlocked, 1: locked}}
validation: not-fitted"""
    assert wanted_signals(vehicle(roles)) == (
        WantedSignal(ref("QuayCar.State"), every=False),
        WantedSignal(ref("QuayKey.Alive"), every=True),
        WantedSignal(ref("QuayKey.Button"), every=True),
        WantedSignal(ref("QuayKey.Kind"), every=True),
        WantedSignal(ref("QuayKey.Slot"), every=True),
        WantedSignal(ref("QuayPanel.Key"), every=False),
    )
