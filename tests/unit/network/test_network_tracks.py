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


def test_a_message_that_stops_shortly_before_the_end_may_have_gone_to_sleep() -> None:
    tracks = built(CYCLIC, cyclic([1] * 5), 5_400, ids=[statistics(400, 5)])
    track = tracks.tracks[LATCH]
    assert [row[3] for row in rows_of(track)] == [K]
    assert track.silences == ()
    assert track.known_until == 400 * MS
    assert tracks.seen[MessageKey(None, 0x100)] == Interval(0, 400 * MS)
    assert built(CYCLIC, cyclic([1] * 5), 5_401, ids=[statistics(400, 5)]).tracks[LATCH].silences != ()


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


PAGED = message(
    signal("Page", 8, 4, is_multiplexer=True),
    signal("A", 0, 4, multiplexers=[("Page", (0,))]),
    signal("Both", 4, 4, multiplexers=[("Page", (0, 1))]),
    signal("Far", 48, 4, multiplexers=[("Page", (0,))]),
)


def paged(t: int, page: int, a: int, *, both: int = 0, length: int = 8) -> Sent:
    return Sent(t * MS, bytes([a | both << 4, page, *bytes(6)])[:length])


def paged_track(name: str, frames: Sequence[Sent], end: int, *, previous_page: int | None = None) -> SignalTrack:
    """The track of one signal of PAGED; `previous_page` overwrites what the reader knew of the last row's page."""
    plan = message_plan(PAGED, CYCLIC, [name], None, False)
    made = batch(let_through(frames, [plan]), end * MS)
    if previous_page is not None:
        made = replace(made, previous_page=np.append(made.previous_page[:-1], previous_page))
    ref = SignalRef("M", name)
    builder = TrackBuilder([TrackRequest(ref, MessageKey(None, 0x100), PAGED, CYCLIC)])
    builder.add(made, 0)
    return builder.finish()[0].tracks[ref]


def test_a_change_on_pages_in_turn_lies_after_the_last_frame_of_its_page() -> None:
    frames = [paged(100 * i, i % 3, 1 if i < 5 else 2) for i in range(8)]
    assert rows_of(paged_track("A", frames, 750)) == [(0, 0, 1, K, F), (after(300), 600, 2, K, C)]


def test_a_signal_on_two_pages_changed_after_the_last_frame_of_either() -> None:
    frames = [paged(100 * i, i % 3, 0, both=1 if i < 5 else 2) for i in range(8)]
    assert rows_of(paged_track("Both", frames, 750)) == [(0, 0, 1, K, F), (after(400), 600, 2, K, C)]


def test_a_page_the_reader_forgot_is_bounded_by_its_last_row() -> None:
    frames = [paged(0, 0, 1), paged(100, 0, 1), paged(200, 0, 2)]
    assert rows_of(paged_track("A", frames, 250, previous_page=NO_TIME))[1] == (after(0), 200, 2, K, C)


def test_a_frame_too_short_to_tell_its_page_takes_nothing_from_pages_in_turn() -> None:
    frames = [paged(0, 0, 1), paged(100, 0, 1, length=1), paged(200, 0, 1), paged(300, 0, 1)]
    assert rows_of(paged_track("A", frames, 350)) == [(0, 0, 1, K, F)]


def test_after_short_frames_of_a_page_a_change_is_bounded_by_the_last_whole_one() -> None:
    frames = [Sent(0, bytes(8)), Sent(100 * MS, bytes(2)), Sent(200 * MS, bytes([0, 0, 0, 0, 0, 0, 5, 0]))]
    assert rows_of(paged_track("Far", frames, 250)) == [
        (0, 0, 0, K, F),
        (after(0), 100, 0, A, C),
        (after(0), 200, 5, K, C),
    ]


def test_pages_in_turn_keep_their_value_over_a_silence_that_the_reader_does_not_end() -> None:
    frames = [paged(0, 0, 1), paged(100, 1, 0), paged(2000, 1, 0), paged(2100, 0, 1), paged(2200, 1, 0)]
    track = paged_track("A", frames, 2250)
    assert rows_of(track) == [(0, 0, 1, K, F)]
    assert track.silences == (Interval(100 * MS + 1, 2000 * MS),)


def test_a_gap_between_short_frames_starts_an_absence_anew() -> None:
    frames = [sent(0, 1), sent(100, 1, length=0), sent(2000, 1, length=0), sent(2100, 1)]
    track = built(CYCLIC, frames, 2150, gaps=[gap(100, 2000)]).tracks[LATCH]
    assert [(row[1], row[3], row[4]) for row in rows_of(track)] == [
        (0, K, F), (100, A, C), (100, L, C), (2000, A, F), (2100, K, F)
    ]  # fmt: skip


def test_where_only_short_frames_came_nothing_is_lost() -> None:
    frames = [sent(0, 1, length=0), sent(2000, 1), sent(2100, 1)]
    track = built(CYCLIC, frames, 2150, gaps=[gap(0, 2000)]).tracks[LATCH]
    assert [(row[1], row[3]) for row in rows_of(track)] == [(0, A), (2000, K)]


def test_a_reader_that_knows_no_frame_before_ends_what_was_known() -> None:
    plan = message_plan(SPEC, replace(EVENT, counter="Alive"), ["Latch"], None, False)
    rows = let_through([sent(0, 1, alive=1), sent(500, 1, alive=9)], [plan])
    forgot = [rows[0], rows[1]._replace(previous=NO_TIME, previous_page=NO_TIME)]
    use = replace(EVENT, counter="Alive")
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey(None, 0x100), SPEC, use)])
    builder.add(batch(forgot, 600 * MS), 0)
    track = builder.finish()[0].tracks[LATCH]
    assert [(row[1], row[3], row[4]) for row in rows_of(track)] == [(0, K, F), (0, L, C), (500, K, F)]
    assert track.silences == ()


def test_counts_from_the_modulus_up_are_no_counts() -> None:
    use = replace(EVENT, counter="Alive", counter_modulus=14)
    frames = [sent(0, 1, alive=5), sent(100, 1, alive=15), sent(200, 1, alive=6)]
    assert built(use, frames, 250).tracks[LATCH].silences == ()


def test_gaps_of_the_channel_and_of_all_that_overlap_are_one() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=1000)]
    gaps = [gap(100, 1000, "can0"), gap(150, 500)]
    track = built(CYCLIC, frames, 1150, gaps=gaps).tracks[LATCH]
    assert [(row[1], row[3]) for row in rows_of(track)] == [(0, K), (100, L), (1000, K)]


def test_a_sleep_of_another_channel_excuses_no_silence() -> None:
    frames = [*cyclic([1, 1]), *cyclic([1, 1], start=60_000)]
    other = Sleep("can1", Interval(100 * MS, 60_000 * MS))
    assert len(built(CYCLIC, frames, 60_150, sleeps=[other]).tracks[LATCH].silences) == 1


def test_rows_of_another_channel_than_the_one_asked_for_are_passed_over() -> None:
    frames = [sent(0, 1, channel="can1"), sent(10, 2), sent(20, 3)]
    rows = let_through(frames, [message_plan(SPEC, EVENT, ["Latch"], None, False)])
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey("can1", 0x100), SPEC, EVENT)])
    builder.add(batch(rows, 50 * MS), 0)
    (tracks,) = builder.finish()
    assert tracks.tracks[LATCH].raw.tolist() == [1]
    assert tracks.notices == ()


def test_a_signal_asked_for_twice_gives_every_row_if_either_wants_it() -> None:
    rows = let_through(cyclic([1, 1]), [message_plan(SPEC, CYCLIC, ["Latch"], None, True)])
    request = TrackRequest(LATCH, MessageKey(None, 0x100), SPEC, CYCLIC)
    builder = TrackBuilder([replace(request, every=True), request])
    builder.add(batch(rows, 150 * MS), 0)
    assert len(builder.finish()[0].tracks[LATCH]) == 2


def test_a_gap_that_ends_with_the_last_frame_leaves_it_known() -> None:
    track = built(CYCLIC, [sent(0, 1), sent(2000, 2)], 2000, gaps=[gap(0, 2000)]).tracks[LATCH]
    assert track.known_until == 2000 * MS


def test_statistics_of_the_whole_capture_speak_for_its_last_segment_only() -> None:
    plan = message_plan(SPEC, CYCLIC, ["Latch"], None, False)
    builder = TrackBuilder([TrackRequest(LATCH, MessageKey(None, 0x100), SPEC, CYCLIC)])
    builder.add(batch(let_through(cyclic([1] * 40), [plan]), 9950 * MS), 0)
    builder.add(batch(let_through(cyclic([1] * 5), [plan]), 9950 * MS, segment=1), 1)
    first, second = builder.finish(ids=[statistics(400, 45)])
    assert first.tracks[LATCH].silences == ()
    assert second.tracks[LATCH].silences == (Interval(400 * MS + 1, 9950 * MS),)
    assert [one.frames[MessageKey(None, 0x100)] for one in (first, second)] == [1, 1]


@pytest.mark.parametrize("send", list(SendType))
def test_nothing_known_before_means_no_bound_but_the_latency(send: SendType) -> None:
    track = built(replace(BOTH, send=send), [sent(1000, 1)], 1050).tracks[LATCH]
    cyclic_kind = send in (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)
    assert rows_of(track) == [(1000 if cyclic_kind else after(990), 1000, 1, K, F)]


def test_a_million_rows_are_laid_out() -> None:
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
    builder.add(made, 0)
    (tracks,) = builder.finish()
    speed = tracks.tracks[SignalRef("M", "Speed")]
    assert len(speed) > 0.99 * count
    assert (speed.t_hi[1:] - speed.t_lo[1:] < 100 * MS).all()
