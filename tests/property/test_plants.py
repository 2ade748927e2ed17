"""The analyser against every single thing the simulation can plant, and its healthy counterpart."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.simulation.runner import simulate
from support.plants import AWAKE, CASES
from support.runs import vehicle_of
from support.scenarios import scenario_text
from support.truth import analysed, differences, finding_differences

NOBODYS = ("the relock comes after twice its time",)
"""The timer does it, but so late that by definition nobody is its origin: the findings are compared, not the origin."""


@pytest.mark.parametrize("name", CASES)
def test_what_was_planted_is_found_and_nothing_else(name: str, tmp_path: Path) -> None:
    steps, _ = CASES[name]
    scenario = tmp_path / "test.scenario.yaml"
    scenario.write_text(scenario_text(*steps, before=AWAKE))
    simulated = simulate(scenario)
    result, truth = analysed(simulated, tmp_path, vehicle_of(simulated))
    if name in NOBODYS:
        assert list(finding_differences(result, truth)) == []
    else:
        assert differences(result, truth) == []
