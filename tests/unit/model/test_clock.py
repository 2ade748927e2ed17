from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.clock import Clock, parse_moment, parse_zone
from latchtrace.model.time import HOUR, SECOND

ZERO = 1_935_352_800 * SECOND
"""2031-04-30T22:00:00Z."""


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("+12.5", ZERO + 12_500_000_000),
        ("+0.000000001", ZERO + 1),
        ("+01:02:03", ZERO + 3723 * SECOND),
        ("+100:00:00.25", ZERO + 360_000 * SECOND + 250_000_000),
        ("2031-04-30T22:00:01Z", ZERO + SECOND),
        ("2031-05-01T00:00:01+02:00", ZERO + SECOND),
        ("2031-05-01 00:00:01.000000007+0200", ZERO + SECOND + 7),
        ("2031-04-30T22:01Z", ZERO + 60 * SECOND),
    ],
)
def test_each_way_to_write_a_moment_gives_the_nanosecond(text: str, moment: int) -> None:
    assert parse_moment(text).resolve(ZERO) == moment


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("00:30:00", ZERO + HOUR // 2),  # 22:30 in UTC
        ("23:30", ZERO - HOUR // 2),  # shortly before the start
        ("06:00:00.5", ZERO + 6 * HOUR + 500_000_000),
        ("22:59", ZERO + 22 * HOUR + 59 * 60 * SECOND),  # more than an hour before the start: the next evening
    ],
)
def test_a_clock_time_is_the_next_one_from_an_hour_before_the_start(text: str, moment: int) -> None:
    assert parse_moment(text, timezone(timedelta(hours=2))).resolve(ZERO) == moment


def test_the_clock_offset_is_taken_from_true_time_to_the_recorders() -> None:
    assert parse_moment("2031-04-30T22:00:10Z").resolve(ZERO, 10 * SECOND) == ZERO
    assert parse_moment("22:00:10", UTC).resolve(ZERO, 10 * SECOND) == ZERO
    assert parse_moment("+10").resolve(ZERO, 10 * SECOND) == ZERO + 10 * SECOND


def test_a_zone_with_summer_time_is_read_by_the_day() -> None:
    zone = ZoneInfo("Europe/Berlin")
    assert parse_moment("2031-01-15T12:00:00", zone).resolve(0) == parse_moment("2031-01-15T11:00:00Z").resolve(0)
    assert parse_moment("2031-07-15T12:00:00", zone).resolve(0) == parse_moment("2031-07-15T10:00:00Z").resolve(0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("12:00", "no time zone is stated"),
        ("2031-04-30T22:00:00", "no offset from UTC"),
        ("2031-02-30T22:00:00Z", "not a date"),
        ("25:00", "is not a time"),
        ("12.5", "is not a time"),
        ("+1:2:3", "is not a time"),
        ("yesterday", "is not a time"),
        ("", "is not a time"),
    ],
)
def test_what_is_no_moment_says_why(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_moment(text)


@given(st.text(max_size=30))
def test_any_text_is_a_moment_or_a_value_error(text: str) -> None:
    try:
        moment = parse_moment(text, UTC)
    except ValueError:
        return
    assert isinstance(moment.resolve(ZERO), int)


@given(st.datetimes(datetime(1990, 1, 2), datetime(2200, 1, 1)), st.integers(0, 999_999_999), st.integers(-840, 840))
def test_a_written_moment_reads_back_to_the_nanosecond(day: datetime, nanoseconds: int, minutes: int) -> None:
    zone = timezone(timedelta(minutes=minutes))
    clock = Clock(EARLIEST, zone)
    at = parse_moment(f"{day:%Y-%m-%dT%H:%M:%S}.{nanoseconds:09}", zone).resolve(0)
    assert parse_moment(clock.full(at, 9), zone).resolve(0) == at


EARLIEST = 631_152_000 * SECOND


def test_zones_are_names_or_offsets() -> None:
    assert parse_zone("UTC") is UTC
    assert parse_zone("-0330").utcoffset(None) == timedelta(hours=-3, minutes=-30)
    assert parse_zone("Europe/Berlin") == ZoneInfo("Europe/Berlin")
    for wrong in ("Nowhere/At_All", "+99:00", "../../etc/passwd", "", "a\0b"):
        with pytest.raises(ValueError, match="is not a known time zone"):
            parse_zone(wrong)


def test_captures_without_dates_count_from_their_start() -> None:
    clock = Clock(5 * SECOND)
    assert clock.text(3_665_120_000_000) == "+01:01:00.120"
    assert clock.full(5 * SECOND, 0) == "+00:00:00"
    assert clock.text(4 * SECOND, 1) == "-00:00:01.0"
    assert clock.zone_text == "from the start of the capture"


def test_captures_with_dates_show_the_true_local_time() -> None:
    clock = Clock(ZERO, timezone(timedelta(hours=2)), offset=-60 * SECOND)
    assert clock.full(ZERO + 120_000_000) == "2031-04-30 23:59:00.120"
    assert clock.zone_text == "UTC+02:00"
    assert Clock(ZERO, ZoneInfo("Europe/Berlin")).zone_text == "Europe/Berlin"
    assert Clock(ZERO).zone_text == "UTC"
