"""Level of detail: any stretch of a swimlane as a small binary payload in which nothing vanishes.

What is narrower than about two pixels is merged by bucket into bars that carry a count and the share of time that
was active; everything wider is sent as it is. Buckets are aligned to multiples of their own width, so that panning
does not make them flicker. Times travel as 32-bit integers, counted from the viewport's start in steps of a power
of two nanoseconds: single nanoseconds up to about half a second, far below a thousandth of a pixel beyond.

Layout (little-endian, every block starts on a multiple of 4 bytes):
    header   "LTD1", u32 sequence, i64 base (nanoseconds from the capture's zero), u32 shift, u32 blocks
    block    u32 kind, u32 index, u32 rows, then its columns, each padded to 4 bytes
      kind 0 spans   i32 start_lo, start_hi, end_lo, end_hi; u16 code (bit 15: nothing known to have happened)
      kind 1 bars    i32 start, end; u32 count; u16 code (0xFFFF: several); u8 share (of 255)
      kind 2 curve   i32 t; f32 value (NaN: not known)
      kind 3 marks   i32 start, end; u32 ordinal of the finding; u32 count; u8 severity (0 note .. 2 fault)
      kind 4 bands   i32 start, end; u16 scope (lane, 0x8000 + channel, 0xFFFF all); u8 what (BAND_KINDS)
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import Int64s, UInt8s, UInt16s
from latchtrace.views.swimlane import Band, Curve, Lane, Spans, Swimlane

MAGIC = b"LTD1"
LARGEST = 250_000
MERGE_PIXELS = 2
WIDEST = 4
"""Buckets of this many viewports are the last resort: then all that is in view becomes one bar a lane."""
SEVERAL = 0xFFFF
UNCOUNTED = 0x8000
EVERYWHERE = 0xFFFF
OF_CHANNEL = 0x8000
BAND_KINDS = ("sleep", "gap", "blind")
SEVERITIES = ("note", "warning", "fault")
SPANS, BARS, CURVE, MARKS, BANDS = range(5)

_Columns = tuple[npt.NDArray[np.generic], ...]
Block = tuple[int, int, int, _Columns]


@dataclass(frozen=True, slots=True)
class Viewport:
    """What the screen shows: from `t0` to `t1` (nanoseconds, capture time base) over `pixels`."""

    t0: int
    t1: int
    pixels: int

    @property
    def span(self) -> int:
        """How long it is, at least a nanosecond."""
        return max(self.t1 - self.t0, 1)

    @property
    def shift(self) -> int:
        """Times are sent in steps of 2 ** shift nanoseconds, so that four spans fit in 32 bits."""
        return max(0, (4 * self.span).bit_length() - 31)

    def step(self, merge: int) -> int:
        """The width of a bucket of `merge` pixels, in nanoseconds."""
        return max(1, merge * self.span // max(self.pixels, 1))

    def offsets(self, times: Int64s) -> npt.NDArray[np.int32]:
        """Times as they travel; what lies far outside is clipped to far outside."""
        most = (1 << 31) - 1
        inside = np.clip(times, self.t0 - 2 * self.span, self.t1 + 2 * self.span)
        steps: npt.NDArray[np.int32] = np.clip((inside - self.t0) >> self.shift, -most, most).astype("<i4")
        return steps


@dataclass(frozen=True, slots=True, eq=False)
class _Index:
    """What makes a lane's rows findable by time: ends so far, and starts still to come."""

    ends: Int64s
    starts: Int64s
    resting: npt.NDArray[np.bool_]


class Detail:
    """Answers viewports of one swimlane; made once for each capture."""

    def __init__(self, swimlane: Swimlane) -> None:
        self.swimlane = swimlane
        self.channels = tuple(sorted({lane.channel for lane in swimlane.lanes if lane.channel}))
        self._index = [_index(lane) for lane in swimlane.lanes]
        self._marks = _mark_columns(swimlane)
        self._bands = self._band_columns()

    def payload(self, viewport: Viewport, sequence: int = 0, largest: int = LARGEST) -> bytes:
        """The viewport as bytes (layout above), never more than `largest`: what is too dense is merged more widely."""
        merge = MERGE_PIXELS
        while True:
            body = _packed(self.blocks(viewport, merge), viewport, self.swimlane.zero, sequence)
            if len(body) <= largest or merge > WIDEST * viewport.pixels:
                return body
            merge *= 2

    def blocks(self, viewport: Viewport, merge: int = MERGE_PIXELS) -> Iterable[Block]:
        """The viewport as blocks of columns (layout above), merged to `merge` pixels."""
        step = viewport.step(merge)
        for number, lane in enumerate(self.swimlane.lanes):
            if lane.curve is not None:
                yield _curve_block(number, lane.curve, viewport, merge)
            elif len(lane.spans):
                yield from _span_blocks(number, lane.spans, self._index[number], viewport, step)
        yield _mark_block(self._marks, viewport, step)
        yield _band_block(self._bands, viewport, step)

    def _band_columns(self) -> tuple[Int64s, ...]:
        lanes = {lane.key: i for i, lane in enumerate(self.swimlane.lanes)}
        rows = []
        for band in self.swimlane.bands:
            scope = self._scope(band, lanes)
            if scope is not None:
                rows.append((band.span.lo, band.span.hi, scope, BAND_KINDS.index(band.kind)))
        return _table(rows, 4)

    def _scope(self, band: Band, lanes: Mapping[str, int]) -> int | None:
        """Which lanes a band stands behind; None where it is of a channel that no lane is on."""
        if band.lane:
            return lanes.get(band.lane)
        if not band.channel or not self.channels:
            return EVERYWHERE
        return OF_CHANNEL + self.channels.index(band.channel) if band.channel in self.channels else None


def _table(rows: Sequence[tuple[int, ...]], width: int) -> tuple[Int64s, ...]:
    table = np.array(rows, dtype=np.int64).reshape(-1, width)
    return tuple(np.ascontiguousarray(column) for column in table.T)


def _index(lane: Lane) -> _Index:
    spans = lane.spans
    return _Index(
        ends=np.maximum.accumulate(spans.end_hi),
        starts=np.minimum.accumulate(spans.start_lo[::-1])[::-1],
        resting=np.isin(spans.code, np.array(lane.rest, dtype=np.uint16)),
    )


def _span_blocks(number: int, spans: Spans, index: _Index, viewport: Viewport, step: int) -> Iterable[Block]:
    first = int(np.searchsorted(index.ends, viewport.t0, side="left"))
    last = max(first, int(np.searchsorted(index.starts, viewport.t1, side="right")))
    rows = _Rows.of(spans, index, slice(first, last))
    rows = rows.only((rows.end_hi >= viewport.t0) & (rows.start_lo <= viewport.t1))
    resort = step > WIDEST * viewport.span
    is_small = (rows.end_hi - rows.start_lo < step) | resort
    small = rows.only(is_small)
    groups = _Groups.of(np.maximum(small.start_hi, viewport.t0) // step)
    alone = np.zeros(len(small.start_lo), dtype=np.bool_)
    alone[groups.first[groups.size == 1]] = True
    whole = ~is_small
    whole[np.flatnonzero(is_small)[alone]] = True
    yield _span_block(number, rows.only(whole), viewport)
    if (groups.size > 1).any():
        yield _bar_block(number, small, groups, viewport)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Some rows of a lane, as columns."""

    start_lo: Int64s
    start_hi: Int64s
    end_lo: Int64s
    end_hi: Int64s
    code: UInt16s
    counted: UInt8s
    resting: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, spans: Spans, index: _Index, part: slice) -> _Rows:
        """A stretch of a lane's rows, without copying."""
        times = (spans.start_lo[part], spans.start_hi[part], spans.end_lo[part], spans.end_hi[part])
        return cls(*times, spans.code[part], spans.counted[part], index.resting[part])

    def only(self, which: npt.NDArray[np.bool_]) -> _Rows:
        """The rows for which it holds; these themselves where it holds for all."""
        if which.all():
            return self
        times = (self.start_lo[which], self.start_hi[which], self.end_lo[which], self.end_hi[which])
        return _Rows(*times, self.code[which], self.counted[which], self.resting[which])


@dataclass(frozen=True, slots=True, eq=False)
class _Groups:
    """Runs of equal keys: where each starts, how many rows it has, and which rows are in any."""

    first: npt.NDArray[np.intp]
    size: npt.NDArray[np.intp]

    @classmethod
    def of(cls, *keys: Int64s) -> _Groups:
        """The runs in which none of these columns changes."""
        rows = len(keys[0])
        if not rows:
            return cls(np.empty(0, np.intp), np.empty(0, np.intp))
        changes = np.zeros(rows - 1, dtype=np.bool_)
        for key in keys:
            changes |= key[1:] != key[:-1]
        first = np.concatenate([[0], np.flatnonzero(changes) + 1]).astype(np.intp)
        return cls(first, np.diff(np.append(first, rows)))


def _span_block(number: int, rows: _Rows, viewport: Viewport) -> Block:
    code = rows.code | np.where(rows.counted == 0, UNCOUNTED, 0).astype(np.uint16)
    times = (rows.start_lo, rows.start_hi, rows.end_lo, rows.end_hi)
    return SPANS, number, len(code), (*(viewport.offsets(column) for column in times), code.astype("<u2"))


def _bar_block(number: int, small: _Rows, groups: _Groups, viewport: Viewport) -> Block:
    at, several = groups.first, groups.size > 1
    start = np.minimum.reduceat(small.start_lo, at)[several]
    end = np.maximum.reduceat(small.end_hi, at)[several]
    active = np.add.reduceat(np.where(small.resting, 0, small.end_hi - small.start_hi), at)[several]
    share = np.clip(255 * (active / np.maximum(end - start, 1)), 0, 255)
    count = np.add.reduceat(small.counted, at, dtype=np.int64)[several]
    low, high = np.minimum.reduceat(small.code, at)[several], np.maximum.reduceat(small.code, at)[several]
    code = np.where(low == high, low, SEVERAL)
    columns = (viewport.offsets(start), viewport.offsets(end), count.astype("<u4"), code.astype("<u2"))
    return BARS, number, len(start), (*columns, np.ceil(share).astype("<u1"))


def _curve_block(number: int, curve: Curve, viewport: Viewport, merge: int) -> Block:
    first = max(int(np.searchsorted(curve.t, viewport.t0, side="right")) - 1, 0)
    last = min(int(np.searchsorted(curve.t, viewport.t1, side="right")) + 1, len(curve.t))
    t, value = curve.t[first:last], curve.value[first:last]
    if len(t) > viewport.pixels:
        t, value = _thinned(t, value, viewport.step(merge))
    return CURVE, number, len(t), (viewport.offsets(t), value.astype("<f4"))


def _thinned(t: Int64s, value: npt.NDArray[np.float64], step: int) -> tuple[Int64s, npt.NDArray[np.float64]]:
    """First, lowest, highest and last of each bucket, so that no peak is lost."""
    at = _Groups.of(t // step)
    last = at.first + at.size - 1
    low, high = np.fmin.reduceat(value, at.first), np.fmax.reduceat(value, at.first)
    columns = (value[at.first], low, high, value[last])
    times = (t[at.first], t[at.first], t[at.first], t[last])
    return np.stack(times, axis=1).ravel(), np.stack(columns, axis=1).ravel()


def _mark_columns(swimlane: Swimlane) -> tuple[Int64s, ...]:
    rows = [(mark.at.lo, mark.at.hi, i, SEVERITIES.index(mark.severity)) for i, mark in enumerate(swimlane.marks)]
    rows.sort()
    return _table(rows, 4)


def _mark_block(marks: tuple[Int64s, ...], viewport: Viewport, step: int) -> Block:
    """The findings in view; those too close to tell apart share a mark in the gravest one's colour."""
    near = (marks[1] >= viewport.t0) & (marks[0] <= viewport.t1)
    start, end, ordinal, severity = (column[near] for column in marks)
    groups = _Groups.of(start // (3 * step))
    if not len(groups.first):
        return MARKS, 0, 0, ()
    at = groups.first
    gravest = np.maximum.reduceat(severity, at)
    named = np.minimum.reduceat(np.where(severity == np.repeat(gravest, groups.size), ordinal, 1 << 31), at)
    columns = (
        viewport.offsets(np.minimum.reduceat(start, at)),
        viewport.offsets(np.maximum.reduceat(end, at)),
        named.astype("<u4"),
        groups.size.astype("<u4"),
        gravest.astype("<u1"),
    )
    return MARKS, 0, len(at), columns


def _band_block(bands: tuple[Int64s, ...], viewport: Viewport, step: int) -> Block:
    near = (bands[1] >= viewport.t0) & (bands[0] <= viewport.t1)
    start, end, scope, kind = (column[near] for column in bands)
    order = np.lexsort((start, kind, scope))
    start, end, scope, kind = start[order], end[order], scope[order], kind[order]
    groups = _Groups.of(start // step, scope, kind)
    if not len(groups.first):
        return BANDS, 0, 0, ()
    at = groups.first
    columns = (
        viewport.offsets(np.minimum.reduceat(start, at)),
        viewport.offsets(np.maximum.reduceat(end, at)),
        scope[at].astype("<u2"),
        kind[at].astype("<u1"),
    )
    return BANDS, 0, len(at), columns


def _packed(blocks: Iterable[Block], viewport: Viewport, zero: int, sequence: int) -> bytes:
    parts, count = [], 0
    for kind, index, rows, columns in blocks:
        if rows:
            parts.append(struct.pack("<III", kind, index, rows))
            parts += [_padded(column.tobytes()) for column in columns]
            count += 1
    base = viewport.t0 - zero
    head = struct.pack("<4sIqII", MAGIC, sequence & 0xFFFFFFFF, base, viewport.shift, count)
    return head + b"".join(parts)


def _padded(column: bytes) -> bytes:
    return column + b"\0" * (-len(column) % 4)
