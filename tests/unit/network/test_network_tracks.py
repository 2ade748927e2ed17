"""Tracks by hand: what each row says, where knowledge breaks off, and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from latchtrace.model.frames import FrameFlags, Gap, GapCause, IdStatistics, Segment, Sleep
from latchtrace.model.network import Onset, SignalRef, SignalTrack, Tracks, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import MILLISECOND, NO_TIME, Interval
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.planning import message_plan
from latchtrace.network.tracks import TrackBuilder, TrackRequest
from support.dbc import message, signal
from support.rows import Sent, batch, let_through

MS = MILLISECOND
SPEC = message(signal("Latch", 0, 2), signal("Speed", 8, 16), signal("Alive", 28, 4))
CYCLIC = MessageUse("M", None, SendType.CYCLIC, period=100 * MS)
BOTH = MessageUse("M", None, SendType.CYCLIC_AND_ON_CHANGE, period=100 * MS, latency=10 * MS)
ON_CHANGE = MessageUse("M", None, SendType.ON_CHANGE, latency=10 * MS)
EVENT = MessageUse("M", None, SendType.EVENT, latency=10 * MS)
LATCH = SignalRef("M", "Latch")

K, A, L = Validity.KNOWN, Validity.ABSENT, Validity.LOST
C, F, R = Onset.CHANGED, Onset.FIRST_SEEN, Onset.REPEATED


def sent(t: int, latch: int, *, alive: int = 0, length: int = 8, channel: str = "can0") -> Sent:
    """A frame at t milliseconds."""
    return Sent(t * MS, bytes([latch, 0, 0, alive << 4, 0, 0, 0, 0])[:length], channel=channel)


def gap(lo: int, hi: int, channel: str = "") -> Gap:
    return Gap(channel, Interval(lo * MS, hi * MS), GapCause.SILENCE)


def sleep(lo: int, hi: int) -> Sleep:
    return Sleep("can0", Interval(lo * MS, hi * MS))


def built(  # what a reading of these frames gives
    use: MessageUse,
    frames: Sequence[Sent],
    end: int,
    *,
    gaps: Sequence[Gap] = (),
    sleeps: Sequence[Sleep] = (),
    ids: Sequence[IdStatistics] = (),
    every: bool = False,
    uncertainty: int = 0,
    channel: str | None = None,
) -> Tracks:
    plan = message_plan(SPEC, use, ["Latch"], channel, every)
    rows = let_through(frames, [plan], gaps)
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey(channel, SPEC.can_id), SPEC, use, every)], uncertainty * MS)
    builder.add(batch(rows, end * MS, gaps=gaps, sleeps=sleeps), 10)
    (tracks,) = builder.finish(ids=ids)
    return tracks


def rows_of(track: SignalTrack) -> list[tuple[float, float, int, int, int]]:
    """(from, to, raw, validity, onset) of each row, times in milliseconds; an open lower end reads .000001 late."""
    return [
        (
            int(track.t_lo[i]) / MS,
            int(track.t_hi[i]) / MS,
            int(track.raw[i]),
            int(track.validity[i]),
            int(track.onset[i]),
        )
        for i in range(len(track))
    ]


def after(t: int) -> float:
    """The first nanosecond after t milliseconds, in milliseconds."""
    return (t * MS + 1) / MS


def cyclic(values: Sequence[int], start: int = 0) -> list[Sent]:
    return [sent(start + 100 * i, value) for i, value in enumerate(values)]


def test_a_cyclic_change_lies_after_the_frame_before() -> None:
    track = built(CYCLIC, cyclic([1, 1, 1, 2, 2, 1]), 550).tracks[LATCH]
    assert rows_of(track) == [
        (0, 0, 1, K, F),
        (after(200), 300, 2, K, C),
        (after(400), 500, 1, K, C),
    ]
    assert track.row.tolist() == [10, 11, 12]
    assert track.value.tolist() == [1.0, 2.0, 1.0]
    assert track.known_until == 550 * MS
    assert track.silences == ()


def test_a_missing_cyclic_frame_is_a_silence_and_widens_the_interval() -> None:
    frames = [frame for frame in cyclic([1, 1, 1, 2, 2]) if frame.t != 200 * MS]
    track = built(CYCLIC, frames, 450).tracks[LATCH]
    assert rows_of(track)[1] == (after(100), 300, 2, K, C)
    assert track.silences == (Interval(100 * MS + 1, 300 * MS),)


def test_off_its_cycle_a_change_lies_within_the_latency() -> None:
    frames = [sent(0, 1), sent(100, 1), sent(130, 2), sent(200, 2), sent(300, 3)]
    track = built(BOTH, frames, 350).tracks[LATCH]
    assert rows_of(track) == [(0, 0, 1, K, F), (after(120), 130, 2, K, C), (after(200), 300, 3, K, C)]


def test_the_latency_never_reaches_past_the_frame_before() -> None:
    track = built(ON_CHANGE, [sent(0, 1), sent(500, 2), sent(504, 3)], 600).tracks[LATCH]
    assert rows_of(track)[1:] == [(after(490), 500, 2, K, C), (after(500), 504, 3, K, C)]


def test_every_event_frame_gives_a_row_the_first_one_too() -> None:
    track = built(EVENT, [sent(100, 2), sent(120, 2), sent(900, 1), sent(5000, 1)], 6000).tracks[LATCH]
    assert rows_of(track) == [
        (after(90), 100, 2, K, F),
        (after(110), 120, 2, K, R),
        (after(890), 900, 1, K, C),
        (after(4990), 5000, 1, K, R),
    ]


def test_a_message_asked_for_whole_gives_a_row_at_each_frame() -> None:
    track = built(CYCLIC, cyclic([1, 1, 2]), 250, every=True).tracks[LATCH]
    assert [row[4] for row in rows_of(track)] == [F, R, C]
    assert len(built(CYCLIC, cyclic([1, 1, 2]), 250).tracks[LATCH]) == 2


def test_over_a_gap_the_value_is_lost_and_then_seen_anew() -> None:
    frames = [*cyclic([1, 2]), *cyclic([2, 3], start=2000)]
    track = built(CYCLIC, frames, 2150, gaps=[gap(100, 2000)]).tracks[LATCH]
    assert rows_of(track) == [
        (0, 0, 1, K, F),
        (after(0), 100, 2, K, C),
        (100, 100, 0, L, C),
        (2000, 2000, 2, K, F),
        (after(2000), 2100, 3, K, C),
    ]
    assert track.row.tolist() == [10, 11, -1, 12, 13]
    assert np.isnan(track.value[2])
    assert track.silences == ()


def test_a_gap_of_another_channel_takes_nothing() -> None:
    frames = cyclic([1] * 10)
    tracks = built(CYCLIC, frames, 950, gaps=[gap(300, 500, "can1")])
    assert [row[3] for row in rows_of(tracks.tracks[LATCH])] == [K]
    assert tracks.blind == (("can1", Interval(300 * MS, 500 * MS)),)


def test_gaps_in_a_row_lose_the_value_once() -> None:
    frames = [*cyclic([1]), *cyclic([1], start=9000)]
    gaps = [gap(0, 2000), gap(2500, 4000), gap(5000, 8000)]
    track = built(CYCLIC, frames, 9050, gaps=gaps).tracks[LATCH]
    assert [(row[1], row[3]) for row in rows_of(track)] == [(0, K), (0, L), (9000, K)]


def test_a_capture_that_ends_in_a_gap_knows_nothing_from_its_start() -> None:
    track = built(CYCLIC, cyclic([1, 1]), 5000, gaps=[gap(100, 5000)]).tracks[LATCH]
    assert rows_of(track)[-1] == (100, 100, 0, L, C)
    assert track.known_until == 100 * MS


def test_what_changed_in_a_sleep_lies_between_the_last_and_the_first_frame() -> None:
    frames = [*cyclic([1, 1]), *cyclic([2, 2], start=60_000)]
    track = built(CYCLIC, frames, 60_150, sleeps=[sleep(100, 60_000)]).tracks[LATCH]
    assert rows_of(track) == [(0, 0, 1, K, F), (after(100), 60_000, 2, K, C)]
    assert track.silences == ()


def test_what_held_over_a_sleep_is_not_lost() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=60_000)]
    track = built(CYCLIC, frames, 60_150, sleeps=[sleep(150, 59_900)]).tracks[LATCH]
    assert rows_of(track) == [(0, 0, 1, K, F)]


def test_nodes_that_stop_before_a_sleep_and_start_after_it_lose_nothing() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=60_000)]
    track = built(CYCLIC, frames, 60_150, sleeps=[sleep(3_000, 59_000)]).tracks[LATCH]
    assert [row[3] for row in rows_of(track)] == [K]
    assert track.silences == ()


def test_a_message_silent_long_before_a_sleep_is_lost() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=60_000)]
    track = built(CYCLIC, frames, 60_150, sleeps=[sleep(30_000, 59_900)]).tracks[LATCH]
    assert rows_of(track)[1:] == [(1100, 1100, 0, L, C), (60_000, 60_000, 1, K, F)]
    assert track.silences == (Interval(100 * MS + 1, 30_000 * MS),)


def test_an_on_change_frame_of_a_start_up_tells_what_changed_in_the_sleep() -> None:
    frames = [sent(0, 1), sent(60_300, 2), sent(90_000, 1)]
    track = built(ON_CHANGE, frames, 95_000, sleeps=[sleep(5_000, 60_000)]).tracks[LATCH]
    assert rows_of(track)[1:] == [(after(4_990), 60_300, 2, K, C), (after(89_990), 90_000, 1, K, C)]
    late = built(ON_CHANGE, [sent(0, 1), sent(63_000, 2)], 95_000, sleeps=[sleep(5_000, 60_000)]).tracks[LATCH]
    assert rows_of(late)[1] == (after(62_990), 63_000, 2, K, C)


def test_a_cyclic_message_silent_for_over_ten_periods_is_lost_and_seen_anew() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=1150)]
    track = built(CYCLIC, frames, 1300).tracks[LATCH]
    assert rows_of(track)[1:] == [(1100, 1100, 0, L, C), (1150, 1150, 1, K, F)]
    assert track.silences == (Interval(100 * MS + 1, 1150 * MS),)
    held = built(CYCLIC, [*cyclic([1, 1]), *cyclic([1, 1], start=1100)], 1300).tracks[LATCH]
    assert len(held) == 1


def statistics(last: int, frames: int, channel: str = "can0") -> IdStatistics:
    return IdStatistics(channel, 0x100, False, frames, 0, last * MS, (8,), None, None, None, None, 0, 0)


def test_a_message_that_stops_before_the_end_is_lost_where_the_statistics_tell() -> None:
    tracks = built(CYCLIC, cyclic([1] * 5), 10_000, ids=[statistics(400, 5)])
    track = tracks.tracks[LATCH]
    assert rows_of(track)[1:] == [(1400, 1400, 0, L, C)]
    assert track.known_until == 1400 * MS
    assert track.silences == (Interval(400 * MS + 1, 10_000 * MS),)
    assert tracks.seen[MessageKey(None, 0x100)] == Interval(0, 400 * MS)
    assert tracks.frames[MessageKey(None, 0x100)] == 5


def test_without_statistics_a_cyclic_message_counts_as_seen_to_the_end() -> None:
    tracks = built(CYCLIC, cyclic([1] * 5), 450)
    assert tracks.seen == {MessageKey(None, 0x100): Interval(0, 450 * MS)}
    assert built(CYCLIC, [], 450).seen == {MessageKey(None, 0x100): None}
    assert len(built(CYCLIC, [], 450).tracks[LATCH]) == 0
    assert built(EVENT, [sent(100, 1)], 450).seen == {MessageKey(None, 0x100): Interval.at(100 * MS)}


def test_a_short_frame_makes_the_value_absent_until_the_next_whole_one() -> None:
    spec_frames = [sent(0, 1), sent(100, 1, length=0), sent(200, 1, length=0), sent(300, 1), sent(400, 2, length=0),
                   sent(500, 2)]  # fmt: skip
    track = built(CYCLIC, spec_frames, 550).tracks[LATCH]
    assert rows_of(track) == [
        (0, 0, 1, K, F),
        (after(0), 100, 0, A, C),
        (after(0), 300, 1, K, F),
        (after(300), 400, 0, A, C),
        (after(300), 500, 2, K, C),
    ]


def test_lost_event_frames_show_in_the_alive_counter() -> None:
    use = replace(EVENT, counter="Alive")
    frames = [sent(0, 1, alive=14), sent(100, 1, alive=15), sent(200, 1, alive=0), sent(300, 1, alive=3),
              sent(400, 1, alive=3)]  # fmt: skip
    track = built(use, frames, 500).tracks[LATCH]
    assert track.silences == (Interval(200 * MS + 1, 300 * MS),)
    assert built(EVENT, frames, 500).tracks[LATCH].silences == ()


def test_a_counter_with_a_stated_modulus_wraps_there() -> None:
    use = replace(EVENT, counter="Alive", counter_modulus=15)
    frames = [sent(0, 1, alive=13), sent(100, 1, alive=14), sent(200, 1, alive=0), sent(300, 1, alive=15),
              sent(400, 1, alive=1)]  # fmt: skip
    assert built(use, frames, 500).tracks[LATCH].silences == ()
    assert built(replace(use, counter_modulus=None), frames, 500).tracks[LATCH].silences != ()


def test_a_counter_may_start_anew_after_a_sleep_or_a_gap() -> None:
    use = replace(EVENT, counter="Alive")
    frames = [sent(0, 1, alive=3), sent(60_000, 1, alive=9)]
    assert built(use, frames, 60_100, sleeps=[sleep(1_000, 59_990)]).tracks[LATCH].silences == ()
    assert built(use, frames, 60_100, gaps=[gap(1_000, 59_990)]).tracks[LATCH].silences == ()
    assert len(built(use, frames, 60_100).tracks[LATCH].silences) == 1


def test_a_lost_on_change_frame_leaves_only_the_frame_before_as_bound() -> None:
    use = replace(ON_CHANGE, counter="Alive")
    track = built(use, [sent(0, 1, alive=1), sent(500, 2, alive=2), sent(900, 3, alive=4)], 950).tracks[LATCH]
    assert rows_of(track)[1:] == [(after(490), 500, 2, K, C), (after(500), 900, 3, K, C)]


def test_a_declared_uncertainty_widens_both_ends() -> None:
    track = built(CYCLIC, cyclic([1, 2]), 150, uncertainty=5).tracks[LATCH]
    assert rows_of(track) == [(-5, 5, 1, K, F), (after(-5), 105, 2, K, C)]


def test_not_a_number_is_not_a_new_value_each_time() -> None:
    spec = message(signal("F", 0, 32, is_float=True))
    quiet, other = bytes.fromhex("0000C07F00000000"), bytes.fromhex("0100C07F00000000")
    plan = message_plan(spec, CYCLIC, ["F"], None, True)
    data = [quiet, quiet, quiet, other, bytes(8)]
    frames = let_through([Sent(i * 100 * MS, one) for i, one in enumerate(data)], [plan])
    ref = SignalRef("M", "F")
    builder = TrackBuilder([TrackRequest(ref, MessageKey(None, 0x100), spec, CYCLIC)])
    builder.add(batch(frames, 450 * MS), 0)
    track = builder.finish()[0].tracks[ref]
    assert track.onset.tolist() == [F, C, C]
    assert track.raw.dtype == np.float64
    assert np.isnan(track.raw).tolist() == [True, True, False]


def test_a_message_on_two_channels_is_taken_from_one_and_told() -> None:
    frames = [one for t in (0, 400, 900) for one in (sent(t, t % 3), sent(t + 1, t % 3, channel="can1"))]
    tracks = built(EVENT, frames, 1000)
    assert tracks.tracks[LATCH].t_hi.tolist() == [0, 400 * MS, 900 * MS]
    assert len(tracks.notices) == 1
    assert "can0, can1" in tracks.notices[0]
    named = built(EVENT, frames, 1000, channel="can1")
    assert named.tracks[LATCH].t_hi.tolist() == [1 * MS, 401 * MS, 901 * MS]
    assert named.notices == ()


def test_remote_and_error_frames_and_other_identifiers_are_no_values() -> None:
    plan = message_plan(SPEC, EVENT, ["Latch"], None, False)
    rows = let_through([sent(0, 1), sent(100, 2), sent(200, 3), sent(300, 1)], [plan])
    made = batch(rows, 400 * MS)
    flags = np.array([0, FrameFlags.REMOTE, FrameFlags.ERROR, FrameFlags.EXTENDED], np.uint16)
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey(None, 0x100), SPEC, EVENT)])
    builder.add(replace(made, flags=flags), 0)
    assert builder.finish()[0].tracks[LATCH].raw.tolist() == [1]


def test_frames_with_an_unlisted_multiplexer_value_are_told() -> None:
    spec = message(signal("Page", 0, 4, is_multiplexer=True), signal("A", 8, 8, multiplexers=[("Page", (1,))]))
    plan = message_plan(spec, CYCLIC, ["A"], None, False)
    frames = [Sent(i * 100 * MS, bytes([page, 7, *bytes(6)])) for i, page in enumerate([1, 5, 1, 5])]
    ref = SignalRef("M", "A")
    builder = TrackBuilder([TrackRequest(ref, MessageKey(None, 0x100), spec, CYCLIC)])
    builder.add(batch(let_through(frames, [plan]), 350 * MS), 0)
    (tracks,) = builder.finish()
    assert rows_of(tracks.tracks[ref]) == [(0, 0, 7, K, F)]
    assert tracks.notices == ("M: frames with a multiplexer Page the DBC does not list (5)",)


def test_each_segment_has_tracks_of_its_own() -> None:
    plan = message_plan(SPEC, CYCLIC, ["Latch"], None, False)
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey(None, 0x100), SPEC, CYCLIC)])
    first, second = let_through(cyclic([1, 2]), [plan]), let_through(cyclic([2, 2]), [plan])
    builder.add(batch(first, 150 * MS), 0)
    builder.add(batch(second, 120 * MS, segment=1), 2)
    segments = [Segment(i, Interval(-50 * MS, 150 * MS)) for i in range(3)]
    tracks = builder.finish(segments=segments)
    assert [one.segment for one in tracks] == [0, 1, 2]
    assert [row[4] for row in rows_of(tracks[1].tracks[LATCH])] == [F]
    assert tracks[1].span == Interval(-50 * MS, 150 * MS)
    assert tracks[2].seen == {MessageKey(None, 0x100): None}


def test_payloads_of_different_widths_join() -> None:
    spec = message(signal("Z", 504, 8), length=64)
    use = replace(EVENT)
    ref = SignalRef("M", "Z")
    plan = message_plan(spec, use, ["Z"], None, False)
    rows = let_through([Sent(0, bytes(63) + b"\x05"), Sent(MS, bytes(8)), Sent(2 * MS, bytes(63) + b"\x06")], [plan])
    builder = TrackBuilder([TrackRequest(ref, MessageKey(None, 0x100), spec, use)])
    builder.add(batch(rows[:1], 0, width=64), 0)
    builder.add(batch(rows[1:2], MS), 1)
    builder.add(batch(rows[2:], 2 * MS, width=64), 2)
    track = builder.finish()[0].tracks[ref]
    assert track.raw.tolist() == [5, 0, 6]
    assert track.validity.tolist() == [K, A, K]


@pytest.mark.parametrize("send", list(SendType))
def test_nothing_known_before_means_no_bound_but_the_latency(send: SendType) -> None:
    track = built(replace(BOTH, send=send), [sent(1000, 1)], 1050).tracks[LATCH]
    cyclic_kind = send in (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)
    assert rows_of(track) == [(1000 if cyclic_kind else after(990), 1000, 1, K, F)]


def test_a_million_rows_are_laid_out_in_seconds() -> None:
    import time

    count = 1_000_000
    rng = np.random.default_rng(1)
    t = np.arange(count, dtype=np.int64) * 10 * MS
    payload = rng.integers(0, 256, (count, 8)).astype(np.uint8)
    small = batch([], 0)
    made = replace(
        small, t=t, file=np.zeros(count, np.uint16), channel=np.zeros(count, np.uint16),
        can_id=np.full(count, 0x100, np.uint32), flags=np.zeros(count, np.uint16), why=np.full(count, 4, np.uint8),
        length=np.full(count, 8, np.uint8), payload=payload, line=t, offset=t,
        previous=np.concatenate([[NO_TIME], t[:-1]]), previous_page=np.concatenate([[NO_TIME], t[:-1]]),
        watermark=int(t[-1]),
    )  # fmt: skip
    use = replace(CYCLIC, period=10 * MS)
    refs = [SignalRef("M", one.name) for one in SPEC.signals]
    builder = TrackBuilder([TrackRequest(ref, MessageKey(None, 0x100), SPEC, use) for ref in refs])
    started = time.process_time()
    builder.add(made, 0)
    (tracks,) = builder.finish()
    assert time.process_time() - started < 5
    speed = tracks.tracks[SignalRef("M", "Speed")]
    assert len(speed) > 0.99 * count
    assert (speed.t_hi[1:] - speed.t_lo[1:] < 100 * MS).all()
