"""The captures opened together: one stream of stretches, and the files' counts at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from latchtrace.capture.contract import Block
from latchtrace.capture.order import Stretch, ordered, stretches
from latchtrace.capture.source import Source
from latchtrace.capture.tally import Digests, FileTally
from latchtrace.errors import UsageError
from latchtrace.model.frames import FileReport

Progress = Callable[[int, int], None]
"""Called now and then with the bytes read so far and the bytes of all files."""


@dataclass(frozen=True, slots=True)
class FilesRead:
    """What was counted of all files."""

    reports: tuple[FileReport, ...]
    tallies: tuple[FileTally, ...]


class Feed:
    """The frames of several captures in one time order, for one reading."""

    def __init__(self, sources: tuple[Source, ...], progress: Progress | None = None) -> None:
        if not sources:
            raise UsageError("no capture to read")
        self._sources = sources
        self._progress = progress
        self._total = sum(source.size for source in sources)
        self._done = [0] * len(sources)
        self._tallies = tuple(FileTally(source) for source in sources)
        self._digests = Digests(sources)

    def stretches(self) -> Iterator[Stretch]:
        """All frames, in time order, segment by segment."""
        runs = [ordered(self._blocks(index), tally) for index, tally in enumerate(self._tallies)]
        return stretches(runs)

    def _blocks(self, index: int) -> Iterator[Block]:
        source = self._sources[index]
        opening = source.open()
        for block in source.format.read(opening):
            if self._progress:
                self._done[index] = opening.consumed
                self._progress(sum(self._done), self._total)
            yield block
        if self._progress:
            self._done[index] = source.size
            self._progress(sum(self._done), self._total)

    def finish(self) -> FilesRead:
        """The counts, after the last stretch; CaptureError where not one frame was read."""
        if not any(tally.frames for tally in self._tallies):
            raise self._tallies[0].nothing()
        digests = self._digests.wait()
        reports = tuple(tally.report(digest) for tally, digest in zip(self._tallies, digests, strict=True))
        return FilesRead(reports, self._tallies)

    def close(self) -> None:
        """Let go of what runs beside the reading."""
        self._digests.stop()
