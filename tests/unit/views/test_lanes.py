from __future__ import annotations

import os
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from latchtrace.model.events import EventKind, LockEvent, Timeline
from latchtrace.model.network import SignalRef
from latchtrace.model.results import AnalysisResult
from latchtrace.model.time import SECOND, Interval
from latchtrace.model.vehicle import Labels, Parameter, Reading, Role, RoleStatus, Shows
from latchtrace.views.lanes import overlapping_segments, swimlane
from latchtrace.views.swimlane import Lane, LaneKind, Swimlane
from support.night import DOORS, ZERO, cyclic, moment, night_result

SNAPSHOT = Path(__file__).parent / "night_lanes.txt"


def lane(result: AnalysisResult, key: str) -> Lane:
    (found,) = (each for each in swimlane(result).lanes if each.key == key)
    return found


def with_events(result: AnalysisResult, *events: LockEvent) -> AnalysisResult:
    timeline = result.timelines[0]
    kept = sorted((*timeline.events, *events), key=lambda event: event.at.hi)
    return replace(result, timelines=(replace(timeline, events=tuple(kept)),))


def told(found: Lane) -> list[tuple[float, float, str]]:
    """A lane as (from, to, text) in seconds of the night."""
    spans = found.spans
    seconds = [[round((int(t) - ZERO) / SECOND, 2) for t in column] for column in (spans.start_hi, spans.end_hi)]
    return [(a, b, found.values[code].text) for a, b, code in zip(*seconds, spans.code, strict=True)]


def as_text(lanes: Swimlane) -> str:
    lines = []
    for each in lanes.lanes:
        lines.append(f"{each.key} | {each.kind} | {each.title} | {each.short} | {each.group} | {each.channel}")
        spans = each.spans
        for i in range(len(spans)):
            columns = (spans.start_lo, spans.start_hi, spans.end_lo, spans.end_hi)
            times = " ".join(f"{(int(column[i]) - ZERO) / 1e6:.6f}" for column in columns)
            lines.append(
                f"    {times} {each.values[spans.code[i]].text} {'' if spans.counted[i] else '(first seen)'}".rstrip()
            )
        if each.curve is not None:
            curve = each.curve
            lines.append(f"    {len(curve.t)} values up to {np.nanmax(curve.value)} of {curve.top} {curve.unit}")
    lines += [f"mark {mark.id} {mark.severity} {mark.title}" for mark in lanes.marks]
    lines += [f"band {band.kind} {band.channel} {band.lane}".rstrip() for band in lanes.bands]
    return "\n".join(lines) + "\n"


def test_the_night_is_laid_out_as_before() -> None:
    text = as_text(swimlane(night_result()))
    if os.environ.get("LATCHTRACE_SNAPSHOTS") == "write":
        SNAPSHOT.write_text(text, "utf-8")
    assert text == SNAPSHOT.read_text("utf-8")


class TestWhichLanesThereAre:
    def test_a_source_the_vehicle_does_not_have_or_show_has_no_lane(self) -> None:
        keys = {each.key for each in swimlane(night_result()).lanes}
        assert "request.walk-away" not in keys
        assert "request.key-cylinder" not in keys
        assert "request.remote-button" in keys

    def test_a_mapped_source_has_a_lane_even_if_nothing_came(self) -> None:
        result = night_result()
        roles = {
            **result.vehicle.roles,
            "request.keypad": Role("request.keypad", "request", "keypad", RoleStatus.MAPPED),
        }
        found = lane(replace(result, vehicle=replace(result.vehicle, roles=roles)), "request.keypad")
        assert (found.title, len(found.spans)) == ("Keypad", 0)

    def test_a_mapped_source_whose_messages_are_silent_says_so(self) -> None:
        result = night_result()
        timeline = result.timelines[0]
        silent = {**timeline.coverage, "validation": replace(timeline.coverage["validation"], seen=None)}
        result = replace(result, timelines=(replace(timeline, coverage=silent),))
        assert lane(result, "validation").note == "silent in this capture"
        assert lane(result, "command").note == ""

    def test_one_signal_for_the_whole_car_gives_a_lane_for_each_closure_it_speaks_of(self) -> None:
        result = night_result()
        labels = Labels({0: (("", "unlocked"),), 1: (("front-left", "unlocked"), ("tailgate", "locked"))})
        whole = Role("latch", "latch", "", RoleStatus.MAPPED, (Reading(SignalRef("C", "L"), Shows.LEVEL, labels),))
        empty = replace(result.timelines[0], events=(), coverage={})
        vehicle = replace(result.vehicle, roles={"latch": whole})
        keys = {each.key for each in swimlane(replace(result, vehicle=vehicle, timelines=(empty,))).lanes}
        assert {f"latch.{name}" for name in DOORS} <= keys

    def test_lanes_of_one_closure_stand_together_latch_first(self) -> None:
        keys = [each.key for each in swimlane(night_result()).lanes]
        at = keys.index("latch.tailgate")
        assert keys[at : at + 2] == ["latch.tailgate", "ajar.tailgate"]

    def test_what_people_saw_has_a_lane_of_its_own(self) -> None:
        mark = LockEvent(EventKind.MARK, "unlock", "car chirped", cyclic(4361))
        found = lane(replace(night_result(), marks=(mark,)), "mark")
        assert (found.title, found.values[0].text) == ("Seen by a person", "unlock: car chirped")

    def test_a_source_of_the_users_own_has_its_label_as_title(self) -> None:
        event = LockEvent(EventKind.REQUEST, "other:barn door", "unlock", cyclic(500), row=1)
        assert lane(with_events(night_result(), event), "request.other:barn door").title == "Barn door"

    def test_several_lock_groups_have_a_command_lane_each(self) -> None:
        event = LockEvent(EventKind.COMMAND, "tailgate", "release", cyclic(500), row=1)
        titles = [
            each.title for each in swimlane(with_events(night_result(), event)).lanes if each.key.startswith("command")
        ]
        assert titles == ["Command", "Command, tailgate"]


class TestStates:
    def test_a_state_lasts_until_the_next_and_the_last_until_last_seen(self) -> None:
        found = told(lane(night_result(), "latch.tailgate"))
        assert all(before[1] == after[0] for before, after in pairwise(found))
        assert found[-1][1] == 12_000.0

    def test_uncertainty_is_kept_at_both_ends(self) -> None:
        spans = lane(night_result(), "ajar.front-left").spans
        assert (spans.start_hi[1] - spans.start_lo[1], spans.end_hi[1] - spans.end_lo[1]) == (99_999_999, 99_999_999)

    def test_what_is_only_seen_for_the_first_time_did_not_happen_then(self) -> None:
        spans = lane(night_result(), "latch.tailgate").spans
        assert (spans.counted[0], spans.start_lo[0]) == (0, spans.start_hi[0])
        assert set(spans.counted[1:]) == {1}

    def test_the_key_slot_is_told_and_the_code_never(self) -> None:
        details = (("slot", 3), ("code", "A1B2C3"), ("counter", 77))
        event = LockEvent(EventKind.REQUEST, "remote-button", "lock", cyclic(900), row=1, details=details)
        texts = [value.text for value in lane(with_events(night_result(), event), "request.remote-button").values]
        assert "lock, key 3" in texts
        assert not any("A1B2C3" in text or "77" in text for text in texts)


class TestRelockTimer:
    def relock(self, result: AnalysisResult) -> list[tuple[float, float, str]]:
        return told(lane(result, "relock"))

    def changed(self, **parameters: Parameter | None) -> AnalysisResult:
        result = night_result()
        stated = {**result.vehicle.parameters, **{f"relock.{name}": value for name, value in parameters.items()}}
        kept = {name: value for name, value in stated.items() if value is not None}
        return replace(result, vehicle=replace(result.vehicle, parameters=kept))

    def test_runs_from_an_unlock_from_outside_until_the_relock_that_was_due(self) -> None:
        assert self.relock(night_result())[:2] == [
            (4360.32, 4390.43, "until it locked itself"),
            (4389.3, 4391.32, "relock due"),
        ]

    def test_an_opening_stops_it(self) -> None:
        assert (7500.62, 7506.1, "stopped by an opening") in self.relock(night_result())

    def test_an_opening_starts_it_again_where_the_vehicle_says_so(self) -> None:
        found = self.relock(self.changed(policy=Parameter("relock.policy", "restart", "", "x")))
        assert found[2:4] == [
            (7500.62, 7506.1, "until it started again"),
            (7506.1, 7560.82, "until another source locked"),
        ]

    def test_an_unlock_from_inside_does_not_start_it(self) -> None:
        assert not any(start < 4000 for start, _, _ in self.relock(night_result()))

    def test_without_a_stated_delay_only_relocks_that_happened_are_shown(self) -> None:
        found = self.relock(self.changed(delay=None))
        assert [text for _, _, text in found] == ["until it locked itself"] * 2

    def test_nothing_locking_shows_as_such(self) -> None:
        result = night_result()
        result = replace(result, episodes=tuple(e for e in result.episodes if e.origin != "relock-timer"))
        assert (4360.32, 4420.32, "nothing locked") in self.relock(result)

    def test_the_end_of_the_capture_hides_its_end(self) -> None:
        result = night_result()
        timeline = replace(result.timelines[0], span=Interval(moment(0), moment(4370)))
        assert (4360.32, 4370.0, "end not seen") in self.relock(replace(result, timelines=(timeline,)))

    def test_a_vehicle_without_it_has_no_lane(self) -> None:
        result = night_result()
        vehicle = replace(result.vehicle, functions={"auto-relock": False})
        assert "relock" not in {each.key for each in swimlane(replace(result, vehicle=vehicle)).lanes}


class TestSegments:
    def two(self, second_from: float) -> AnalysisResult:
        result = night_result()
        first = replace(result.timelines[0], span=Interval(moment(0), moment(5000)))
        second = Timeline(1, Interval(moment(second_from), moment(second_from + 100)), ())
        return replace(result, timelines=(first, second))

    def test_that_overlap_are_to_be_shown_one_at_a_time(self) -> None:
        assert overlapping_segments(self.two(4000)) == (0, 1)
        assert swimlane(self.two(4000), 1).span == Interval(moment(4000), moment(4100))

    def test_that_follow_each_other_fit_on_one_axis(self) -> None:
        assert overlapping_segments(self.two(6000)) == ()
        assert swimlane(self.two(6000)).span == Interval(moment(0), moment(6100))


@pytest.mark.parametrize("key", ["speed"])
def test_speed_is_a_curve_with_its_threshold_and_unknown_after_the_last_frame(key: str) -> None:
    found = lane(night_result(), key)
    assert found.kind is LaneKind.CURVE
    assert found.curve is not None
    assert (found.curve.threshold, found.curve.unit) == (15.0, "km/h")
    assert np.isnan(found.curve.value[-1])
    assert found.curve.t[-1] == moment(268)


def test_blind_spans_stand_behind_their_own_lane_only() -> None:
    blind = [band for band in swimlane(night_result()).bands if band.kind == "blind"]
    assert [band.lane for band in blind] == ["request.remote-button"]
