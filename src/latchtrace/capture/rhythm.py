"""The rhythm of one id: its period if it is cyclic, how exactly that is known, and which spacing is out of it.

An id counts as cyclic when most of at least five spacings lie within 20 % of their median and these make up most
of the time (a burst of repeats with long rests is no cycle). The figures are ours, chosen for body networks, where
cyclic frames jitter by a few per cent.
"""

from __future__ import annotations

from statistics import median

from latchtrace.model.time import MILLISECOND

FEWEST_GAPS = 5
SAMPLE = 32
BAND = 0.2
LATE = 1.5  # spacings longer than this many periods miss a frame
MOST_MISSING = 10  # an id that misses more of its own frames than this has paused
ANOTHER_RHYTHM = 3  # as many equal late spacings one after another are another rhythm, and nothing is lost
SHORTEST_RUN = 20  # frames between two pauses below which it was a burst
SUSPICIOUS = 500 * MILLISECOND  # spacings longer than this are looked at, whatever the period

_CHECK_AT = (5, 8, 16, SAMPLE)
NEVER = 1 << 62


def typical(gaps: list[int]) -> tuple[int, int] | None:
    """Period and jitter (median, and median distance from it) where these spacings look cyclic, else None."""
    if len(gaps) < FEWEST_GAPS:
        return None
    middle = round(median(gaps))
    regular = [gap for gap in gaps if abs(gap - middle) <= BAND * middle]
    if middle <= 0 or 2 * len(regular) <= len(gaps) or 2 * sum(regular) < sum(gaps):
        return None
    return middle, round(median(abs(gap - middle) for gap in regular))


class Rhythm:
    """Watches the spacings of one id; only those outside [low, high] need to be shown to it once it knows them."""

    __slots__ = (
        "_odd_at",
        "_odd_run",
        "_sample",
        "_stated",
        "high",
        "jitter",
        "low",
        "period",
        "run_frames",
        "run_from",
    )

    def __init__(self, stated: int | None = None) -> None:
        self._stated = stated
        self.run_from = 0  # time and number of the first frame of the present undisturbed run
        self.run_frames = 0
        self._odd_at = 0
        self._odd_run = 0
        self._forget()

    def _forget(self) -> None:
        self.period: int | None = None
        self.jitter = 0
        self._sample: list[int] = []
        self.low, self.high = NEVER, -NEVER

    @property
    def learning(self) -> bool:
        """Whether every spacing must be shown."""
        return self.low == NEVER

    @property
    def expected(self) -> int | None:
        """The period to count losses by: the stated one, unless the bus plainly shows a longer one."""
        if self._stated is None or (self.period is not None and self.period > LATE * self._stated):
            return self.period
        return self._stated

    def show(self, gap: int, t: int, number: int) -> None:
        """Take the spacing before the id's frame of this number (counted from 1) at t."""
        if self.learning:
            self._sample.append(gap)
            if len(self._sample) in _CHECK_AT:
                self._learn(t, number)
        if self.period is not None and abs(gap - self.period) > BAND * self.period:
            self._odd(t, number)

    def _odd(self, t: int, number: int) -> None:
        """A spacing out of the band ends the undisturbed run; several one after another are another rhythm."""
        self._odd_run = self._odd_run + 1 if number == self._odd_at + 1 else 1
        self._odd_at = number
        self.run_from, self.run_frames = t, number
        if self._odd_run >= FEWEST_GAPS and not self.learning:
            self._forget()

    def _learn(self, t: int, number: int) -> None:
        found, count = typical(self._sample), len(self._sample)
        if found:
            if self.period is None:
                self.run_from, self.run_frames = t - sum(self._sample), number - count
            self.period, self.jitter = found
        if count == SAMPLE:
            self.period = self.period if found else None
            self._sample = []
            self.low = 0

    def settle(self, narrowest: int, widest: int, limit: int | None) -> None:
        """Set [low, high] once learned: within the spacings seen so far, the band and every limit."""
        if self.learning:
            return
        low, high = narrowest, min(widest, SUSPICIOUS)
        if self.period is not None:
            low, high = max(low, round((1 - BAND) * self.period)), min(high, round((1 + BAND) * self.period))
        if self._stated is not None:
            high = min(high, round(LATE * self._stated))
        self.low, self.high = low, high if limit is None else min(high, limit)

    def start_over(self) -> None:
        """Learn anew."""
        self._forget()

    def pause(self, t: int, number: int) -> None:
        """The id was silent for long by itself; a short run before it shows a burst, not a cycle."""
        if number - self.run_frames < SHORTEST_RUN:
            self.start_over()
        self.run_from, self.run_frames = t, number

    def exact(self, last: int, number: int) -> tuple[float, float] | None:
        """Period and its standard uncertainty from the undisturbed run that ends at `last`; None if not cyclic."""
        if self.period is None:
            return None
        count = number - self.run_frames
        if count < FEWEST_GAPS:
            return float(self.period), max(self.jitter, self.period * 0.002) / 2
        return (last - self.run_from) / count, max(self.jitter, self.period * 1e-4) * 1.5 / count
