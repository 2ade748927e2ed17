"""Quantities as people write them (`30 s`, `500 ms`, `15 km/h`) and as latchtrace prints them."""

from __future__ import annotations

import re
from fractions import Fraction

from latchtrace.model.time import Interval

_TIME_UNITS = {"ns": 1, "us": 1_000, "µs": 1_000, "ms": 1_000_000, "s": 10**9, "min": 60 * 10**9, "h": 3600 * 10**9}
_TIME = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(ns|us|µs|ms|s|min|h)\s*")
_SPEED = re.compile(r"\s*(\d+(?:\.\d+)?)\s*km/h\s*")


def parse_time(text: str) -> int:
    """A duration such as `30 s` or `2.5 ms` in nanoseconds; ValueError where it is none."""
    match = _TIME.fullmatch(text)
    if not match:
        raise ValueError(f"'{text}' is not a duration; write a number and a unit, such as 500 ms, 30 s or 72 h")
    return int(Fraction(match[1]) * _TIME_UNITS[match[2]])


def parse_speed(text: str) -> float:
    """A speed such as `15 km/h`, in km/h; ValueError where it is none."""
    match = _SPEED.fullmatch(text)
    if not match:
        raise ValueError(f"'{text}' is not a speed; write a number and km/h, such as 15 km/h")
    return float(match[1])


def time_text(nanoseconds: float) -> str:
    """A duration as a technician reads it: `480 ms`, `30.1 s`, `12 min 5 s`, `2 h 0 min`."""
    sign, size = ("-", -nanoseconds) if nanoseconds < 0 else ("", nanoseconds)
    if size < 10**6:
        return f"{sign}{size / 1000:.3g} µs" if size else "0 ms"
    if size < 10**9:
        return f"{sign}{size / 10**6:.4g} ms" if size < 999_500_000 else f"{sign}1 s"
    if size < 120 * 10**9:
        return f"{sign}{size / 10**9:.2f}".rstrip("0").rstrip(".") + " s"
    seconds = round(size / 10**9)
    if seconds < 7200:
        return f"{sign}{seconds // 60} min {seconds % 60} s"
    return f"{sign}{seconds // 3600} h {seconds % 3600 // 60} min"


def duration_text(duration: Interval) -> str:
    """An uncertain duration in words: one figure where both ends read the same, else `between … and …`."""
    lo, hi = time_text(duration.lo), time_text(duration.hi)
    return lo if lo == hi else f"between {lo} and {hi}"
