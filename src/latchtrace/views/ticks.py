"""Round times for an axis."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from latchtrace.model.clock import Clock
from latchtrace.model.time import HOUR, MINUTE, SECOND
from latchtrace.views.wording import moment_text

_STEPS = (
    *(size * 10**power for power in range(9) for size in (1, 2, 5)),
    *(size * SECOND for size in (1, 2, 5, 10, 15, 30)),
    *(size * MINUTE for size in (1, 2, 5, 10, 15, 30)),
    *(size * HOUR for size in (1, 2, 3, 6, 12, 24, 48, 168, 672, 8736)),
)


@dataclass(frozen=True, slots=True)
class Tick:
    """One round time: nanoseconds in the capture's time base, and how it reads."""

    t: int
    text: str


def ticks(t0: int, t1: int, most: int, times: Clock) -> Iterator[Tick]:
    """At most about `most` round times within [t0, t1], round by the clock that people read."""
    wanted = (t1 - t0) // max(most, 1)
    step = next((size for size in _STEPS if size >= wanted), _STEPS[-1])
    digits = 0 if step >= SECOND else max(0, 9 - _zeros(step))
    origin = _origin(t0, times)
    first = -(-(t0 - origin) // step)
    for number in range(first, (t1 - origin) // step + 1):
        t = origin + number * step
        text = moment_text(t, times, digits)
        yield Tick(t, text if step < MINUTE else text[:-3])


def _zeros(step: int) -> int:
    return len(str(step)) - len(str(step).rstrip("0"))


def _origin(t0: int, times: Clock) -> int:
    """A moment near t0 that is a full hour by the clock that people read."""
    shown = moment_text(t0, times, 9).lstrip("+-").split(":")
    seconds, _, part = shown[2].partition(".")
    since = (int(shown[1]) * 60 + int(seconds)) * SECOND + int(part)
    backwards = not times.dated and t0 < times.zero
    hours = int(shown[0]) * HOUR
    return t0 + since + hours if backwards else t0 - since - hours
