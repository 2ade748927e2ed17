"""Lays the wanted signals out in time: what each value was, from when, and where it is not known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import ChangeBatch, IdStatistics, Int64s, Segment
from latchtrace.model.network import MessageSpec, Onset, SignalRef, SignalSpec, SignalTrack, Tracks, Validity
from latchtrace.model.plan import MessageKey, Pages
from latchtrace.model.time import NO_TIME, Interval
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.bits import RawColumn
from latchtrace.network.decoding import (
    Presence,
    known_selector_values,
    presence,
    scaled_column,
    signal_columns,
    whole_column,
)
from latchtrace.network.eras import Eras, Holes, Story, merged, tell
from latchtrace.network.lanes import Collector, Lane, SegmentLog
from latchtrace.network.onsets import change_starts
from latchtrace.network.planning import Paging, page_mode, wanted_specs


@dataclass(frozen=True, slots=True)
class TrackRequest:
    """A signal to follow: by what name, in which message, sent how; `every` for a row at each frame."""

    ref: SignalRef
    key: MessageKey
    spec: MessageSpec
    use: MessageUse
    every: bool = False


class TrackBuilder:
    """Builds the tracks of the wanted signals from the batches of a reading that followed `message_plan`.

    The requests of one message must name the same signals its plan was made for. `uncertainty` (nanoseconds)
    widens every interval at both ends. The result does not depend on how rows are cut into batches.
    """

    def __init__(self, wanted: Sequence[TrackRequest], uncertainty: int = 0) -> None:
        self._uncertainty = uncertainty
        self._messages = _group(wanted)
        self._collector = Collector(request.key for request in wanted)

    def add(self, batch: ChangeBatch, first_row: int) -> None:
        """Take in a batch; `first_row` is the number of its first row in the RowStore."""
        self._collector.add(batch, first_row)

    def finish(self, *, ids: Sequence[IdStatistics] = (), segments: Sequence[Segment] = ()) -> tuple[Tracks, ...]:
        """The tracks of each segment, in order.

        With the reader's per-id statistics a message that stops before the capture ends is noticed, and `seen`
        and `frames` are exact; with its segments, spans start at the first frame of any kind.
        """
        logs = {log.index: log for log in self._collector.segments.values()}
        spans = {segment.index: segment.span for segment in segments}
        for index, span in spans.items():
            logs.setdefault(index, SegmentLog(index, span.hi, span.lo))
        last = max(logs, default=0)
        return tuple(
            self._segment(logs[index], spans.get(index), ids if index == last else ()) for index in sorted(logs)
        )

    def _segment(self, log: SegmentLog, span: Interval | None, ids: Sequence[IdStatistics]) -> Tracks:
        whole = span.hull(Interval.at(log.watermark)) if span else Interval(log.earliest, log.watermark)
        log.watermark = whole.hi
        tracks: dict[SignalRef, SignalTrack] = {}
        seen: dict[MessageKey, Interval | None] = {}
        frames: dict[MessageKey, int] = {}
        notices: list[str] = []
        for message in self._messages:
            follower = _Follower(message, log, ids, self._uncertainty)
            tracks.update(follower.tracks())
            seen[message.key] = follower.seen()
            frames[message.key] = follower.frames()
            notices.extend(follower.notices())
        return Tracks(
            segment=log.index,
            span=whole,
            tracks=tracks,
            blind=tuple((gap.channel, gap.span) for gap in log.gaps),
            sleeps=tuple((sleep.channel, sleep.span) for sleep in log.sleeps),
            seen=seen,
            frames=frames,
            notices=tuple(notices),
        )


@dataclass(frozen=True, slots=True)
class _Message:
    """The requests of one message, each signal once."""

    key: MessageKey
    spec: MessageSpec
    use: MessageUse
    requests: tuple[TrackRequest, ...]

    def paging(self) -> Paging:
        names = [request.ref.signal for request in self.requests]
        return page_mode(self.spec, self.use, wanted_specs(self.spec, self.use, names))


def _group(wanted: Iterable[TrackRequest]) -> tuple[_Message, ...]:
    groups: dict[tuple[MessageKey, str], dict[SignalRef, TrackRequest]] = {}
    for request in wanted:
        group = groups.setdefault((request.key, request.spec.name), {})
        known = group.get(request.ref)
        group[request.ref] = replace(request, every=request.every or known.every) if known else request
    return tuple(
        _Message(key, next(iter(group.values())).spec, next(iter(group.values())).use, tuple(group.values()))
        for (key, _), group in groups.items()
    )


class _Follower:
    """One message in one segment."""

    def __init__(self, message: _Message, log: SegmentLog, ids: Sequence[IdStatistics], uncertainty: int) -> None:
        self.message = message
        self.log = log
        self.uncertainty = uncertainty
        self.paging = message.paging()
        channel, self.lane, self.channels = log.lane(message.key)
        self.holes = Holes(
            gaps=merged(gap.span for gap in log.gaps if gap.channel in ("", channel)),
            sleeps=merged(sleep.span for sleep in log.sleeps if sleep.channel in ("", channel)),
            watermark=log.watermark,
        )
        self.statistics = self._own(ids, channel)
        self.last = self._last()
        self.story = tell(message.spec, message.use, self.lane, self.holes, self.last)

    def _own(self, ids: Sequence[IdStatistics], channel: str) -> IdStatistics | None:
        key = self.message.key
        for one in ids:
            if (one.channel, one.can_id, one.extended) == (channel, key.can_id, key.extended):
                return one
        return None

    def _last(self) -> int | None:
        """When the message's last frame came, where the statistics tell."""
        if self.statistics is None or not len(self.lane):
            return None
        return max(min(self.statistics.last, self.log.watermark), int(self.lane.t[-1]))

    def seen(self) -> Interval | None:
        """First and last frame; a cyclic message of unknown last frame counts as seen to the end."""
        if not len(self.lane):
            return None
        last = self.last
        if last is None:
            cyclic = self.message.use.send in (SendType.CYCLIC, SendType.CYCLIC_AND_ON_CHANGE)
            last = self.log.watermark if cyclic else int(self.lane.t[-1])
        return Interval(int(self.lane.t[0]), max(last, int(self.lane.t[-1])))

    def frames(self) -> int:
        """Frames of the message in the capture where the statistics tell, else the rows let through."""
        return self.statistics.frames if self.statistics else len(self.lane)

    def notices(self) -> list[str]:
        """What was odd about the message's frames."""
        spec, found = self.message.spec, []
        if len(self.channels) > 1:
            names = ", ".join(self.channels)
            found.append(f"{spec.name} came on several channels ({names}): one is used; name the channel in the file")
        for name, known in known_selector_values(spec).items():
            selector = spec.signal(name)
            if selector is None or not any(name in dict(r) for r in self._wanted_chains()):
                continue
            whole = whole_column(selector, self.lane.length, spec.length)
            raw = signal_columns(selector, self.lane.payload[whole])[1]
            unknown = raw[~np.isin(raw, np.array(sorted(known), raw.dtype))]
            if len(unknown):
                values = ", ".join(str(value) for value in np.unique(unknown)[:5].tolist())
                found.append(f"{spec.name}: frames with a multiplexer {name} the DBC does not list ({values})")
        return found

    def _wanted_chains(self) -> list[tuple[tuple[str, tuple[int, ...]], ...]]:
        signals = [self.message.spec.signal(request.ref.signal) for request in self.message.requests]
        return [signal.multiplexers for signal in signals if signal is not None]

    def tracks(self) -> dict[SignalRef, SignalTrack]:
        """The tracks of all requests."""
        return {request.ref: self._track(request) for request in self.message.requests}

    def _track(self, request: TrackRequest) -> SignalTrack:
        signal = self.message.spec.signal(request.ref.signal)
        if signal is None:  # wanted_specs has refused it before
            raise KeyError(request.ref)
        every = request.every or self.message.use.send is SendType.EVENT
        kept = self.paging.pages is Pages.ROTATING and bool(signal.multiplexers)
        eras = self.story.eras_kept if kept else self.story.eras
        columns = _SignalRows(self, signal, eras, every).columns()
        return SignalTrack(
            ref=request.ref,
            key=request.key,
            t_lo=columns.t_lo,
            t_hi=columns.t_hi,
            raw=columns.raw,
            value=columns.value,
            validity=columns.validity.astype(np.uint8),
            onset=columns.onset.astype(np.uint8),
            row=columns.row,
            known_until=self._known_until(columns),
            silences=self.story.silences,
        )

    def _known_until(self, columns: _Columns) -> int:
        lost = len(columns.validity) and columns.validity[-1] == Validity.LOST
        if lost and self.message.use.send is not SendType.EVENT:
            return int(columns.t_hi[-1])
        gaps = self.holes.gaps
        ends_in_gap = bool(gaps) and gaps[-1].hi >= self.holes.watermark
        return gaps[-1].lo if ends_in_gap else self.holes.watermark


@dataclass(frozen=True, slots=True)
class _Columns:
    t_lo: Int64s
    t_hi: Int64s
    raw: RawColumn
    value: npt.NDArray[np.float64]
    validity: Int64s
    onset: Int64s
    row: Int64s


class _SignalRows:
    """The rows of one signal's track: chosen, timed, and put in order."""

    def __init__(self, follower: _Follower, signal: SignalSpec, eras: Eras, every: bool) -> None:
        self.follower = follower
        self.signal = signal
        self.eras = eras
        self.every = every
        self.lane: Lane = follower.lane
        self.story: Story = follower.story
        self.found: Presence = presence(follower.message.spec, signal, self.lane.payload, self.lane.length)
        self.known = np.flatnonzero(self.found.carried)
        self.bits, self.raw = signal_columns(signal, self.lane.payload[self.known])

    def columns(self) -> _Columns:
        known, onset, lo = self._known_rows()
        raw = self.raw[known]
        absent, absent_onset, absent_lo = self._absent_rows()
        lost_place, lost_at = self._lost_rows()
        at = self.known[known]
        place = np.concatenate([2 * at + 1, 2 * absent + 1, lost_place])
        order = np.argsort(place, kind="stable")
        zeros = np.zeros(len(absent) + len(lost_at), raw.dtype)
        blank = np.full(len(zeros), np.nan)
        u = self.follower.uncertainty
        t_lo = np.concatenate([lo - u, absent_lo - u, lost_at])
        t_hi = np.concatenate([self.lane.t[at] + u, self.lane.t[absent] + u, lost_at])
        validity = np.repeat([Validity.KNOWN, Validity.ABSENT, Validity.LOST], [len(at), len(absent), len(lost_at)])
        onsets = np.concatenate([onset, absent_onset, np.full(len(lost_at), Onset.CHANGED, np.int64)])
        rows = np.concatenate([self.lane.row[at], self.lane.row[absent], np.full(len(lost_at), -1, np.int64)])
        return _Columns(
            t_lo=t_lo[order],
            t_hi=t_hi[order],
            raw=np.concatenate([raw, zeros])[order],
            value=np.concatenate([scaled_column(self.signal, raw), blank])[order],
            validity=validity[order],
            onset=onsets[order],
            row=rows[order],
        )

    def _known_rows(self) -> tuple[npt.NDArray[np.intp], Int64s, Int64s]:
        """Which of the rows that carry the signal start something, how, and from when on."""
        at = self.known
        era = self.eras.number[at]
        first = np.ones(len(at), np.bool_)
        first[1:] = era[1:] != era[:-1]
        changed = np.zeros(len(at), np.bool_)
        changed[1:] = (self.bits[1:] != self.bits[:-1]) & ~first[1:]
        shorts = np.cumsum(self.found.short)
        resumed = np.zeros(len(at), np.bool_)
        resumed[1:] = (shorts[at[1:]] != shorts[at[:-1]]) & ~first[1:]
        onset = np.full(len(at), int(Onset.REPEATED), np.int64)
        onset[first | resumed] = Onset.FIRST_SEEN
        onset[changed] = Onset.CHANGED
        keep = np.flatnonzero(first | changed | resumed | self.every)
        lo = self._starts(at, self._before(at, resumed), first)
        return keep, onset[keep], lo[keep]

    def _before(self, at: npt.NDArray[np.intp], resumed: npt.NDArray[np.bool_]) -> Int64s:
        """When the signal was last seen before each row that carries it."""
        before = np.full(len(at), NO_TIME, np.int64)
        if self.follower.paging.own_page(self.signal):
            before[1:] = self.lane.previous_page[at[1:]]
        else:
            before[1:] = self.lane.previous[at[:-1] + 1]
        before[1:] = np.where(resumed[1:], self.lane.t[at[:-1]], before[1:])
        return before

    def _starts(self, at: npt.NDArray[np.intp], before: Int64s, first: npt.NDArray[np.bool_]) -> Int64s:
        message = self.follower.message
        return change_starts(
            message.spec,
            message.use,
            self.follower.holes,
            t=self.lane.t[at],
            before=np.where(first, NO_TIME, before),
            previous=self.lane.previous[at],
            lossy=self.story.lossy[at],
        )

    def _absent_rows(self) -> tuple[npt.NDArray[np.intp], Int64s, Int64s]:
        """Rows too short for the signal, where they follow one that was not."""
        concerned = np.flatnonzero(self.found.carried | self.found.short)
        short = self.found.short[concerned]
        fresh = np.ones(len(concerned), np.bool_)
        era = self.eras.number[concerned]
        fresh[1:] = era[1:] != era[:-1]
        starts = short.copy()
        starts[1:] &= ~short[:-1] | fresh[1:]
        at = concerned[starts]
        onset = np.where(fresh[starts], int(Onset.FIRST_SEEN), int(Onset.CHANGED)).astype(np.int64)
        before = np.where(fresh[starts], NO_TIME, self.lane.previous[at])
        return at, onset, self._starts(at, before, fresh[starts])

    def _lost_rows(self) -> tuple[Int64s, Int64s]:
        """(place in the order, time) of the ends of all eras in which the signal was known."""
        with_value = set(self.eras.number[self.known].tolist())
        ends = [*(2 * row for row in self.eras.first_row[1:]), 2 * len(self.lane)]
        lost = [
            (ends[era], moment)
            for era, moment in enumerate(self.eras.lost_at)
            if moment is not None and era in with_value
        ]
        return np.array([place for place, _ in lost], np.int64), np.array([moment for _, moment in lost], np.int64)
