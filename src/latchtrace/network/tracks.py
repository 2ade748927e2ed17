"""Lays the wanted signals out in time: what each value was, from when, and where it is not known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from latchtrace.model.frames import ChangeBatch, IdStatistics, Segment
from latchtrace.model.network import MessageSpec, SignalRef, SignalTrack, Tracks, Validity
from latchtrace.model.plan import MessageKey
from latchtrace.model.time import Interval
from latchtrace.model.vehicle import MessageUse, SendType
from latchtrace.network.decoding import known_selector_values, presence, signal_columns
from latchtrace.network.eras import Holes, merged, tell
from latchtrace.network.lanes import Collector, SegmentLog
from latchtrace.network.planning import Paging, page_mode, silence_limit, wanted_specs
from latchtrace.network.signal_rows import Columns, Followed, SignalRows


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
        self._several = False
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
        self._several = len(logs) > 1
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
            frames[message.key] = follower.frames(alone=not self._several)
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
        channel, self.lane, self.channels = log.lane(message.key)
        self.holes = Holes(
            gaps=merged(gap.span for gap in log.gaps if gap.channel in ("", channel)),
            sleeps=merged(sleep.span for sleep in log.sleeps if sleep.channel in ("", channel)),
            watermark=log.watermark,
        )
        self.statistics = self._own(ids, channel)
        self.last = self._last()
        self.story = tell(message.spec, message.use, self.lane, self.holes, self.last)
        self.followed = Followed(
            message.spec, message.use, message.paging(), self.lane, self.holes, self.story, uncertainty
        )

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
            cyclic = self.message.use.send.cyclic
            last = self.log.watermark if cyclic else int(self.lane.t[-1])
        return Interval(int(self.lane.t[0]), max(last, int(self.lane.t[-1])))

    def frames(self, alone: bool) -> int:
        """Frames of the message where the statistics tell (of a capture's only segment), else the rows."""
        return self.statistics.frames if self.statistics and alone else len(self.lane)

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
            shown = presence(spec, selector, self.lane.payload, self.lane.length).carried
            raw = signal_columns(selector, self.lane.payload[shown])[1]
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
        columns = SignalRows(self.followed, signal, every).columns()
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

    def _known_until(self, columns: Columns) -> int:
        lost = len(columns.validity) and columns.validity[-1] == Validity.LOST
        if lost and self.message.use.send is not SendType.EVENT:
            return int(columns.t_hi[-1])
        gaps, after = self.holes.gaps, len(self.lane) and int(self.lane.t[-1])
        ends_in_gap = bool(gaps) and gaps[-1].hi >= max(self.holes.watermark, after + 1)
        known = gaps[-1].lo if ends_in_gap else self.holes.watermark
        limit = silence_limit(self.message.spec, self.message.use)
        silent = self.last is not None and limit is not None and known - self.last > limit
        return self.last if silent and self.last is not None else known
