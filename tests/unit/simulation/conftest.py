"""Small scenarios written on the spot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from latchtrace.simulation.runner import Simulated, simulate
from support.scenarios import Simulate, scenario_text


@pytest.fixture
def simulated(tmp_path: Path) -> Simulate:
    """Simulate a scenario of the given steps."""

    def run(*steps: str, **more: Any) -> Simulated:
        path = tmp_path / "test.scenario.yaml"
        path.write_text(scenario_text(*steps, **more))
        return simulate(path)

    return run
