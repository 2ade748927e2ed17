"""Change detection over whole captures: all frames in, the frames that matter out, batch by batch.

This is the plain reader. Whatever reads faster stands behind `ChangeReader` too and gives the same batches.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterator, Sequence
from itertools import islice, repeat

from latchtrace.capture.batches import MOST_ROWS
from latchtrace.capture.detector import Detector, Measure
from latchtrace.capture.feed import Feed, Progress
from latchtrace.capture.order import Stretch
from latchtrace.capture.source import Source
from latchtrace.capture.summary import report_of
from latchtrace.errors import UsageError
from latchtrace.model.frames import CaptureReport, ChangeBatch, Frame, Segment
from latchtrace.model.plan import ReadPlan

_MOST_FRAMES = 1 << 16


class ChangeReader:
    """Reads the sources once: iterate for the batches, then ask for the report.

    Rows come in time order. A batch holds one segment; what is still undecided (a silence that may be a sleep or
    a hole) holds the watermark back until it is decided. At least one batch comes, if only to tell the watermark.
    """

    def __init__(
        self,
        sources: Sequence[Source],
        plan: ReadPlan,
        start: int | None = None,
        end: int | None = None,
        progress: Progress | None = None,
        measure: Measure | None = None,
    ) -> None:
        if len({message.key for message in plan.messages}) != len(plan.messages):
            raise UsageError("the read plan names a message twice; join the two entries")
        self._bounds = (start, end)
        self._plan = plan
        self._feed = Feed(tuple(sources), progress)
        self._upstream = self._feed.stretches()
        self._waiting: deque[Stretch] = deque()
        self._stretch = Stretch(0)
        self._segment = 0
        self._since_batch = 0
        self._detector = Detector(plan, self._ahead, measure)
        self._report: CaptureReport | None = None

    @property
    def report(self) -> CaptureReport:
        """What the whole reading showed; only after the last batch."""
        if self._report is None:
            raise UsageError("the capture report is there once all batches have been read")
        return self._report

    def __iter__(self) -> Iterator[ChangeBatch]:
        try:
            yield from self._batches()
        finally:
            self._feed.close()

    def _batches(self) -> Iterator[ChangeBatch]:
        while (stretch := self._waiting.popleft() if self._waiting else self._pull()) is not None:
            if stretch.segment != self._segment:
                yield from self._turn(stretch)
            self._read(stretch)
            if len(self._detector.batcher) >= MOST_ROWS or self._since_batch >= _MOST_FRAMES:
                yield self._batch()
        self._end_segment()
        read = self._feed.finish()
        yield self._batch()
        self._report = report_of(read, self._detector.noticed, self._detector.channels.values(), self._plan)

    def _turn(self, stretch: Stretch) -> Iterator[ChangeBatch]:
        """A new segment: the old one's last batch, then nothing is known any more."""
        if self._end_segment():
            yield self._batch()
            if stretch.times:
                self._detector.begin_segment(stretch.times[0])
        self._segment = stretch.segment

    def _end_segment(self) -> bool:
        span = self._detector.end_segment()
        if span is not None:
            self._detector.noticed.segments.append(Segment(self._segment, span))
        return span is not None

    def _batch(self) -> ChangeBatch:
        self._since_batch = 0
        return self._detector.batcher.batch(self._detector.now, self._segment)

    def _pull(self) -> Stretch | None:
        """The next stretch within the bounds."""
        for stretch in self._upstream:
            inside = stretch.within(*self._bounds)
            if inside.frames or inside.notes:
                return inside
        return None

    def _ahead(self, t: int) -> Iterator[Frame]:
        """The frames from t on to the end of the segment; nothing is used up."""
        yield from islice(self._stretch.frames, bisect_left(self._stretch.times, t), None)
        number = 0
        while True:
            if number == len(self._waiting):
                more = self._pull()
                if more is None:
                    return
                self._waiting.append(more)
            if self._waiting[number].segment != self._stretch.segment:
                return
            yield from self._waiting[number].frames
            number += 1

    def _read(self, stretch: Stretch) -> None:
        """One stretch, stopping at each drop note in it."""
        self._stretch = stretch
        files = stretch.files if isinstance(stretch.files, repeat) else iter(stretch.files)
        frames, done = iter(stretch.frames), 0
        for at, drop in stretch.notes:
            self._detector.run(zip(islice(frames, at - done), files, strict=False))
            self._detector.drop(drop)
            done = at
        self._detector.run(zip(frames, files, strict=False))
        self._since_batch += len(stretch.frames)
