from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.model.time import HOUR, MILLISECOND, SECOND, Interval
from latchtrace.views.detail import LARGEST, SEVERAL, UNCOUNTED, Detail, Viewport
from latchtrace.views.lanes import swimlane
from latchtrace.views.swimlane import Band, Curve, FindingMark, Lane, LaneKind, SpanRows, Swimlane, Value
from support.night import moment, night_result
from support.stretch import Stretch, read_stretch

LOCKED, UNLOCKED = Value("locked", "locked"), Value("unlocked", "unlocked")
Change = tuple[int, int]


def lane_of(rows: SpanRows, kind: LaneKind = LaneKind.STATES, key: str = "latch.x") -> Lane:
    return Lane(key, kind, "a door", "x", rows.values, rows.columns(), rest=rows.codes_of(frozenset({"locked"})))


def state_lane(changes: list[Change], end: int) -> Lane:
    """Alternating states; each change is (seen at, how uncertain)."""
    rows = SpanRows()
    for i, (seen, width) in enumerate(changes):
        after = Interval(changes[i + 1][0] - changes[i + 1][1], changes[i + 1][0]) if i + 1 < len(changes) else None
        value = UNLOCKED if i % 2 else LOCKED
        rows.add(Interval(seen - width, seen), after or Interval.at(end), value, counted=i > 0)
    return lane_of(rows)


def of(*lanes: Lane, span: int, zero: int = 0, **more: object) -> Swimlane:
    return Swimlane(zero, Interval(zero, zero + span), lanes, **more)  # type: ignore[arg-type]


def events_of(stretch: Stretch, lane: int) -> int:
    singles = sum(not code & UNCOUNTED for *_, code in stretch.spans.get(lane, []))
    return singles + sum(count for _, _, count, _, _ in stretch.bars.get(lane, []))


changes = st.lists(
    st.tuples(st.integers(0, 12 * HOUR), st.integers(0, 200 * MILLISECOND)), min_size=1, max_size=300, unique=True
).map(sorted)
viewports = st.tuples(
    st.integers(0, 12 * HOUR), st.sampled_from([20_000, 2 * MILLISECOND, SECOND, 60 * SECOND, HOUR, 12 * HOUR])
)


class TestNothingVanishes:
    @given(changes, viewports, st.integers(50, 2000))
    @settings(deadline=None)
    def test_every_event_in_view_is_sent_or_counted(
        self, changes: list[Change], view: tuple[int, int], pixels: int
    ) -> None:
        lane = state_lane(changes, 12 * HOUR)
        viewport = Viewport(view[0], view[0] + view[1], pixels)
        stretch = read_stretch(Detail(of(lane, span=12 * HOUR)).payload(viewport))
        spans = lane.spans
        shown = (spans.end_hi >= viewport.t0) & (spans.start_lo <= viewport.t1)
        assert events_of(stretch, 0) == int(spans.counted[shown].sum())

    @given(changes, st.integers(50, 2000))
    @settings(deadline=None)
    def test_a_bar_covers_what_it_counts(self, changes: list[Change], pixels: int) -> None:
        lane = state_lane(changes, 12 * HOUR)
        viewport = Viewport(0, 12 * HOUR, pixels)
        stretch = read_stretch(Detail(of(lane, span=12 * HOUR)).payload(viewport))
        sent = [(start, end) for start, *_, end, _ in stretch.spans.get(0, [])]
        sent += [(start, end) for start, end, *_ in stretch.bars.get(0, [])]
        slack = stretch.unit
        for lo, hi in zip(lane.spans.start_lo, lane.spans.end_hi, strict=True):
            lo, hi = max(lo, -24 * HOUR), min(hi, 24 * HOUR)  # noqa: PLW2901
            assert any(start <= lo + slack and hi <= end + slack for start, end in sent)

    def test_a_door_open_for_one_frame_shows_in_twelve_hours(self) -> None:
        blip = 5 * HOUR
        lane = state_lane([(0, 0), (blip, 0), (blip + 10 * MILLISECOND, 0)], 12 * HOUR)
        for pixels in (60, 800, 4000):
            stretch = read_stretch(Detail(of(lane, span=12 * HOUR)).payload(Viewport(0, 12 * HOUR, pixels)))
            codes = [code for _, start, _, _, code in stretch.spans[0] if abs(start - blip) <= stretch.unit]
            assert [lane.values[code] for code in codes] == [UNLOCKED]

    def test_events_too_close_to_tell_apart_become_one_bar_with_their_number(self) -> None:
        rows = SpanRows()
        for i in range(500):
            rows.add(Interval.at(i * MILLISECOND), Interval.at(i * MILLISECOND), LOCKED)
        stretch = read_stretch(Detail(of(lane_of(rows, LaneKind.EVENTS), span=HOUR)).payload(Viewport(0, HOUR, 800)))
        assert stretch.bars[0] == [(0, stretch.bars[0][0][1], 500, 0, 0)]

    def test_bar_height_is_the_share_of_time_that_was_active(self) -> None:
        step = SECOND
        changes = [(i * step // 4 * 1, 0) for i in range(40)]
        lane = state_lane(changes, 10 * SECOND)
        stretch = read_stretch(Detail(of(lane, span=HOUR)).payload(Viewport(0, 10 * HOUR, 100)))
        ((_, _, count, code, share),) = stretch.bars[0]
        assert (count, code) == (39, SEVERAL)
        assert share == pytest.approx(255 / 2, abs=2)

    def test_what_rests_all_the_time_has_no_height(self) -> None:
        rows = SpanRows()
        for i in range(30):
            rows.add(Interval.at(i * SECOND), Interval.at((i + 1) * SECOND), LOCKED)
        stretch = read_stretch(Detail(of(lane_of(rows), span=HOUR)).payload(Viewport(0, 10 * HOUR, 100)))
        assert [(count, share) for _, _, count, _, share in stretch.bars[0]] == [(30, 0)]

    @given(st.lists(st.integers(0, HOUR), min_size=1, max_size=200), st.integers(100, 2000))
    @settings(deadline=None)
    def test_every_finding_has_a_mark_or_is_counted_in_one(self, moments: list[int], pixels: int) -> None:
        severities = ("note", "warning", "fault")
        marks = tuple(
            FindingMark(f"F{i}", severities[i % 3], Interval(t, t + SECOND), "x") for i, t in enumerate(moments)
        )
        lanes = of(state_lane([(0, 0)], HOUR), span=HOUR, marks=marks)
        stretch = read_stretch(Detail(lanes).payload(Viewport(0, HOUR, pixels)))
        assert sum(count for *_, count, _ in stretch.marks) == len(marks)
        for _, _, ordinal, _, severity in stretch.marks:
            assert severities.index(marks[ordinal].severity) == severity

    def test_merged_marks_show_the_gravest(self) -> None:
        kinds = ("note", "fault", "warning")
        marks = tuple(FindingMark(f"F{i}", kind, Interval.at(HOUR + i), "x") for i, kind in enumerate(kinds))
        lanes = of(state_lane([(0, 0)], HOUR), span=2 * HOUR, marks=marks)
        ((_, _, ordinal, count, severity),) = read_stretch(Detail(lanes).payload(Viewport(0, 2 * HOUR, 800))).marks
        assert (ordinal, count, severity) == (1, 3, 2)

    @given(st.lists(st.floats(0, 250, width=32), min_size=2, max_size=3000), st.integers(50, 900))
    @settings(deadline=None, max_examples=40)
    def test_no_peak_of_a_curve_is_lost(self, values: list[float], pixels: int) -> None:
        t = np.arange(len(values), dtype=np.int64) * SECOND
        curve = Curve(t, np.array(values), "km/h", 250.0)
        lane = Lane("speed", LaneKind.CURVE, "Speed", "context", (), SpanRows().columns(), curve=curve)
        span = len(values) * SECOND
        sent = [
            value for _, value in read_stretch(Detail(of(lane, span=span)).payload(Viewport(0, span, pixels))).curves[0]
        ]
        assert (max(sent), min(sent)) == (max(values), min(values))

    def test_unknown_stretches_of_a_curve_stay_unknown(self) -> None:
        t = np.array([0, SECOND, 2 * SECOND, 3 * SECOND], dtype=np.int64)
        curve = Curve(t, np.array([1.0, np.nan, 2.0, np.nan]), "km/h", 10.0)
        lane = Lane("speed", LaneKind.CURVE, "Speed", "context", (), SpanRows().columns(), curve=curve)
        sent = read_stretch(Detail(of(lane, span=4 * SECOND)).payload(Viewport(0, 4 * SECOND, 800))).curves[0]
        assert [np.isnan(value) for _, value in sent] == [False, True, False, True]


class TestPayload:
    @pytest.mark.parametrize("lanes", [1, 24])
    @pytest.mark.parametrize("span", [HOUR // 100, HOUR, 12 * HOUR])
    def test_stays_below_a_quarter_megabyte_with_a_million_spans(self, lanes: int, span: int) -> None:
        generator = np.random.default_rng(7)
        made = []
        for number in range(lanes):
            seen = np.sort(generator.integers(0, 12 * HOUR, 1_000_000 // lanes))
            made.append(crowded_lane(seen, f"lane{number}"))
        detail = Detail(of(*made, span=12 * HOUR))
        body = detail.payload(Viewport(HOUR, HOUR + span, 4000))
        assert len(body) <= LARGEST
        stretch = read_stretch(body)
        for number, lane in enumerate(made):
            shown = (lane.spans.end_hi >= HOUR) & (lane.spans.start_lo <= HOUR + span)
            assert events_of(stretch, number) == int(shown.sum())

    def test_stays_bounded_when_everything_overlaps_everything(self) -> None:
        rows = SpanRows()
        for i in range(40_000):
            rows.add(Interval.at(i), Interval.at(12 * HOUR + i), UNLOCKED)
        stretch_bytes = Detail(of(lane_of(rows), span=12 * HOUR)).payload(Viewport(HOUR, 2 * HOUR, 1000))
        assert len(stretch_bytes) <= LARGEST
        assert events_of(read_stretch(stretch_bytes), 0) == 40_000

    def test_says_the_sequence_it_answers(self) -> None:
        detail = Detail(of(state_lane([(0, 0)], HOUR), span=HOUR))
        assert read_stretch(detail.payload(Viewport(0, HOUR, 800), 41)).sequence == 41

    def test_same_view_gives_the_same_bytes(self) -> None:
        viewport = Viewport(moment(0), moment(12_000), 1600)
        assert Detail(swimlane(night_result())).payload(viewport) == Detail(swimlane(night_result())).payload(viewport)

    def test_an_empty_lane_and_an_empty_capture_are_no_trouble(self) -> None:
        stretch = read_stretch(Detail(of(lane_of(SpanRows()), span=HOUR)).payload(Viewport(0, HOUR, 100)))
        assert (stretch.spans, stretch.bars, stretch.marks, stretch.bands) == ({}, {}, [], [])


class TestTimes:
    @given(st.integers(0, 2**61), st.integers(0, 20 * MILLISECOND))
    def test_are_exact_to_the_nanosecond_at_two_milliseconds_a_division(self, zero: int, at: int) -> None:
        start = 11 * HOUR
        lane = state_lane([(zero + start + at, 0)], zero + 12 * HOUR)
        lanes = of(lane, span=12 * HOUR, zero=zero)
        viewport = Viewport(zero + start, zero + start + 20 * MILLISECOND, 1600)
        ((_, seen, _, _, _),) = read_stretch(Detail(lanes).payload(viewport)).spans[0]
        assert seen == start + at

    @given(st.integers(1, 400 * 24 * HOUR), st.integers(1, 8192), st.floats(0, 1))
    def test_are_far_finer_than_a_pixel_at_any_zoom(self, span: int, pixels: int, share: float) -> None:
        at = round(span * share)
        viewport = Viewport(0, span, pixels)
        offset = int(viewport.offsets(np.array([at], dtype=np.int64))[0])
        error = at - offset * 2**viewport.shift
        assert 0 <= error * pixels / span < 0.001

    def test_far_outside_is_clipped_and_does_not_overflow(self) -> None:
        viewport = Viewport(5 * HOUR, 5 * HOUR + 20_000, 1600)
        far = np.array([-(2**62), 2**62], dtype=np.int64)
        assert viewport.offsets(far).tolist() == [-40_000, 60_000]


class TestBands:
    def test_stand_behind_the_lanes_of_their_channel(self) -> None:
        rows = SpanRows()
        rows.add(Interval.at(0), Interval.at(HOUR), LOCKED)
        near, far = lane_of(rows), lane_of(rows, key="latch.y")
        lanes = (
            Lane(near.key, near.kind, near.title, near.group, near.values, near.spans, channel="body"),
            Lane(far.key, far.kind, far.title, far.group, far.values, far.spans, channel="drive"),
        )
        bands = (
            Band("sleep", Interval(0, SECOND), "drive"),
            Band("gap", Interval(HOUR // 2, HOUR // 2 + SECOND)),
            Band("blind", Interval(60 * SECOND, 90 * SECOND), lane="latch.y"),
            Band("sleep", Interval(0, SECOND), "a channel no lane is on"),
        )
        detail = Detail(of(*lanes, span=HOUR, bands=bands))
        sent = {(scope, what) for _, _, scope, what in read_stretch(detail.payload(Viewport(0, HOUR, 800))).bands}
        assert detail.channels == ("body", "drive")
        assert sent == {(0x8001, 0), (0xFFFF, 1), (1, 2)}


def crowded_lane(seen: np.typing.NDArray[np.int64], key: str) -> Lane:
    from latchtrace.views.swimlane import Spans

    end = np.append(seen[1:], 12 * HOUR)
    code = (np.arange(len(seen)) % 2).astype(np.uint16)
    spans = Spans(seen, seen, end, end, code, np.ones(len(seen), np.uint8))
    return Lane(key, LaneKind.STATES, key, key, (LOCKED, UNLOCKED), spans, rest=(0,))
