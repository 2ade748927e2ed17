"""What is remembered of each id and each channel while reading: one small object each."""

from __future__ import annotations

from enum import IntEnum

from latchtrace.capture.rhythm import FEWEST_GAPS, NEVER, Rhythm
from latchtrace.capture.watch import Watch
from latchtrace.model.frames import IdStatistics, Loss
from latchtrace.model.plan import MessagePlan
from latchtrace.model.time import NO_TIME, Interval


class Broken(IntEnum):
    """What lies between the last frame of an id and the next one."""

    NO = 0
    SLEEP = 1  # what was known still holds
    GAP = 2  # nothing is known any more


class IdState:
    """One id of one channel.

    The reader's inner loop touches `last`, `frames`, `data`, `low` and `high` only: a frame with the payload
    `data` whose spacing lies in [low, high] needs nothing else.
    """

    __slots__ = (
        "_counted",
        "_lengths",
        "bits",
        "breaks",
        "broken",
        "can_id",
        "changes",
        "changing",
        "channel",
        "data",
        "earliest",
        "excluded",
        "extended",
        "first",
        "frame_bits",
        "frames",
        "fresh",
        "high",
        "last",
        "late",
        "late_run",
        "latest",
        "low",
        "narrowest",
        "raw",
        "resumed",
        "rhythm",
        "silent",
        "suspects",
        "value",
        "watch",
        "widest",
    )

    def __init__(self, channel: ChannelState, can_id: int, extended: bool, plan: MessagePlan | None) -> None:
        self.channel, self.can_id, self.extended = channel, can_id, extended
        self.watch = Watch(plan) if plan else None
        self.rhythm = Rhythm(plan.period if plan else None)
        self.frames = 0
        self.first = self.last = NO_TIME  # as they came; over several segments not the earliest and latest
        self.earliest = self.latest = NO_TIME
        self.low, self.high = NEVER, -NEVER
        self.narrowest, self.widest = NEVER, -1
        self.breaks = 0  # spacings that do not count, and their sum
        self.excluded = 0
        self.broken = Broken.GAP
        self.resumed = 0  # frames before the last break
        self.silent = False
        self.fresh = True  # nothing is known of it before the next frame
        self.data: bytes | None = None  # None: the next frame must be looked at
        self.raw: bytes | None = None
        self.value = 0
        self.changing = 0
        self.changes = 0
        self.suspects: list[Loss] = []  # frames that may be lost, as the next spacings will show
        self.late = 0  # the last spacing, if it was too long, and how many such there were one after another
        self.late_run = 0
        self.bits = 0
        self.frame_bits = 0
        self._lengths: set[int] = set()
        self._counted = 0

    @property
    def limit(self) -> int | None:
        """The plan's silence limit."""
        return self.watch.plan.silence_limit if self.watch else None

    def settle(self) -> None:
        """Renew [low, high]."""
        self.rhythm.settle(self.narrowest, self.widest, self.limit)
        self.low, self.high = self.rhythm.low, self.rhythm.high
        if self.late:
            self.low, self.high = NEVER, -NEVER  # the next spacing must be looked at

    def interrupt(self, broken: Broken) -> None:
        """A sleep or a gap lies before the next frame."""
        self.broken = max(self.broken, broken)
        self.low, self.high = NEVER, -NEVER

    def restart(self, t: int) -> None:
        """A new segment begins at t."""
        self.latest = max(self.latest, self.last)
        self.excluded += t - self.last
        self.last = t
        self.interrupt(Broken.GAP)

    def resume(self, t: int, gap: int) -> None:
        """The first frame after a break, at t."""
        if self.frames:
            self.breaks += 1
            self.excluded += gap
        else:
            self.first = self.earliest = t
        self.earliest = min(self.earliest, t)
        if self.broken is Broken.GAP:
            self.data, self.fresh = None, True
            if self.watch:
                self.watch.forget()
        elif (limit := self.limit) is not None and gap > limit:
            self.data, self.silent = None, True
        self.broken, self.resumed = Broken.NO, self.frames
        self.rhythm.run_from, self.rhythm.run_frames = t, self.frames + 1
        self.settle()

    def change(self, data: bytes, value: int) -> None:
        """Take a payload that differs from the last one, with its value as a little-endian integer."""
        if self.raw is not None:
            self.changes += 1
            self.changing |= value ^ self.value
        self.raw, self.value = data, value
        if len(data) not in self._lengths:
            self._lengths.add(len(data))

    def count_bits(self, frame_bits: int) -> None:
        """From this frame (not yet counted in `frames`) on each takes this many bits of the bus."""
        self.bits += (self.frames - self._counted) * self.frame_bits
        self._counted, self.frame_bits = self.frames, frame_bits

    @property
    def all_bits(self) -> int:
        """The bits of all its frames."""
        return self.bits + (self.frames - self._counted) * self.frame_bits

    def active(self, last: int, recent: int) -> bool:
        """Whether it is cyclic, sent often enough since the last break, and lately before the channel's last frame."""
        if self.rhythm.period is None or self.broken is not Broken.NO or last - self.last > recent:
            return False
        return self.frames - self.resumed >= FEWEST_GAPS

    def statistics(self) -> IdStatistics:
        """What is reported of the id."""
        counted = self.frames - 1 - self.breaks
        total = self.last - self.first - self.excluded
        return IdStatistics(
            channel=self.channel.name,
            can_id=self.can_id,
            extended=self.extended,
            frames=self.frames,
            first=self.earliest,
            last=max(self.last, self.latest),
            lengths=tuple(sorted(self._lengths)),
            min_gap=self.narrowest if counted > 0 else None,
            mean_gap=total / counted if counted > 0 else None,
            max_gap=self.widest if counted > 0 else None,
            period=self.rhythm.period,
            changing=self.changing,
            changes=self.changes,
        )


class ChannelState:
    """One channel: its ids, and what interrupts it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.ids: list[IdState] = []
        self.other = NO_TIME  # last remote frame
        self.resumed = NO_TIME  # when a gap that concerns it ended
        self.asleep = False
        self.quiet = (NO_TIME, NO_TIME)  # its latest silence, of whatever kind
        self.flexible = False  # has CAN FD frames
        self.dropped: tuple[int, int] | None = None  # a drop note waits: last time before, frames lost
        self.breaks: list[Interval] = []  # sleeps and gaps

    @property
    def last(self) -> int:
        """Time of its last frame, or of the end of the last gap (NO_TIME: none)."""
        latest = max((state.last for state in self.ids), default=NO_TIME)
        return max(latest, self.other, self.resumed)

    def quiet_within(self, start: int, end: int) -> int:
        """How much of a span its latest silence covers."""
        return max(0, min(end, self.quiet[1]) - max(start, self.quiet[0]))

    def interrupt(self, broken: Broken, t: int, span: Interval | None = None) -> None:
        """Break all ids; the channel goes on at t."""
        self.resumed, self.asleep = t, broken is Broken.SLEEP
        if span:
            self.breaks.append(span)
        for state in self.ids:
            state.interrupt(broken)

    def restart(self, t: int) -> None:
        """A new segment begins at t."""
        for state in self.ids:
            state.restart(t)
        self.resumed, self.asleep, self.other, self.quiet = t, False, NO_TIME, (NO_TIME, NO_TIME)
