"""Captures for tests: cyclic traffic made from a list of ids, candump text of it, and what the reader makes of it."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from latchtrace.capture.reader import find_captures, read_changes
from latchtrace.model.frames import CaptureReport, ChangeBatch, RowStore, Why
from latchtrace.model.plan import ReadPlan
from latchtrace.model.time import MILLISECOND, SECOND
from support.rows import Row, Sent

ZERO = 1_700_000_000 * SECOND


@dataclass(frozen=True)
class Cyclic:
    """One id sent every `period` milliseconds from `phase` on, early or late by up to `jitter` of the period."""

    can_id: int
    period: float
    phase: float = 0.0
    jitter: float = 0.002
    channel: str = "can0"
    data: bytes = b"\x11\x22\x33\x44"

    def between(self, start: float, end: float, rng: random.Random) -> list[Sent]:
        """Its frames in [start, end), in seconds from ZERO, on the beat that began at `phase`."""
        step = self.period / 1000
        first = -int((self.phase / 1000 - start) // step)
        frames = []
        for number in range(max(0, first), max(0, int((end - self.phase / 1000) // step) + 2)):
            t = self.phase / 1000 + number * step + rng.uniform(-1, 1) * self.jitter * step
            if start <= t < end:
                frames.append(Sent(ZERO + round(t * 1e6) * 1000, self.data, self.can_id, self.channel))
        return frames


def body(channel: str = "can0", seed: int = 1, first_id: int = 0x100) -> list[Cyclic]:
    """Ten ids as a body network has them, each with a phase of its own."""
    rng = random.Random(seed)
    periods = (20, 50, 100, 100, 100, 200, 200, 500, 1000, 1000)
    return [
        Cyclic(first_id + 16 * at, period, rng.uniform(0, period), channel=channel) for at, period in enumerate(periods)
    ]


def traffic(ids: Iterable[Cyclic], start: float, end: float, seed: int = 2) -> list[Sent]:
    """All ids' frames in order of time."""
    rng = random.Random(seed)
    return sorted((frame for one in ids for frame in one.between(start, end, rng)), key=lambda sent: sent.t)


def restarted(ids: Sequence[Cyclic], wake: float, seed: int = 3) -> list[Cyclic]:
    """The same ids after a sleep: each node starts at a moment of its own within 300 ms of `wake`."""
    rng = random.Random(seed)
    return [
        Cyclic(one.can_id, one.period, 1000 * wake + rng.uniform(0, 300), one.jitter, one.channel, one.data)
        for one in ids
    ]


def stopped(ids: Sequence[Cyclic], start: float, end: float, seed: int = 4) -> list[Sent]:
    """Traffic that ends as a network falls asleep: each node stops at a moment of its own in the last 2 s."""
    rng = random.Random(seed)
    frames = [
        frame for at, one in enumerate(ids) for frame in traffic([one], start, end - rng.uniform(0, 2), seed=seed + at)
    ]
    return sorted(frames, key=lambda sent: sent.t)


def text_line(sent: Sent) -> str:
    """A frame as candump writes it."""
    micro = sent.t // 1000
    digits = f"{sent.can_id:08X}" if sent.extended else f"{sent.can_id:03X}"
    return f"({micro // 10**6:010d}.{micro % 10**6:06d}) {sent.channel} {digits}#{sent.data.hex().upper()}"


def write(path: Path, frames: Iterable[Sent]) -> Path:
    """A candump file of these frames."""
    path.write_text("".join(text_line(sent) + "\n" for sent in frames), encoding="ascii")
    return path


@dataclass
class Outcome:
    """What a reading gave."""

    batches: list[ChangeBatch]
    report: CaptureReport
    store: RowStore = field(default_factory=RowStore)

    @property
    def rows(self) -> list[Row]:
        """The rows in the form of `support.rows`."""
        found = []
        for batch in self.batches:
            for i in range(len(batch)):
                sent = Sent(
                    int(batch.t[i]),
                    batch.data(i),
                    int(batch.can_id[i]),
                    batch.channels[int(batch.channel[i])],
                    bool(int(batch.flags[i]) & 1),
                )
                found.append(Row(sent, Why(int(batch.why[i])), int(batch.previous[i]), int(batch.previous_page[i])))
        return found


def read(
    paths: Path | Sequence[Path], plan: ReadPlan | None = None, start: int | None = None, end: int | None = None
) -> Outcome:
    """Read files whole."""
    names = [str(path) for path in ([paths] if isinstance(paths, Path) else paths)]
    reader = read_changes(find_captures(names), plan or ReadPlan(), start=start, end=end)
    batches = list(reader)
    outcome = Outcome(batches, reader.report)
    for batch in batches:
        outcome.store.add(batch)
    return outcome


def seconds(moment: int) -> float:
    """A time in seconds from ZERO."""
    return (moment - ZERO) / SECOND


def at(value: float) -> int:
    """Seconds from ZERO as a time."""
    return ZERO + round(value * SECOND)


def ms(value: float) -> int:
    """Milliseconds in nanoseconds."""
    return round(value * MILLISECOND)
