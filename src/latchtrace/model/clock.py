"""Moments as people write them (`+12.5`, `22:14:05`, ISO 8601) and as reports show them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from latchtrace.model.time import HOUR, MINUTE, SECOND

_RELATIVE = re.compile(r"([+-])(?:(\d{1,4}):([0-5]\d):)?(\d+)(?:\.(\d{1,9}))?")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,9}))?)?")
_DATED = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[T ]([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d)(?:\.(\d{1,9}))?)?\s*(Z|[+-]\d\d:?\d\d)?"
)
_OFFSET = re.compile(r"(?:UTC)?([+-])(\d\d):?(\d\d)")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FORMS = "+12.5, +HH:MM:SS, 2031-05-04T22:10:00+02:00, or 22:10:00 with a time zone"

EARLIEST_CLOCK = 631_152_000 * SECOND
"""Captures that start before 1990 carry no date: their times only count from some start of the recorder's own."""

LEEWAY = HOUR
"""A clock time without a date may lie this far before the capture's start; else it is the next day's."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment as written: nanoseconds from the start, since 1970, or since midnight of a day not stated."""

    value: int
    base: str
    zone: tzinfo | None = None

    def resolve(self, zero: int, clock_offset: int = 0) -> int:
        """The moment in the capture's own time base.

        `zero` is the time of the capture's first frame; `clock_offset` is what has to be added to the
        recorder's clock to get the true time (all in nanoseconds).
        """
        if self.base == "start":
            return zero + self.value
        if self.base == "epoch":
            return self.value - clock_offset
        zone = self.zone or UTC
        earliest = zero + clock_offset - LEEWAY
        day = (_EPOCH + timedelta(seconds=earliest // SECOND)).astimezone(zone).date()
        for ahead in range(3):
            moment = _epoch_ns(day + timedelta(days=ahead), self.value, zone)
            if moment >= earliest:
                break
        return moment - clock_offset


def parse_moment(text: str, zone: tzinfo | None = None) -> Moment:
    """A moment as a person writes it: `+12.5`, `+HH:MM:SS`, ISO 8601, or a clock time where the zone is known.

    Raises ValueError, with the forms that are understood, where it is none of these.
    """
    text = text.strip()
    if match := _RELATIVE.fullmatch(text):
        sign, hours, minutes, seconds, fraction = match.groups()
        value = int(hours or 0) * HOUR + int(minutes or 0) * MINUTE + int(seconds) * SECOND + _nanoseconds(fraction)
        return Moment(-value if sign == "-" else value, "start")
    if match := _DATED.fullmatch(text):
        return _dated(text, match, zone)
    if match := _CLOCK.fullmatch(text):
        if zone is None:
            raise ValueError(f"'{text}' is a clock time, and no time zone is stated; add one, such as UTC or +02:00")
        return Moment(_since_midnight(*match.groups()), "midnight", zone)
    raise ValueError(f"'{text}' is not a time; write {_FORMS}")


def _dated(text: str, match: re.Match[str], zone: tzinfo | None) -> Moment:
    year, month, day, *clock, offset = match.groups()
    stated = parse_zone("UTC" if offset == "Z" else offset) if offset else zone
    if stated is None:
        raise ValueError(f"'{text}' has no offset from UTC; add one, such as +02:00, or state a time zone")
    try:
        when = date(int(year), int(month), int(day))
        value = _epoch_ns(when, _since_midnight(*clock), stated)
    except (ValueError, OverflowError):
        raise ValueError(f"'{text}' is not a date of the calendar") from None
    return Moment(value, "epoch")


def parse_zone(text: str) -> tzinfo:
    """A time zone by its name in the public time zone database (`UTC`, `Europe/…`) or as an offset (`+02:00`)."""
    text = text.strip()
    if text in ("UTC", "Z"):
        return UTC
    if match := _OFFSET.fullmatch(text):
        size = timedelta(hours=int(match[2]), minutes=int(match[3]))
        if size < timedelta(days=1):
            return timezone(-size if match[1] == "-" else size)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"'{text}' is not a known time zone; write UTC, +02:00 or Area/City") from None


def _since_midnight(hours: str, minutes: str, seconds: str | None, fraction: str | None) -> int:
    return int(hours) * HOUR + int(minutes) * MINUTE + int(seconds or 0) * SECOND + _nanoseconds(fraction)


def _nanoseconds(fraction: str | None) -> int:
    return int((fraction or "0").ljust(9, "0"))


def _epoch_ns(day: date, since_midnight: int, zone: tzinfo) -> int:
    seconds, nanoseconds = divmod(since_midnight, SECOND)
    minutes, second = divmod(seconds, 60)
    local = datetime.combine(day, time(minutes // 60, minutes % 60, second), zone)
    since = local - _EPOCH
    return (since.days * 86_400 + since.seconds) * SECOND + nanoseconds


@dataclass(frozen=True, slots=True)
class Clock:
    """Shows times of one capture: by the clock where the capture has dates, else counted from its start.

    `offset` is what has to be added to the recorder's clock to get the true time (nanoseconds).
    """

    zero: int
    zone: tzinfo = UTC
    offset: int = 0

    @property
    def dated(self) -> bool:
        """Whether the capture's times are dates."""
        return self.zero >= EARLIEST_CLOCK

    def text(self, t: int, digits: int = 3) -> str:
        """The time of day, `22:14:05.120`, or `+00:14:05.120` where the capture has no dates."""
        return self._of_day(t, digits) if self.dated else self.since_start(t, digits)

    def full(self, t: int, digits: int = 3) -> str:
        """The same with the date, where the capture has dates."""
        return f"{self.day(t)} {self._of_day(t, digits)}" if self.dated else self.since_start(t, digits)

    def day(self, t: int) -> str:
        """The date, or nothing where the capture has none."""
        return self._local(t).strftime("%Y-%m-%d") if self.dated else ""

    def since_start(self, t: int, digits: int = 3) -> str:
        """Time from the capture's start, `+00:14:05.120`."""
        sign = "-" if t < self.zero else "+"
        seconds, rest = divmod(abs(t - self.zero), SECOND)
        minutes, second = divmod(seconds, 60)
        return f"{sign}{minutes // 60:02}:{minutes % 60:02}:{second:02}{_fraction(rest, digits)}"

    @property
    def zone_text(self) -> str:
        """How the times are to be read: the zone's name, or that they count from the start."""
        if not self.dated:
            return "from the start of the capture"
        return str(self.zone) if isinstance(self.zone, ZoneInfo) else self._local(self.zero).tzname() or "UTC"

    def _local(self, t: int) -> datetime:
        return (_EPOCH + timedelta(seconds=(t + self.offset) // SECOND)).astimezone(self.zone)

    def _of_day(self, t: int, digits: int) -> str:
        return self._local(t).strftime("%H:%M:%S") + _fraction((t + self.offset) % SECOND, digits)


def _fraction(nanoseconds: int, digits: int) -> str:
    return f".{nanoseconds:09}"[: digits + 1] if digits else ""
