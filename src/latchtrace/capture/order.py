"""All frames of all files in one time order, in bounded memory.

Frames that come at most one second late are put back in their place; a step back of more than that starts a new
segment, in which nothing of before is assumed to hold. Files are merged segment by segment. Frames with equal
times keep the order of the files, then of the lines.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import repeat
from operator import itemgetter

from latchtrace.capture.contract import Block
from latchtrace.capture.tally import FileTally
from latchtrace.model.frames import Drop, Frame
from latchtrace.model.time import SECOND

WINDOW = SECOND
MOST_HELD = 1 << 18

_time = itemgetter(0)


@dataclass(slots=True)
class Stretch:
    """Frames in time order, one segment; `notes` holds (number of frames before it, drop note)."""

    segment: int
    frames: list[Frame] = field(default_factory=list)
    times: list[int] = field(default_factory=list)
    files: Sequence[int] | repeat[int] = ()
    notes: list[tuple[int, Drop]] = field(default_factory=list)

    def within(self, start: int | None, end: int | None) -> Stretch:
        """Only what lies in [start, end]."""
        lo = 0 if start is None else bisect_left(self.times, start)
        hi = len(self.times) if end is None else bisect_right(self.times, end)
        if lo == 0 and hi == len(self.times):
            return self
        files = self.files if isinstance(self.files, repeat) else self.files[lo:hi]
        notes = [(at - lo, drop) for at, drop in self.notes if lo <= at <= hi]
        return Stretch(self.segment, self.frames[lo:hi], self.times[lo:hi], files, notes)


@dataclass(slots=True)
class _Run:
    """What one file has ready: in time order, one segment, nothing earlier can come; `over` ends the segment."""

    segment: int
    times: list[int]
    frames: list[Frame]
    drops: list[tuple[int, Drop]]
    over: bool = False


class _Sorter:
    """Puts one file's frames in time order within the window, and cuts it into segments."""

    def __init__(self, tally: FileTally) -> None:
        self._tally = tally
        self._times: list[int] = []
        self._frames: list[Frame] = []
        self._drops: list[tuple[int, Drop]] = []
        self._early: list[Drop] = []  # drop notes before the first frame
        self._segment = 0
        self._latest: int | None = None
        self._released: int | None = None

    def add(self, block: Block) -> Iterator[_Run]:
        """Take the next block; yields what is ready now."""
        times = list(map(_time, block.frames))
        self._tally.add(block, times)
        drops = [(at, note) for at, note in block.notes if isinstance(note, Drop)]
        if times and (self._latest is None or times[0] >= self._latest) and times == sorted(times):
            self._append(block.frames, times, drops)
        else:
            yield from self._place(block.frames, times, drops)
        if self._latest is not None:
            yield self._release(self._latest - WINDOW)

    def _append(self, frames: list[Frame], times: list[int], drops: list[tuple[int, Drop]]) -> None:
        """Add frames that are in order already."""
        before = times[0] - 1 if self._latest is None else self._latest
        self._note(times[0] - 1, [])
        self._drops += [(times[at - 1] if at else before, drop) for at, drop in drops]
        self._times += times
        self._frames += frames
        self._latest = times[-1]

    def _place(self, frames: list[Frame], times: list[int], drops: list[tuple[int, Drop]]) -> Iterator[_Run]:
        """Add frames one by one, each at its place; those too late for theirs start a new segment."""
        waiting = list(drops)
        for i, t in enumerate(times):
            while waiting and waiting[0][0] <= i:
                self._note(self._latest, [waiting.pop(0)[1]])
            latest = self._latest
            if latest is not None and (t < latest - WINDOW or (self._released is not None and t < self._released)):
                yield self.finish()
                self._segment += 1
                self._latest = self._released = latest = None
            if latest is not None and t < latest:
                self._tally.out_of_order += 1
            at = bisect_right(self._times, t)
            self._times.insert(at, t)
            self._frames.insert(at, frames[i])
            self._latest = t if latest is None else max(t, latest)
            self._note(t - 1, [])
        self._note(self._latest, [drop for _, drop in waiting])

    def _note(self, t: int | None, drops: list[Drop]) -> None:
        """Give drop notes the time of the latest frame before them; those before the first frame wait for one."""
        self._early += drops
        if t is not None:
            self._drops += [(t, drop) for drop in self._early]
            self._early = []

    def _release(self, until: int) -> _Run:
        """Everything before `until`, or earlier if too much is held: nothing before it can come any more."""
        count = bisect_left(self._times, until)
        if len(self._times) - count > MOST_HELD:
            count = bisect_left(self._times, self._times[len(self._times) // 2]) or len(self._times) // 2
        if count:
            self._released = self._times[count - 1]
        return self._hand_over(count, self._times[count] if count < len(self._times) else None)

    def _hand_over(self, count: int, bound: int | None) -> _Run:
        times, frames = self._times[:count], self._frames[:count]
        del self._times[:count], self._frames[:count]
        drops = [drop for drop in self._drops if bound is None or drop[0] < bound]
        self._drops = self._drops[len(drops) :]
        return _Run(self._segment, times, frames, drops)

    def finish(self) -> _Run:
        """What is left at the end of the file or of a segment."""
        run = self._hand_over(len(self._times), None)
        run.over = True
        return run


def ordered(blocks: Iterator[Block], tally: FileTally) -> Iterator[_Run]:
    """One file's runs, in time order; the tally counts on the way."""
    sorter = _Sorter(tally)
    for block in blocks:
        yield from sorter.add(block)
    yield sorter.finish()


def stretches(feeds: Sequence[Iterator[_Run]]) -> Iterator[Stretch]:
    """All files' frames in one time order, segment by segment."""
    if len(feeds) == 1:
        for run in feeds[0]:
            if run.frames or run.drops:
                yield _stretch(run.segment, run.times, run.frames, repeat(0), run.drops)
        return
    merger = _Merger(feeds)
    while not merger.done:
        yield from merger.segment()


def _stretch(
    segment: int,
    times: list[int],
    frames: list[Frame],
    files: Sequence[int] | repeat[int],
    drops: Sequence[tuple[int, Drop]],
) -> Stretch:
    notes = [(bisect_right(times, t), drop) for t, drop in drops]
    return Stretch(segment, frames, times, files, notes)


class _Feed:
    """One file in the merge: what it has ready of the present segment."""

    def __init__(self, index: int, runs: Iterator[_Run]) -> None:
        self.index, self.runs = index, runs
        self.times: list[int] = []
        self.frames: list[Frame] = []
        self.drops: list[tuple[int, Drop]] = []
        self.over = False  # this segment of the file is wholly here
        self.ended = False  # and no other follows
        self._next: _Run | None = next(runs, None)

    def load(self) -> None:
        """Take the next run of this segment; the file's segments are taken one at a time."""
        run = self._next
        if run is None:
            self.over = self.ended = True
            return
        self.times += run.times
        self.frames += run.frames
        self.drops += run.drops
        self.over = run.over
        self._next = next(self.runs, None)
        self.ended = self._next is None
        self.over = self.over or self.ended

    def take(self, limit: int | None) -> tuple[list[int], list[Frame], list[tuple[int, Drop]]]:
        """What lies before `limit` (None: all), removed from the feed."""
        count = len(self.times) if limit is None else bisect_left(self.times, limit)
        times, frames = self.times[:count], self.frames[:count]
        del self.times[:count], self.frames[:count]
        drops = [drop for drop in self.drops if limit is None or drop[0] < limit]
        self.drops = self.drops[len(drops) :]
        return times, frames, drops


class _Merger:
    """Merges the files' runs; a segment of the whole ends when each file's has."""

    def __init__(self, feeds: Sequence[Iterator[_Run]]) -> None:
        self._feeds = [_Feed(index, runs) for index, runs in enumerate(feeds)]
        self._number = -1

    @property
    def done(self) -> bool:
        """Whether nothing is left in any file."""
        return all(feed.ended and not feed.times for feed in self._feeds)

    def segment(self) -> Iterator[Stretch]:
        """The stretches of the next segment."""
        self._number += 1
        for feed in self._feeds:
            feed.over = feed.ended
        while True:
            self._fill()
            open_feeds = [feed for feed in self._feeds if not feed.over]
            limit = min((feed.times[-1] for feed in open_feeds), default=None)
            stretch = self._merge(limit)
            if stretch.frames or stretch.notes:
                yield stretch
            if not open_feeds:
                return
            slowest = min(open_feeds, key=lambda feed: feed.times[-1])
            slowest.load()

    def _fill(self) -> None:
        for feed in self._feeds:
            while not feed.times and not feed.over:
                feed.load()

    def _merge(self, limit: int | None) -> Stretch:
        times: list[int] = []
        frames: list[Frame] = []
        files: list[int] = []
        drops: list[tuple[int, Drop]] = []
        for feed in self._feeds:
            some, theirs, dropped = feed.take(limit)
            times += some
            frames += theirs
            files += [feed.index] * len(some)
            drops += dropped
        if times != sorted(times):
            order = sorted(range(len(times)), key=times.__getitem__)
            times = [times[i] for i in order]
            frames = [frames[i] for i in order]
            files = [files[i] for i in order]
        return _stretch(self._number, times, frames, files, sorted(drops, key=_time))
