from __future__ import annotations

from datetime import timedelta, timezone
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.clock import Clock
from latchtrace.model.time import HOUR, MILLISECOND, MINUTE, SECOND
from latchtrace.views.ticks import ticks

ZERO = 1_931_119_800 * SECOND + 123_456_789


@pytest.mark.parametrize(
    ("span", "texts"),
    [
        (4 * HOUR, ["23:00", "00:00", "01:00", "02:00"]),
        (40 * MINUTE, ["22:20", "22:30", "22:40", "22:50"]),
        (50 * SECOND, ["22:10:15", "22:10:30", "22:10:45"]),
        (4 * MILLISECOND, ["22:10:00.124", "22:10:00.125", "22:10:00.126", "22:10:00.127"]),
    ],
)
def test_are_round_by_the_clock(span: int, texts: list[str]) -> None:
    assert [tick.text for tick in ticks(ZERO, ZERO + span, 4, Clock(ZERO))] == texts


def test_are_round_in_a_zone_of_half_hours() -> None:
    zone = timezone(timedelta(hours=5, minutes=30))
    assert [tick.text for tick in ticks(ZERO, ZERO + 3 * HOUR, 3, Clock(ZERO, zone))] == ["04:00", "05:00", "06:00"]


def test_count_from_the_start_where_there_is_no_date() -> None:
    found = list(ticks(-HOUR, HOUR, 4, Clock(0)))
    assert [(tick.t // MINUTE, tick.text) for tick in found] == [
        (-60, "-01:00"),
        (-30, "-00:30"),
        (0, "+00:00"),
        (30, "+00:30"),
        (60, "+01:00"),
    ]


@given(st.integers(-(10**15), 10**15), st.integers(1, 10**16), st.integers(1, 20))
def test_lie_in_view_evenly_and_are_not_too_many(start: int, span: int, most: int) -> None:
    found = [tick.t for tick in ticks(ZERO + start, ZERO + start + span, most, Clock(ZERO))]
    assert all(ZERO + start <= t <= ZERO + start + span for t in found)
    assert len({after - before for before, after in pairwise(found)}) <= 1
    assert len(found) <= most + 1 or span > most * 8736 * HOUR or span < most
