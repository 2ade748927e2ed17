from __future__ import annotations

from dataclasses import replace
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from latchtrace.model.clock import Clock
from latchtrace.model.document import changing_bits
from latchtrace.model.frames import CaptureReport, FileReport, IdStatistics
from latchtrace.reports.capture_text import byte_ranges, print_capture
from latchtrace.reports.capture_warnings import capture_warnings, is_diagnostic
from support.fake_results import ZERO, fake_capture
from support.golden import check_golden


def _text(report: CaptureReport) -> str:
    buffer = StringIO()
    print_capture(report, Clock(report.zero), Console(file=buffer, width=100, highlight=False, markup=False))
    return "\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n"


def _with_ids(*ids: tuple[int, bool, int]) -> CaptureReport:
    """A minute of capture with these ids: (id, extended, changes)."""
    rows = tuple(
        IdStatistics("obd", number, extended, 9, ZERO, ZERO + 1, (8,), 1, 1.0, 1, None, 1 if changes else 0, changes)
        for number, extended, changes in ids
    )
    return replace(fake_capture(), ids=rows, error_frames=0)


def test_the_report_reads_as_it_was_looked_at() -> None:
    check_golden("capture_info.txt", _text(fake_capture()))


def test_only_diagnostic_ids_mean_that_a_gateway_hides_the_body_network() -> None:
    report = _with_ids((0x7DF, False, 0), (0x7E8, False, 4), (0x18DAF140, True, 2), (0x18DB33F1, True, 0))
    (warning,) = capture_warnings(report)
    assert "on obd" in warning
    assert "a gateway hides the body network at this socket" in warning
    assert "a gateway hides the body network" in _text(report).replace("\n    ", " ")


def test_one_other_id_is_enough_to_drop_that_warning() -> None:
    assert capture_warnings(_with_ids((0x7DF, False, 1), (0x123, False, 1))) == ()


@pytest.mark.parametrize(
    ("can_id", "extended", "expected"),
    [
        (0x7DE, False, False),
        (0x7DF, False, True),
        (0x7E0, False, True),
        (0x7EF, False, True),
        (0x7F0, False, False),
        (0x18DA10F1, True, True),
        (0x18DBFFFF, True, True),
        (0x18DC0000, True, False),
        (0x7DF, True, False),
    ],
)
def test_diagnostic_ids_are_known_by_number_and_kind(can_id: int, extended: bool, expected: bool) -> None:
    assert is_diagnostic(can_id, extended) is expected


def test_a_capture_in_which_nothing_changes_is_warned_of() -> None:
    (warning,) = capture_warnings(_with_ids((0x123, False, 0), (0x124, False, 0)))
    assert "No payload on obd ever changes" in warning


def test_an_empty_capture_says_there_is_no_frame() -> None:
    empty = CaptureReport((FileReport("a.log", "0" * 64, "candump text", 3, 0, 3, (), None, None),))
    assert capture_warnings(empty) == (
        "There is no frame in it: the recorder was not connected, or the bus slept all the time.",
    )
    assert _text(empty).startswith("1 file, no frame\n")


def test_a_very_short_capture_is_warned_of() -> None:
    short = replace(fake_capture().files[0], last=ZERO + 2_000_000_000)
    warnings = capture_warnings(replace(_with_ids((0x123, False, 1)), files=(short,)))
    assert any("It is only 2 s long" in warning for warning in warnings)


def test_many_error_frames_are_warned_of_and_few_are_not() -> None:
    report = _with_ids((0x123, False, 1))
    assert capture_warnings(replace(report, error_frames=360)) == ()
    (warning,) = capture_warnings(replace(report, error_frames=4000))
    assert warning.startswith("10 % of its frames are error frames")


@given(st.sets(st.integers(0, 63)))
def test_byte_ranges_name_exactly_the_bytes_that_change(numbers: set[int]) -> None:
    text = byte_ranges(sum(1 << (8 * number + 3) for number in numbers))
    parts = [part.split("-") for part in text.split(", ")] if text else []
    named = {n for part in parts for n in range(int(part[0]), int(part[-1]) + 1)}
    assert named == numbers


@given(st.integers(0, 2**512 - 1))
def test_changing_bits_are_the_bits_of_the_mask(mask: int) -> None:
    assert sum(1 << bit for bit in changing_bits(mask)) == mask
