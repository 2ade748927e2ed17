"""Every case written by hand gives exactly the verdicts and findings written beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

import latchtrace
import latchtrace.api
from latchtrace.model.results import AnalysisResult
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
    _check_evidence(case, result)


def _check_evidence(case: Case, result: AnalysisResult) -> None:
    """Every finding points at frames, and each frame shown is the line of the capture it is said to be."""
    lines = case.capture.splitlines()
    for finding in result.findings:
        assert finding.proof, f"{finding.rule} shows no frame"
        for shown in finding.proof:
            if shown.absence:
                continue
            identifier, _, payload = lines[shown.line - 1].split()[2].partition("#")
            written = payload.lstrip("#")[1:] if payload.startswith("#") else payload
            assert int(identifier, 16) == shown.can_id
            assert written.replace(".", "").upper() == shown.data.replace(" ", "").upper(), shown


def test_case_names_are_unique() -> None:
    names = [case.id for case in CASES]
    assert len(names) == len(set(names))


def test_case_captures_are_small_enough_to_check_by_eye() -> None:
    assert all(len(case.capture.splitlines()) <= 70 for case in CASES)


def test_every_rule_of_the_catalogue_is_expected_somewhere_to_be_decided_and_undecided() -> None:
    said: dict[str, set[str]] = {}
    for case in CASES:
        for rule, verdicts in case.verdicts.items():
            said.setdefault(rule, set()).update(verdict.split()[0] for verdict in verdicts.split("|"))
    catalogue = {rule.id for rule in latchtrace.api.rules_catalogue()}
    assert catalogue <= said.keys()
    assert all("inconclusive" in said[rule] for rule in catalogue)
    notes = {"mechanical-operation"}
    assert all({"pass", "fail"} <= said[rule] for rule in catalogue - notes)
