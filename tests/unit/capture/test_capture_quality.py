"""Sleep, holes in the recording, jumps of the clock and lost frames, told apart."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import pytest

from latchtrace.model.frames import CaptureReport, Gap, GapCause, Sleep, Why
from latchtrace.model.plan import MessageKey, MessagePlan, ReadPlan
from latchtrace.model.time import NO_TIME, Interval
from support.captures import (
    Cyclic,
    Outcome,
    at,
    body,
    ms,
    read,
    restarted,
    seconds,
    stopped,
    text_line,
    traffic,
    write,
)
from support.rows import Sent

PLAN = ReadPlan((MessagePlan(MessageKey(None, 0x120), mask=0xFF, silence_limit=ms(250)),))


def quality(tmp_path: Path, frames: list[Sent]) -> CaptureReport:
    """What reading these frames shows of their quality."""
    return read(write(tmp_path / "a.log", frames)).report


def without(frames: list[Sent], start: float, end: float, channel: str = "") -> list[Sent]:
    """The frames, with a hole in them."""
    return [one for one in frames if not (at(start) <= one.t < at(end) and channel in ("", one.channel))]


def shifted(frames: list[Sent], start: float, by: float) -> list[Sent]:
    """The frames, with the clock set at a moment."""
    return [one._replace(t=one.t + at(by) - at(0)) if one.t >= at(start) else one for one in frames]


def causes(report: CaptureReport) -> list[tuple[str, GapCause]]:
    """Channel and cause of each gap."""
    return [(gap.channel, gap.cause) for gap in report.gaps]


def night(ids: list[Cyclic], sleep: float, wake: float, end: float) -> list[Sent]:
    """Ordinary traffic, an orderly sleep and a wake."""
    return stopped(ids, 0, sleep) + traffic(restarted(ids, wake), wake, end)


@pytest.mark.parametrize("length", [0.9, 2, 10, 10.037, 60])
def test_a_hole_in_ordinary_traffic_is_a_gap_of_the_recorder(tmp_path: Path, length: float) -> None:
    frames = without(traffic(body(), 0, 120), 40, 40 + length)
    report = quality(tmp_path, frames)
    assert causes(report) == [("", GapCause.SILENCE)]
    (gap,) = report.gaps
    assert seconds(gap.span.lo) == pytest.approx(40, abs=0.02)
    assert seconds(gap.span.hi) == pytest.approx(40 + length, abs=0.02)
    assert (report.sleeps, report.losses) == ((), ())


@pytest.mark.parametrize("jitter", [0.0, 0.02, 0.05])
@pytest.mark.parametrize("seed", range(5))
def test_a_hole_is_a_gap_whatever_the_phases_and_jitter(tmp_path: Path, jitter: float, seed: int) -> None:
    ids = [replace(one, jitter=jitter) for one in body(seed=seed)]
    report = quality(tmp_path, without(traffic(ids, 0, 90, seed=seed), 40.5 + seed / 7, 51 + seed / 3))
    assert len(report.gaps) == 1
    assert report.sleeps == ()


def test_a_file_whose_second_half_is_ten_seconds_later_has_a_gap(tmp_path: Path) -> None:
    report = quality(tmp_path, shifted(traffic(body(), 0, 120), 60, 10))
    assert len(report.gaps) == 1
    assert report.sleeps == ()


@pytest.mark.parametrize("jump", [3.3337, 10.037, 3600.0473, 1_000_000.123])
def test_a_clock_set_forward_is_a_clock_jump(tmp_path: Path, jump: float) -> None:
    report = quality(tmp_path, shifted(traffic(body(), 0, 120), 60, jump))
    assert causes(report) == [("", GapCause.CLOCK_JUMP)]


@pytest.mark.parametrize("length", [5, 60, 3600, 8 * 3600])
@pytest.mark.parametrize("seed", range(4))
def test_an_orderly_sleep_is_no_gap(tmp_path: Path, length: float, seed: int) -> None:
    ids = body(seed=seed)
    report = quality(tmp_path, night(ids, 60, 60 + length, 120 + length))
    assert report.gaps == ()
    (sleep,) = report.sleeps
    assert sleep.channel == "can0"
    assert seconds(sleep.span.lo) == pytest.approx(60, abs=1.5)
    assert seconds(sleep.span.hi) == pytest.approx(60 + length, abs=0.2)
    assert report.losses == ()


@pytest.mark.parametrize("seed", range(6))
def test_nodes_that_stop_at_once_and_start_out_of_step_slept(tmp_path: Path, seed: int) -> None:
    ids = body(seed=seed)
    frames = traffic(ids, 0, 60) + traffic(restarted(ids, 100, seed=seed), 100, 160)
    report = quality(tmp_path, frames)
    assert report.gaps == ()
    assert len(report.sleeps) == 1


def test_a_frame_alone_in_a_sleep_does_not_end_it(tmp_path: Path) -> None:
    ids = body()
    alone = [Sent(at(200), b"\x01", 0x7F0), Sent(at(300), b"\x01", 0x7F0)]
    frames = stopped(ids, 0, 60) + alone + traffic(restarted(ids, 400), 400, 460)
    report = quality(tmp_path, frames)
    assert report.gaps == ()
    assert [round(seconds(one.span.hi)) for one in report.sleeps] == [200, 300, 400]


def test_a_hole_after_a_sleep_is_still_a_gap(tmp_path: Path) -> None:
    frames = without(night(body(), 60, 300, 420), 350, 362.2)
    report = quality(tmp_path, frames)
    assert [round(seconds(one.span.hi)) for one in report.sleeps] == [300]
    assert [(round(seconds(one.span.lo)), one.cause) for one in report.gaps] == [(350, GapCause.SILENCE)]


def test_a_channel_may_sleep_while_another_goes_on(tmp_path: Path) -> None:
    other = traffic(body("can1", seed=9, first_id=0x400), 0, 200)
    report = quality(tmp_path, sorted(night(body(), 60, 120, 200) + other, key=lambda one: one.t))
    assert report.gaps == ()
    assert [one.channel for one in report.sleeps] == ["can0"]


def test_a_channel_that_falls_silent_in_step_while_another_goes_on_is_a_gap_of_that_channel(tmp_path: Path) -> None:
    both = traffic([*body(), *body("can1", seed=9, first_id=0x400)], 0, 120)
    report = quality(tmp_path, without(both, 50, 63.3, "can0"))
    assert causes(report) == [("can0", GapCause.CHANNEL_SILENT)]
    assert report.sleeps == ()


def test_a_recorder_that_stands_still_makes_a_gap_for_quiet_channels_too(tmp_path: Path) -> None:
    sparse = [Sent(at(7 * number + 1.5), b"\x01", 0x7F0, "can1") for number in range(17)]
    both = sorted([*traffic(body(), 0, 120), *sparse], key=lambda one: one.t)
    plan = ReadPlan((MessagePlan(MessageKey("can1", 0x7F0), mask=0xFF),))
    outcome = read(write(tmp_path / "a.log", without(both, 50, 64.4)), plan)
    assert causes(outcome.report) == [("", GapCause.SILENCE)]
    assert [round(seconds(row.sent.t)) for row in outcome.rows if row.why is Why.FIRST] == [2, 64]


def test_silence_too_poor_to_tell_is_treated_as_a_gap(tmp_path: Path) -> None:
    one = [Cyclic(0x100, 100)]
    frames = traffic(one, 0, 30) + traffic([Cyclic(0x100, 100, phase=80_033)], 80, 120)
    assert causes(quality(tmp_path, frames)) == [("can0", GapCause.UNDECIDED)]


def test_a_recorder_that_was_off_for_hours_is_treated_as_a_gap(tmp_path: Path) -> None:
    """All ids stop at once and are all back within a period: no node fell asleep, the phases are long lost."""
    ids = [replace(one, period=one.period * (1 + at_ * 3e-6)) for at_, one in enumerate(body())]
    frames = without(traffic(ids, 0, 30), 20, 30) + traffic(ids, 14_400, 14_430)
    report = quality(tmp_path, frames)
    assert report.sleeps == ()
    assert len(report.gaps) == 1


def test_a_network_of_event_messages_is_simply_quiet(tmp_path: Path) -> None:
    rng = random.Random(3)
    moments = sorted(rng.uniform(0, 7200) for _ in range(300))
    report = quality(tmp_path, [Sent(at(t), b"\x01", rng.choice((0x100, 0x200, 0x300))) for t in moments])
    assert (report.gaps, report.sleeps, report.losses) == ((), (), ())


def test_drop_note_makes_a_gap_on_its_channel_only(tmp_path: Path) -> None:
    frames = traffic([*body(), *body("can1", seed=9, first_id=0x400)], 0, 20)
    lines = [text_line(one) for one in frames]
    middle = len(lines) // 2
    lines.insert(middle, "DROPCOUNT: dropped 5 CAN frames on 'can1' socket (total drops 5)")
    path = tmp_path / "a.log"
    path.write_text("\n".join(lines) + "\n")
    report = read(path).report
    before = max(one.t for one in frames[:middle] if one.channel == "can1")
    after = min(one.t for one in frames[middle:] if one.channel == "can1")
    assert report.gaps == (Gap("can1", Interval(before, after), GapCause.DROP_NOTE, 5),)


def test_drop_notes_at_both_ends_reach_to_the_ends(tmp_path: Path) -> None:
    note = "DROPCOUNT: dropped 2 CAN frames on 'can0' socket (total drops 2)"
    frames = traffic(body(), 0, 5)
    path = tmp_path / "a.log"
    path.write_text("\n".join([note, *(text_line(one) for one in frames), note, note]) + "\n")
    report = read(path).report
    first, last = frames[0].t, frames[-1].t
    assert report.gaps == (
        Gap("can0", Interval(first, first), GapCause.DROP_NOTE, 2),
        Gap("can0", Interval(last, last), GapCause.DROP_NOTE, 4),
    )


def rows_of(tmp_path: Path, frames: list[Sent]) -> Outcome:
    """Frames read with a plan for id 120."""
    return read(write(tmp_path / "a.log", frames), PLAN)


def test_after_a_gap_nothing_is_known_before(tmp_path: Path) -> None:
    outcome = rows_of(tmp_path, without(traffic(body(), 0, 120), 40, 52.1))
    assert [(row.why, row.previous) for row in outcome.rows] == [(Why.FIRST, NO_TIME), (Why.FIRST, NO_TIME)]
    assert seconds(outcome.rows[1].sent.t) == pytest.approx(52.1, abs=0.11)


def test_after_a_sleep_the_frame_before_is_known(tmp_path: Path) -> None:
    frames = night(body(), 60, 300, 320)
    outcome = rows_of(tmp_path, frames)
    assert [row.why for row in outcome.rows] == [Why.FIRST, Why.AFTER_SILENCE]
    before = max(one.t for one in frames if one.can_id == 0x120 and one.t < at(200))
    assert outcome.rows[1].previous == outcome.rows[1].previous_page == before


def test_the_gap_comes_no_later_than_the_rows_after_it_and_lies_before_the_watermark(tmp_path: Path) -> None:
    frames = without(traffic(body(), 0, 600), 300, 312.1)
    outcome = rows_of(tmp_path, frames)
    told: list[Gap] = []
    for batch in outcome.batches:
        told += batch.gaps
        assert all(gap.span.hi <= batch.watermark for gap in batch.gaps)
        late = [t for t in batch.t.tolist() if t >= at(312)]
        assert not late or told
    assert tuple(told) == outcome.report.gaps


def test_a_silence_near_the_end_waits_for_what_there_is(tmp_path: Path) -> None:
    frames = without(traffic(body(), 0, 60.8), 40, 60.2)
    assert len(quality(tmp_path, frames).gaps) == 1


def test_statistics_leave_out_sleep_and_gaps(tmp_path: Path) -> None:
    frames = without(night(body(), 60, 300, 420), 350, 362.2)
    report = quality(tmp_path, frames)
    fastest = next(one for one in report.ids if one.can_id == 0x100)
    assert fastest.max_gap is not None
    assert fastest.max_gap < ms(25)
    assert fastest.mean_gap == pytest.approx(ms(20), rel=0.01)
    assert fastest.period == pytest.approx(ms(20), rel=0.01)


def test_lost_frames_of_cyclic_ids_are_found_one_by_one(tmp_path: Path) -> None:
    frames = traffic(body(), 0, 200)
    rng = random.Random(8)
    gone = {number for number in range(2000, len(frames)) if rng.random() < 0.01}
    report = quality(tmp_path, [one for number, one in enumerate(frames) if number not in gone])
    assert sum(loss.missing for loss in report.losses) == pytest.approx(len(gone), abs=4)
    assert (report.gaps, report.sleeps) == ((), ())
    for loss in report.losses:
        inside = [number for number in gone if frames[number].can_id == loss.can_id]
        assert any(loss.span.lo < frames[number].t < loss.span.hi for number in inside)


def test_traffic_without_loss_has_none(tmp_path: Path) -> None:
    ids = [replace(one, jitter=0.15) for one in body()]
    assert quality(tmp_path, traffic(ids, 0, 200)).losses == ()


def test_a_stated_period_counts_from_the_first_frame_on(tmp_path: Path) -> None:
    frames = [Sent(at(t / 10), b"\x01") for t in range(10) if t not in (2, 3)]
    plan = ReadPlan((MessagePlan(MessageKey(None, 0x100), mask=0xFF, period=ms(100)),))
    (loss,) = read(write(tmp_path / "a.log", frames), plan).report.losses
    assert (loss.span, loss.missing) == (Interval(at(0.1), at(0.4)), 2)


def test_a_stated_period_that_the_bus_contradicts_is_not_believed(tmp_path: Path) -> None:
    frames = [Sent(at(t), b"\x01") for t in range(100)]
    plan = ReadPlan((MessagePlan(MessageKey(None, 0x100), mask=0xFF, period=ms(100)),))
    assert len(read(write(tmp_path / "a.log", frames), plan).report.losses) < 10


def test_an_id_that_pauses_for_long_has_not_lost_frames(tmp_path: Path) -> None:
    """A message that is only sent with the ignition on."""
    rest = body()[1:]
    frames = traffic(rest, 0, 300) + traffic([Cyclic(0x100, 20)], 0, 60) + traffic([Cyclic(0x100, 20)], 200, 300)
    report = quality(tmp_path, sorted(frames, key=lambda one: one.t))
    assert (report.losses, report.gaps, report.sleeps) == ((), (), ())


def test_a_slower_rhythm_is_no_loss(tmp_path: Path) -> None:
    """A message that is sent every 100 ms while something moves, then every 400 ms."""
    moments = [n / 10 for n in range(200)] + [20 + n * 0.4 for n in range(100)]
    moments += [60 + n / 10 for n in range(200)] + [80 + n * 0.4 for n in range(100)]
    report = quality(tmp_path, [Sent(at(t), b"\x01") for t in moments])
    assert report.losses == ()


def test_losses_beyond_a_hundred_of_an_id_are_counted_in_one(tmp_path: Path) -> None:
    frames = [Sent(at(t / 10), b"\x01") for t in range(3000) if t < 50 or t % 10]
    report = quality(tmp_path, frames)
    assert len(report.losses) == 101
    assert sum(loss.missing for loss in report.losses) == 295


def test_a_silence_across_a_step_back_is_a_new_segment_only(tmp_path: Path) -> None:
    ids = body()
    report = quality(tmp_path, traffic(ids, 100, 160) + traffic(ids, 0, 60))
    assert (report.gaps, report.sleeps, report.losses) == ((), (), ())
    assert len(report.segments) == 2


def test_sleeps_are_told_in_batches_as_in_the_report(tmp_path: Path) -> None:
    outcome = rows_of(tmp_path, night(body(), 60, 300, 320))
    told: list[Sleep] = [sleep for batch in outcome.batches for sleep in batch.sleeps]
    assert tuple(told) == outcome.report.sleeps
