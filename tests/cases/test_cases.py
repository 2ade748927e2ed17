"""Every case written by hand gives exactly the verdicts and findings written beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

import latchtrace
from support.case_files import Case, load_cases, write_case
from support.case_judge import differences

CASES = load_cases()


@pytest.mark.parametrize("case", CASES, ids=[case.id for case in CASES])
def test_a_case_written_by_hand_gives_exactly_what_stands_beside_it(case: Case, tmp_path: Path) -> None:
    capture, vehicle = write_case(case, tmp_path)
    result = latchtrace.analyse([capture], vehicle).result
    assert result.capture.skipped == ()
    found = differences(case, result)
    assert not found, "\n".join([f"{case.id} ({case.shows})", *found])


def test_case_names_are_unique() -> None:
    names = [case.id for case in CASES]
    assert len(names) == len(set(names))


def test_case_captures_are_small_enough_to_check_by_eye() -> None:
    assert all(len(case.capture.splitlines()) <= 70 for case in CASES)
