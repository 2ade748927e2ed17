"""What the capture exercised: function by stimulus, how often, how it came out, and how to exercise the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from latchtrace.model.results import Episode, Exercised, Verdict, VerdictKind
from latchtrace.model.userfile import load_user_file
from latchtrace.model.vehicle import RoleStatus, Vehicle


@cache
def protocols() -> Mapping[str, Mapping[str, Any]]:
    """The test protocols: function, stimuli, steps, cautions (data/functions.yaml)."""
    path = Path(__file__).resolve().parent.parent / "data" / "functions.yaml"
    data: Mapping[str, Mapping[str, Any]] = load_user_file(path).data["functions"]
    return data


def exercised_table(
    vehicle: Vehicle, episodes: Sequence[Episode], verdicts: Sequence[Verdict], functions: Mapping[str, str]
) -> tuple[Exercised, ...]:
    """One row for each function and stimulus the vehicle has; `functions` says what each rule id judges."""
    rows = []
    for function, protocol in protocols().items():
        if vehicle.functions.get(function) is False:
            continue
        verdict = _verdict([one for one in verdicts if functions.get(one.rule) == function])
        for stimulus in protocol["stimuli"]:
            if not _has(vehicle, stimulus):
                continue
            times = sum(_is(episode, stimulus) for episode in episodes)
            seen = times > 0
            rows.append(
                Exercised(
                    function=function,
                    stimulus=stimulus["name"],
                    times=times,
                    verdict=verdict if seen else VerdictKind.INCONCLUSIVE,
                    steps=() if seen else tuple(stimulus["steps"]),
                    cautions=() if seen else tuple(protocol.get("cautions", ())),
                )
            )
    return tuple(rows)


def _has(vehicle: Vehicle, stimulus: Mapping[str, Any]) -> bool:
    role = stimulus.get("role")
    return role is None or vehicle.role(role).status == RoleStatus.MAPPED


def _is(episode: Episode, stimulus: Mapping[str, Any]) -> bool:
    origins = stimulus["origin"] if isinstance(stimulus["origin"], list) else [stimulus["origin"]]
    return episode.origin in origins and episode.action in stimulus["action"]


def _verdict(verdicts: Sequence[Verdict]) -> VerdictKind:
    kinds = {one.verdict for one in verdicts if one.exercised}
    for kind in (VerdictKind.FAIL, VerdictKind.INCONCLUSIVE, VerdictKind.PASS):
        if kind in kinds:
            return kind
    return VerdictKind.INCONCLUSIVE
