"""One time order out of several files and channels, small disorder sorted, steps back as new segments."""

from __future__ import annotations

import random
from pathlib import Path

from pytest import MonkeyPatch

from latchtrace.capture import order
from latchtrace.capture.reader import find_captures, read_frames, scan
from latchtrace.model.frames import Why
from latchtrace.model.plan import Emit, MessageKey, MessagePlan, ReadPlan
from latchtrace.model.time import NO_TIME, SECOND
from support.captures import ZERO, at, body, read, traffic, write
from support.rows import Sent

EVERY = ReadPlan(tuple(MessagePlan(MessageKey(None, number), emit=Emit.ALWAYS) for number in (0x100, 0x200)))


def sent(*moments: float, can_id: int = 0x100, channel: str = "can0") -> list[Sent]:
    """Frames at these seconds; the payload numbers them as they stand in the file."""
    return [Sent(at(value), bytes([number]), can_id, channel) for number, value in enumerate(moments)]


def order_read(*paths: Path) -> list[tuple[int, int]]:
    """File and line of every frame, in the order they are read."""
    return [(file, frame.line) for file, frame in read_frames(find_captures([str(path) for path in paths]))]


def test_frames_up_to_a_second_late_are_put_in_their_place(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", sent(1, 3, 2, 2.5, 4, 3.2, 5))
    assert [line for _, line in order_read(path)] == [1, 3, 4, 2, 6, 5, 7]
    report = scan(find_captures([str(path)]))
    assert (report.out_of_order, len(report.segments)) == (3, 1)


def test_exactly_a_second_late_is_small_disorder_and_more_is_a_new_segment(tmp_path: Path) -> None:
    small = scan(find_captures([str(write(tmp_path / "a.log", sent(1, 3, 2)))]))
    assert (small.out_of_order, len(small.segments)) == (1, 1)
    large = scan(find_captures([str(write(tmp_path / "b.log", [*sent(1, 3), Sent(at(2) - 1000, b"")]))]))
    assert (large.out_of_order, len(large.segments)) == (0, 2)


def test_segments_have_their_own_spans_and_batches_and_nothing_known_before(tmp_path: Path) -> None:
    frames = sent(10, 11, 12, 3, 4, 5, 1, 2)
    outcome = read(write(tmp_path / "a.log", frames), EVERY)
    assert [(one.index, one.span.lo, one.span.hi) for one in outcome.report.segments] == [
        (0, at(10), at(12)),
        (1, at(3), at(5)),
        (2, at(1), at(2)),
    ]
    assert [(row.sent.t, row.why) for row in outcome.rows if row.why is Why.FIRST] == [
        (at(10), Why.FIRST),
        (at(3), Why.FIRST),
        (at(1), Why.FIRST),
    ]
    assert [row.previous for row in outcome.rows if row.why is Why.FIRST] == [NO_TIME] * 3
    assert [batch.segment for batch in outcome.batches if len(batch)] == [0, 1, 2]


def test_a_step_back_inside_a_larger_file_keeps_every_frame(tmp_path: Path) -> None:
    first, second = traffic(body(), 100, 200), traffic(body(), 20, 120)
    outcome = read(write(tmp_path / "a.log", first + second), EVERY)
    assert outcome.report.frames == len(first) + len(second)
    assert sum(one.frames for one in outcome.report.ids) == len(first) + len(second)
    assert [one.span.lo for one in outcome.report.segments] == [first[0].t, second[0].t]
    assert [one.span.hi for one in outcome.report.segments] == [first[-1].t, second[-1].t]


def test_files_are_merged_by_time_and_equal_times_keep_the_order_of_files(tmp_path: Path) -> None:
    one = write(tmp_path / "a.log", sent(1, 2, 2, 5))
    other = write(tmp_path / "b.log", sent(0.5, 2, 3, 6))
    assert order_read(one, other) == [(1, 1), (0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (0, 4), (1, 4)]


def test_one_capture_cut_in_files_reads_as_the_whole(tmp_path: Path) -> None:
    frames = traffic([*body(), *body("can1", seed=7)], 0, 30)
    whole = read(write(tmp_path / "whole.log", frames), EVERY)
    thirds = len(frames) // 3
    parts = [frames[:thirds], frames[thirds : 2 * thirds], frames[2 * thirds :]]
    paths = [write(tmp_path / f"{3 - number}.log", part) for number, part in enumerate(parts)]
    cut = read(paths[::-1], EVERY)
    assert cut.rows == whole.rows
    assert cut.report.ids == whole.report.ids
    assert (cut.report.gaps, cut.report.sleeps, cut.report.losses) == ((), (), ())


def test_one_capture_cut_by_channel_reads_as_the_whole(tmp_path: Path) -> None:
    frames = traffic([*body(), *body("can1", seed=7)], 0, 30)
    whole = read(write(tmp_path / "whole.log", frames), EVERY)
    paths = [
        write(tmp_path / f"{name}.log", [frame for frame in frames if frame.channel == name])
        for name in ("can0", "can1")
    ]
    cut = read(paths, EVERY)
    assert sorted(cut.rows) == sorted(whole.rows)
    assert cut.report.ids == whole.report.ids
    files = {row.channel: row.file for row in cut.store}
    assert files == {"can0": 0, "can1": 1}


def test_segments_of_several_files_are_merged_one_by_one(tmp_path: Path) -> None:
    one = write(tmp_path / "a.log", sent(10, 11, 1, 2))
    other = write(tmp_path / "b.log", sent(10.5, 11.5, 12.5))
    assert order_read(one, other) == [(0, 1), (1, 1), (0, 2), (1, 2), (1, 3), (0, 3), (0, 4)]
    assert len(scan(find_captures([str(one), str(other)])).segments) == 2


def test_what_is_held_for_sorting_is_bounded(tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    monkeypatch.setattr(order, "MOST_HELD", 100)
    rng = random.Random(5)
    frames = sorted((Sent(ZERO + rng.randrange(SECOND // 2000) * 1000, b"", 0x100) for _ in range(9000)), key=_time)
    outcome = read(write(tmp_path / "a.log", frames), EVERY)
    assert [row.sent.t for row in outcome.rows] == [frame.t for frame in frames]


def test_frames_with_one_and_the_same_time_are_not_held_for_ever(tmp_path: Path, monkeypatch: MonkeyPatch) -> None:
    monkeypatch.setattr(order, "MOST_HELD", 100)
    path = write(tmp_path / "a.log", [Sent(ZERO, bytes([number % 256]), 0x100) for number in range(9000)])
    assert [row.sent.data[0] for row in read(path, EVERY).rows] == [number % 256 for number in range(9000)]


def test_bounds_are_kept_at_both_ends(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", sent(1, 2, 3, 4, 5))
    outcome = read(path, EVERY, start=at(2), end=at(4))
    assert [row.sent.t for row in outcome.rows] == [at(2), at(3), at(4)]
    assert outcome.rows[0].why is Why.FIRST
    assert outcome.report.segments[0].span.lo == at(2)
    assert outcome.report.files[0].frames == 5


def _time(frame: Sent) -> int:
    return frame.t
