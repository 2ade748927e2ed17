"""How fast the car goes: straight ramps between speeds."""

from __future__ import annotations

from latchtrace.simulation.loop import Loop


class Motion:
    """The speed over time, in km/h."""

    def __init__(self, loop: Loop, speed: float) -> None:
        self._loop = loop
        self._from, self._to = speed, speed
        self._start, self._end = loop.now, loop.now

    @property
    def speed(self) -> float:
        """The speed now."""
        if self._loop.now >= self._end:
            return self._to
        share = (self._loop.now - self._start) / (self._end - self._start)
        return self._from + (self._to - self._from) * share

    @property
    def changing(self) -> bool:
        """Whether it speeds up or slows down."""
        return self._loop.now < self._end

    def go(self, speed: float, over: int) -> None:
        """Change to another speed, evenly, within `over` nanoseconds."""
        self._from, self._to = self.speed, speed
        self._start, self._end = self._loop.now, self._loop.now + over
