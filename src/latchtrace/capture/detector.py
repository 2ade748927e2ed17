"""The heart of the plain reader: takes frames in time order, lets through those that matter, watches the rest.

A frame that repeats the payload of the frame before at the usual spacing of its id costs one look-up and two
comparisons; everything else is decided aside.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from latchtrace.capture.batches import Batcher
from latchtrace.capture.bits import nominal_bits
from latchtrace.capture.rhythm import ANOTHER_RHYTHM, BAND, LATE, MOST_MISSING, SUSPICIOUS
from latchtrace.capture.silences import Ahead, Silences
from latchtrace.capture.states import Broken, ChannelState, IdState
from latchtrace.capture.summary import Noticed
from latchtrace.model.frames import Drop, Frame, FrameFlags, Gap, GapCause, Loss, Sleep
from latchtrace.model.plan import Emit, MessageKey, ReadPlan
from latchtrace.model.time import NO_TIME, Interval

_EXTENDED = FrameFlags.EXTENDED.value
_REMOTE = FrameFlags.REMOTE.value
_ERROR = FrameFlags.ERROR.value
_FD = FrameFlags.FD.value

Measure = Callable[[Frame], int]
"""How many bits of the bus a frame takes; depends on its id and payload only."""


class Detector:
    """Holds the state of every id and channel for one reading."""

    def __init__(self, plan: ReadPlan, ahead: Ahead, measure: Measure | None) -> None:
        self._messages = {message.key: message for message in plan.messages}
        self._aliases = plan.aliases
        self._measure = measure
        self._states: dict[tuple[str, int, int], IdState] = {}
        self._ids: dict[tuple[str, int, bool], IdState] = {}
        self.channels: dict[str, ChannelState] = {}
        self._silences = Silences(self.channels, self._find, ahead)
        self.batcher = Batcher()
        self.noticed = Noticed()
        self.began: int | None = None  # the segment's first time
        self.now = NO_TIME

    def run(self, frames: Iterator[tuple[Frame, int]]) -> None:
        """Take frames with the numbers of their files."""
        known, t = self._states, self.now
        for frame, file in frames:
            state = known.get(frame[1:4]) or self._meet(frame)
            t = frame[0]
            if state is None:
                continue
            gap = t - state.last
            if not state.low <= gap <= state.high:
                self._spacing(state, t, gap)
            if frame[4] != state.data:
                self._payload(state, frame, file)
            state.frames += 1
            state.last = t
        self.now = t

    def _meet(self, frame: Frame) -> IdState | None:
        """The state of an id not seen in just this form before; None for remote and error frames."""
        name = self._aliases.get(frame.channel, frame.channel)
        channel = self.channels.get(name)
        if channel is None:
            channel = self.channels[name] = ChannelState(name)
        if self.began is None:
            self.began = frame.t
        if frame.flags & _ERROR:
            self.noticed.error_frames += 1
            return None
        if frame.flags & _REMOTE:
            self.noticed.remote_frames += 1
            self._look_at_channel(channel, frame.t)
            channel.other = frame.t
            return None
        channel.flexible = channel.flexible or bool(frame.flags & _FD)
        return self._enter(channel, frame)

    def _enter(self, channel: ChannelState, frame: Frame) -> IdState:
        extended = bool(frame.flags & _EXTENDED)
        key = (channel.name, frame.can_id, extended)
        state = self._ids.get(key)
        if state is None:
            plan = self._messages.get(MessageKey(*key)) or self._messages.get(MessageKey(None, *key[1:]))
            state = self._ids[key] = IdState(channel, frame.can_id, extended, plan)
            channel.ids.append(state)
        self._states[frame[1:4]] = state
        return state

    def _spacing(self, state: IdState, t: int, gap: int) -> None:
        """A spacing out of the usual: a break, a silence, a loss, or one to learn from."""
        if gap > SUSPICIOUS or state.broken is not Broken.NO:  # else its channel was not silent either
            self._look_at_channel(state.channel, t)
        if state.broken is not Broken.NO:
            self._confirm(state)
            state.resume(t, gap)
            return
        rhythm, number = state.rhythm, state.frames + 1
        state.narrowest, state.widest = min(gap, state.narrowest), max(gap, state.widest)
        if (limit := state.limit) is not None and gap > limit:
            state.data, state.silent = None, True
        expected = rhythm.expected
        if expected is not None and gap > LATE * expected:
            self._late(state, t, gap, expected)
        else:
            self._confirm(state)
        rhythm.show(gap, t, number)
        state.settle()

    def _late(self, state: IdState, t: int, gap: int, expected: int) -> None:
        missing = max(1, round(gap / expected) - 1)
        if missing > MOST_MISSING:
            state.rhythm.pause(t, state.frames + 1)
            return
        if abs(gap - state.late) > BAND * gap:
            self._confirm(state)
        state.late, state.late_run = gap, state.late_run + 1
        if state.late_run >= ANOTHER_RHYTHM:
            state.suspects.clear()
            return
        span = Interval(state.last, t)
        state.suspects.append(Loss(state.channel.name, state.can_id, state.extended, span, missing))

    def _confirm(self, state: IdState) -> None:
        """The spacing after suspected losses was another: frames were lost there."""
        for loss in state.suspects:
            self.batcher.losses.append(loss)
            self.noticed.loss(loss)
        state.suspects.clear()
        state.late = state.late_run = 0

    def _payload(self, state: IdState, frame: Frame, file: int) -> None:
        """A payload that may differ from the one before, or that the plan wants in any case."""
        data = frame.data
        value = int.from_bytes(data, "little")
        if data != state.raw:
            if self._measure or state.raw is None or len(data) != len(state.raw):
                state.count_bits(self._measure(frame) if self._measure else nominal_bits(len(data), state.extended))
            state.change(data, value)
        state.data = data
        watch = state.watch
        if watch is None:
            return
        previous = NO_TIME if state.fresh else state.last
        why, page_before = watch.look(value, len(data), previous, state.silent)
        state.silent = state.fresh = False
        if watch.plan.emit is Emit.ALWAYS:
            state.data = None
        if why is not None:
            self.batcher.add(frame, file, state.channel.name, why, (previous, page_before))

    def _find(self, frame: Frame) -> IdState | None:
        return self._states.get(frame[1:4])

    def _look_at_channel(self, channel: ChannelState, t: int) -> None:
        """Before a frame of the channel at t: was there a drop note, or a silence?"""
        if channel.dropped is not None:
            self._end_drop(channel, t)
            return
        found = self._silences.look(channel, t)
        if isinstance(found, Sleep):
            self.batcher.sleeps.append(found)
            self.noticed.sleeps.append(found)
            channel.interrupt(Broken.SLEEP, t, found.span)
        elif found is not None:
            self._gap(found)

    def _gap(self, gap: Gap) -> None:
        self.batcher.gaps.append(gap)
        self.noticed.gaps.append(gap)
        for channel in self.channels.values():
            if gap.channel in ("", channel.name):
                channel.interrupt(Broken.GAP, gap.span.hi, gap.span)

    def drop(self, drop: Drop) -> None:
        """The recorder says that it lost frames here."""
        name = self._aliases.get(drop.channel, drop.channel)
        channel = self.channels.setdefault(name, ChannelState(name))
        since, lost = channel.dropped or (channel.last if channel.last != NO_TIME else self.now, 0)
        channel.dropped = (since, lost + drop.lost)
        for state in channel.ids:
            state.interrupt(Broken.GAP)

    def _end_drop(self, channel: ChannelState, t: int) -> None:
        """The frame after the drop note has come, or the end of the segment."""
        since, lost = channel.dropped or (t, 0)
        channel.dropped = None
        self._gap(Gap(channel.name, Interval(min(since, t) if since != NO_TIME else t, t), GapCause.DROP_NOTE, lost))

    def end_segment(self) -> Interval | None:
        """Close what is open at the end of a segment; its span, or None where it has no frame."""
        if self.began is None:
            return None
        for channel in self.channels.values():
            if channel.dropped is not None:
                self._end_drop(channel, self.now)
            for state in channel.ids:
                self._confirm(state)
        span = Interval(min(self.began, self.now), self.now)
        self.began = None
        return span

    def begin_segment(self, t: int) -> None:
        """A new segment begins at t: nothing is known any more."""
        for channel in self.channels.values():
            channel.restart(t)
        self.began = self.now = t
