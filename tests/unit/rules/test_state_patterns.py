"""Patterns that watch states, tried by rules of their own whose examples say what must come out."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace import api
from latchtrace.rules.check import check_files

RULES = Path(__file__).resolve().parents[2] / "cases" / "rules"


@pytest.mark.parametrize("file", sorted(RULES.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_rule_about_states_is_right_and_every_example_comes_out_as_it_must(file: Path) -> None:
    (checked,) = check_files([file])
    assert checked.problems == ()
    results = api.rules_test([file])
    assert results
    assert [one for one in results if one.differences] == []
