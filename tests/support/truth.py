"""Compares what an analysis found with what was done to the wire: findings one to one, episodes with their origin."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import latchtrace
from latchtrace.model.results import AnalysisResult, Finding, Outcome, StageStatus
from latchtrace.model.time import SECOND
from latchtrace.simulation.runner import Simulated, truth_document

Truth = Mapping[str, Any]
NEAR = 2 * SECOND


def demo_truth(folder: Path, name: str) -> tuple[AnalysisResult, Truth]:
    """A demo capture, analysed, and its truth."""
    index = json.loads((folder / "index.json").read_text())
    entry = next(one for one in index["captures"] if one["name"] == name)
    result = latchtrace.analyse(folder / entry["capture"], folder / entry["vehicle"]).result
    return result, json.loads((folder / entry["truth"]).read_text())


def analysed(simulated: Simulated, folder: Path, vehicle: Path) -> tuple[AnalysisResult, Truth]:
    """A simulated capture, written to `folder` and analysed with a vehicle file, and its truth."""
    capture = folder / "made.log"
    capture.write_text("".join(f"{line}\n" for line in simulated.lines))
    return latchtrace.analyse(capture, vehicle).result, truth_document(simulated, capture.name)


def differences(result: AnalysisResult, truth: Truth) -> list[str]:
    """Everything in which an analysis and the truth do not agree; empty where they do.

    Movements of a single latch with no command, and requests for what was so already, need not be told as episodes.
    """
    return [*finding_differences(result, truth), *_episode_differences(result, truth)]


def finding_differences(result: AnalysisResult, truth: Truth) -> Iterator[str]:
    left = list(result.findings)
    for claim in truth["findings"]:
        match = next((one for one in left if _meant(one, claim)), None)
        if match is None:
            yield f"missing: {claim['rule']} of {claim['closures']} at {claim['t_ns']}"
        else:
            left.remove(match)
            origin = _origin(result, match)
            if claim.get("origin") not in (None, origin, _previous_origin(result, match)):
                yield f"{match.rule} has origin {origin}, not {claim['origin']}"
    allowed = list(truth["allowed"])
    for finding in left:
        permitted = next((one for one in allowed if _meant(finding, one)), None)
        if permitted is None:
            yield f"too much: {finding.rule} of {finding.closures} at {finding.at.hi}: {finding.message}"
        else:
            allowed.remove(permitted)


def _meant(finding: Finding, claim: Mapping[str, Any]) -> bool:
    near = finding.at.lo - NEAR <= claim["t_ns"] <= finding.at.hi + NEAR if "t_ns" in claim else True
    return finding.rule == claim["rule"] and set(finding.closures) == set(claim["closures"]) and near


def _origin(result: AnalysisResult, finding: Finding) -> str:
    return next((one.origin for one in result.episodes if one.id == finding.episode), "")


def _previous_origin(result: AnalysisResult, finding: Finding) -> str:
    return next((one.origin for one in result.episodes if one.id == finding.previous_episode), "")


def _episode_differences(result: AnalysisResult, truth: Truth) -> Iterator[str]:
    left = list(result.episodes)
    for told in truth["episodes"]:
        match = next(
            (
                one
                for one in left
                if one.action == told["action"]
                and one.origin == told["origin"]
                and one.at.lo - NEAR <= told["t_ns"] <= one.end + NEAR
            ),
            None,
        )
        if match is None:
            yield f"missing episode: {told['action']} by {told['origin']} at {told['t_ns']}"
        else:
            left.remove(match)
    for one in left:
        single = len(one.group) == 1 and one.command.status is not StageStatus.SEEN
        if one.outcome is not Outcome.ALREADY and not single:
            yield f"episode too much: {one.action} by {one.origin} ({one.outcome})"
