"""Simulated demo days, analysed whole or changed, with vehicle files changed to match."""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import latchtrace
from latchtrace.model.results import AnalysisResult, Severity, VerdictKind
from latchtrace.model.time import SECOND
from latchtrace.simulation.runner import Simulated, simulate
from support.scenarios import DBC, DEMO

LONG = bool(os.environ.get("LATCHTRACE_LONG"))
VEHICLES = {"harbour": "harbour_estate.yaml", "orchard": "orchard_hatch.yaml"}
CYCLIC_DAYS = ("parked-night", "relock-test", "speed-drive", "ordinary-day")
DECIDED = (VerdictKind.PASS, VerdictKind.FAIL)


@cache
def day(name: str, seed: int | None = None) -> Simulated:
    """A demo scenario, simulated afresh."""
    return simulate(DEMO / f"{name}.scenario.yaml", seed)


def vehicle_of(simulated: Simulated) -> Path:
    """The vehicle file of a simulated car."""
    return DBC / simulated.car.vehicle_file


def analyse_lines(text: Sequence[str], folder: Path, vehicle: Path) -> AnalysisResult:
    """Write lines as a capture and analyse it."""
    capture = folder / "changed.log"
    capture.write_text("".join(f"{line}\n" for line in text))
    return latchtrace.analyse(capture, vehicle).result


def new_faults(result: AnalysisResult, whole: AnalysisResult) -> list[str]:
    """Faults the whole capture does not have."""
    known = [(one.rule, one.closures, one.at) for one in whole.findings if one.severity is Severity.FAULT]
    return [
        f"{one.rule} {one.closures} {one.message}"
        for one in result.findings
        if one.severity is Severity.FAULT
        and not any(
            one.rule == rule and one.closures == closures and abs(one.at.hi - at.hi) < 2 * SECOND
            for rule, closures, at in known
        )
    ]


def still_decided(result: AnalysisResult, whole: AnalysisResult) -> tuple[int, int]:
    """How many of the verdicts the whole capture decides are still decided, and of how many."""
    decided = {one.rule for one in whole.verdicts if one.verdict in DECIDED}
    return sum(one.rule in decided and one.verdict in DECIDED for one in result.verdicts), len(decided)


def told(result: AnalysisResult) -> tuple[object, ...]:
    """What an analysis says, without ids, channels and frames: the same for the same car in other clothes."""
    return (
        [(one.action, one.origin, one.outcome, one.at, one.end, one.group) for one in result.episodes],
        [(one.rule, one.severity, one.at, one.closures, one.message) for one in result.findings],
        [(one.rule, one.verdict, one.exercised, one.failed, one.inconclusive, one.reason) for one in result.verdicts],
    )
