"""The heart of the simulation: things that happen in order of time, and chance that can be repeated."""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable


class Loop:
    """Runs callbacks in order of their time (integer nanoseconds); ties in the order they were asked for.

    `context` is the place in the scenario that led to what runs now.
    """

    def __init__(self, start: int) -> None:
        self.now = start
        self.context: tuple[str | int, ...] = ()
        self._heap: list[tuple[int, int, Callable[[], None], tuple[str | int, ...]]] = []
        self._asked = 0

    def at(self, when: int, callback: Callable[[], None]) -> None:
        """Run the callback at that time, at once where it lies in the past, in the context it is asked in."""
        self._asked += 1
        heapq.heappush(self._heap, (max(when, self.now), self._asked, callback, self.context))

    def run(self, end: int) -> None:
        """Run everything up to and including `end`."""
        while self._heap and self._heap[0][0] <= end:
            self.now, _, callback, self.context = heapq.heappop(self._heap)
            callback()
        self.context = ()
        self.now = end


class Chance:
    """Random numbers in named streams, so that more draws of one kind never shift those of another.

    Only `random.random()` is drawn from: the one method whose sequence Python promises to keep.
    """

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._streams: dict[str, random.Random] = {}

    def share(self, stream: str) -> float:
        """A number in [0, 1)."""
        if stream not in self._streams:
            self._streams[stream] = random.Random(f"{self.seed}/{stream}")  # noqa: S311
        return self._streams[stream].random()

    def between(self, stream: str, low: int, high: int) -> int:
        """A whole number from `low` to `high`."""
        return low + int(self.share(stream) * (high - low + 1))
