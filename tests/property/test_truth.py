"""The analyser against simulated days whose truth is known, and against days of which one thing was changed."""

from __future__ import annotations

import os
import random
import secrets
from pathlib import Path

import pytest

from latchtrace.model.results import AnalysisResult
from latchtrace.model.time import MILLISECOND, SECOND
from latchtrace.simulation import edits, lines
from latchtrace.simulation.runner import Simulated, cyclic_ids
from latchtrace.simulation.truth import ToldEpisode
from support.runs import (
    CYCLIC_DAYS,
    LONG,
    analyse_lines,
    day,
    new_faults,
    still_decided,
    told,
    vehicle_of,
)
from support.scenarios import DBC, DEMO, DEMO_NAMES
from support.truth import analysed, demo_truth, differences

SEED = int(os.environ.get("LATCHTRACE_SEED") or (secrets.randbelow(1_000_000) if LONG else 5))
"""Another one each long run; a failing test prints it, and LATCHTRACE_SEED repeats it."""

WINDOW = 3 * SECOND


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_demo_capture_gives_exactly_its_truth(name: str) -> None:
    result, truth = demo_truth(DEMO, name)
    assert differences(result, truth) == []


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_another_seed_gives_exactly_its_truth(name: str, tmp_path: Path) -> None:
    for seed in range(SEED, SEED + (20 if LONG else 1)):
        simulated = day(name, seed)
        assert (seed, differences(*analysed(simulated, tmp_path, vehicle_of(simulated)))) == (seed, [])


def _deletable(simulated: Simulated) -> list[int]:
    """Episodes whose request can go and leave nothing that asked: alone in its window, and the window recorded."""
    episodes = sorted(simulated.truth.episodes, key=lambda one: one.t)
    first = lines.parts(simulated.lines[0])
    assert first is not None

    def alone(told: ToldEpisode) -> bool:
        near = [one for one in episodes if one is not told and abs(one.t - told.t) < WINDOW]
        shown = simulated.car.command_visible or len(told.closures) > 1
        return not near and told.t - first.t > WINDOW and shown

    return [i for i, one in enumerate(episodes) if one.origin in simulated.car.requests and alone(one)]


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_deleting_a_request_makes_that_episode_and_only_it_a_self_unlock(name: str, tmp_path: Path) -> None:
    simulated = day(name, SEED)
    numbers = _deletable(simulated)
    for number in numbers if LONG else random.Random(SEED).sample(numbers, min(2, len(numbers))):
        changed = edits.without_request(simulated, number)
        found = differences(*analysed(changed, tmp_path, vehicle_of(simulated)))
        assert (SEED, number, found) == (SEED, number, [])


@pytest.fixture(params=DEMO_NAMES)
def whole(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Simulated, AnalysisResult]:
    """A demo day and its analysis."""
    simulated = day(request.param)
    return simulated, analyse_lines(simulated.lines, tmp_path, vehicle_of(simulated))


def test_cutting_anywhere_adds_no_fault(whole: tuple[Simulated, AnalysisResult], tmp_path: Path) -> None:
    simulated, result = whole
    chance = random.Random(SEED)
    begins = [one.at.lo for one in result.episodes]
    for _ in range(40 if LONG else 4):
        t = chance.choice(begins) + chance.randrange(-2 * SECOND, 40 * SECOND)
        t = min(max(t, result.capture.zero + SECOND), result.capture.last - SECOND)
        for text in (lines.cut(simulated.lines, t, None), lines.cut(simulated.lines, None, t)):
            found = new_faults(analyse_lines(text, tmp_path, vehicle_of(simulated)), result)
            assert (SEED, t, found) == (SEED, t, [])


def test_losing_cyclic_frames_adds_no_fault_and_leaves_nine_of_ten_verdicts_decided(
    whole: tuple[Simulated, AnalysisResult], tmp_path: Path
) -> None:
    simulated, result = whole
    kept = of = 0
    for seed in range(SEED, SEED + (10 if LONG else 1)):
        text = lines.lose(simulated.lines, 0.01, seed, cyclic_ids(simulated.car))
        changed = analyse_lines(text, tmp_path, vehicle_of(simulated))
        assert (seed, new_faults(changed, result)) == (seed, [])
        decided, possible = still_decided(changed, result)
        kept, of = kept + decided, of + possible
    if simulated.title in {day(name).title for name in CYCLIC_DAYS}:
        assert kept >= 0.9 * of, (SEED, kept, of)


def test_declared_jitter_adds_no_fault_and_leaves_nine_of_ten_verdicts_decided(
    whole: tuple[Simulated, AnalysisResult], tmp_path: Path
) -> None:
    simulated, result = whole
    for file in DBC.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    vehicle = tmp_path / vehicle_of(simulated).name
    text = vehicle.read_text()
    vehicle.write_text(text.replace("version: 1\n", "version: 1\ntimestamp_uncertainty: 5 ms\n", 1))
    changed = analyse_lines(lines.jitter(simulated.lines, 5 * MILLISECOND, SEED), tmp_path, vehicle)
    assert (SEED, new_faults(changed, result)) == (SEED, [])
    decided, possible = still_decided(changed, result)
    assert decided >= 0.9 * possible, (SEED, decided, possible)


@pytest.mark.parametrize("noted", [True, False])
def test_a_hole_in_the_recording_adds_no_fault(
    whole: tuple[Simulated, AnalysisResult], tmp_path: Path, noted: bool
) -> None:
    simulated, result = whole
    chance = random.Random(SEED)
    for episode in chance.sample(result.episodes, min(len(result.episodes), 20 if LONG else 2)):
        start = episode.at.lo + chance.randrange(-20 * SECOND, 20 * SECOND)
        text = lines.gap(simulated.lines, start, start + chance.randrange(SECOND, 15 * SECOND), noted=noted)
        found = new_faults(analyse_lines(text, tmp_path, vehicle_of(simulated)), result)
        assert (SEED, start, found) == (SEED, start, [])


def test_an_inverted_contact_with_an_inverted_map_changes_nothing(tmp_path: Path) -> None:
    simulated = day("ordinary-day")
    result = analyse_lines(simulated.lines, tmp_path, vehicle_of(simulated))
    for file in DBC.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    vehicle = tmp_path / vehicle_of(simulated).name
    straight = "BodyDoors.AjarFrontLeft, values: {0: shut, 1: open}"
    assert straight in vehicle.read_text()
    vehicle.write_text(vehicle.read_text().replace(straight, "BodyDoors.AjarFrontLeft, values: {1: shut, 0: open}"))
    flipped = edits.flip(simulated.lines, simulated.car, "BodyDoors.AjarFrontLeft")
    assert told(analyse_lines(flipped, tmp_path, vehicle)) == told(result)


@pytest.mark.parametrize("name", ["parked-night", "second-network-day"])
def test_other_ids_and_channel_names_change_nothing(name: str, tmp_path: Path) -> None:
    simulated = day(name)
    result = analyse_lines(simulated.lines, tmp_path, vehicle_of(simulated))
    ids = edits.permutation(simulated.car, SEED)
    channels = {old: f"bus{i}" for i, old in enumerate(sorted(set(simulated.car.capture_names.values())))}
    for file in DBC.iterdir():
        text = file.read_text()
        if file.suffix == ".dbc":
            mine = {old: new for (channel, old), new in ids.items() if file.name in _databases(simulated, channel)}
            text = edits.renumber(text, mine)
        for old, new in channels.items():
            text = text.replace(f"aliases: [{old}]", f"aliases: [{new}]")
        (tmp_path / file.name).write_text(text)
    changed = lines.rename(simulated.lines, ids, channels)
    vehicle = tmp_path / vehicle_of(simulated).name
    assert (SEED, told(analyse_lines(changed, tmp_path, vehicle))) == (SEED, told(result))


def _databases(simulated: Simulated, capture_channel: str) -> list[str]:
    """The DBCs of a channel, by the name captures give it."""
    if len(simulated.car.capture_names) == 1:
        return [file.name for file in DBC.glob("orchard_*.dbc")]
    name = next(name for name, shown in simulated.car.capture_names.items() if shown == capture_channel)
    return [f"harbour_{name}.dbc"]


def test_shifting_all_times_changes_nothing_but_the_times(tmp_path: Path) -> None:
    simulated = day("parked-night")
    result = analyse_lines(simulated.lines, tmp_path, vehicle_of(simulated))
    by = 86_400 * SECOND
    shifted = [told._replace(t=told.t + by).line for line in simulated.lines if (told := lines.parts(line))]
    moved = analyse_lines(shifted, tmp_path, vehicle_of(simulated))
    assert [(one.rule, one.at.shift(by), one.message) for one in result.findings] == [
        (one.rule, one.at, one.message) for one in moved.findings
    ]
    assert [(one.rule, one.verdict) for one in result.verdicts] == [(one.rule, one.verdict) for one in moved.verdicts]
