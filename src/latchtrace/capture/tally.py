"""What was counted of each file on the way: lines, frames, skips, channels, first and last time."""

from __future__ import annotations

import hashlib
from collections import Counter
from concurrent.futures import Future, ThreadPoolExecutor
from operator import itemgetter
from threading import Event
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block
from latchtrace.errors import CaptureError
from latchtrace.model.frames import FileReport, Skip, SkippedLine

if TYPE_CHECKING:
    from latchtrace.capture.source import Source

MOST_SKIPS_KEPT = 100

_channel = itemgetter(1)


class FileTally:
    """The counts of one file."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.lines = 0
        self.frames = 0
        self.out_of_order = 0
        self.channels: set[str] = set()
        self.first: int | None = None
        self.last: int | None = None
        self.kept: list[SkippedLine] = []
        self.reasons: Counter[str] = Counter()

    def add(self, block: Block, times: list[int]) -> None:
        """Count a block; `times` are its frames' times."""
        self.lines += block.lines
        if times:
            self.frames += len(times)
            self.channels.update(map(_channel, block.frames))
            first, last = min(times), max(times)
            self.first = first if self.first is None else min(first, self.first)
            self.last = last if self.last is None else max(last, self.last)
        for _, note in block.notes:
            if isinstance(note, Skip):
                self.reasons[note.reason] += 1
                if len(self.kept) < MOST_SKIPS_KEPT:
                    self.kept.append(SkippedLine(self.source.name, note.line, note.reason))

    @property
    def skipped(self) -> int:
        """How many lines could not be read."""
        return self.reasons.total()

    def nothing(self) -> CaptureError:
        """The error for a file that held no frame at all, with the commonest reason."""
        why = "; it holds no lines but blank ones, comments and headers" if self.source.format.text else ""
        if self.kept:
            reason, count = self.reasons.most_common(1)[0]
            line = next((skip.line for skip in self.kept if skip.reason == reason), self.kept[0].line)
            told = f"{self.skipped:,} {'line' if self.skipped == 1 else 'lines'} skipped"
            why = f"; {told}, {'all' if count == self.skipped else f'{count:,}'} as line {line}: {reason}"
        return CaptureError(f"{self.source.name}: no frame could be read as {self.source.format.name}{why}")

    def report(self, sha256: str) -> FileReport:
        """The counts as a value."""
        return FileReport(
            name=self.source.name,
            sha256=sha256,
            format=self.source.format_name,
            lines=self.lines,
            frames=self.frames,
            skipped=self.skipped,
            channels=tuple(sorted(self.channels)),
            first=self.first,
            last=self.last,
        )


class Digests:
    """The SHA-256 of each file's bytes on disk, worked out beside the reading on a thread of its own."""

    def __init__(self, sources: tuple[Source, ...]) -> None:
        self._stopped = Event()
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="digest")
        self._results: list[Future[str]] = [self._pool.submit(self._digest, source) for source in sources]

    def wait(self) -> list[str]:
        """All digests, in the order of the sources."""
        return [result.result() for result in self._results]

    def stop(self) -> None:
        """Give up what is not done yet."""
        self._stopped.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _digest(self, source: Source) -> str:
        digest = hashlib.sha256()
        try:
            with source.path.open("rb") as file:
                while not self._stopped.is_set() and (piece := file.read(1 << 20)):
                    digest.update(piece)
        except OSError as error:
            raise CaptureError(f"{source.name}: cannot be read: {error.strerror or error}") from error
        return digest.hexdigest()
