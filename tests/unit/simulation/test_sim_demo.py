"""The bundled captures are what their scenarios give, and fit their vehicle files."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import zstandard

from latchtrace.model.quantity import parse_speed, parse_time
from latchtrace.model.userfile import load_user_file
from latchtrace.model.vehicle import REQUEST_SOURCES
from latchtrace.simulation.output import expand
from latchtrace.simulation.runner import CARS, Simulated, document_bytes, simulate, truth_document
from support.scenarios import DBC, DEMO, DEMO_NAMES

_RUNS: dict[str, Simulated] = {}


def demo(name: str) -> Simulated:
    if name not in _RUNS:
        _RUNS[name] = simulate(DEMO / f"{name}.scenario.yaml")
    return _RUNS[name]


def truth(name: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads((DEMO / f"{name}.truth.json").read_text())
    return told


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_a_demo_capture_is_exactly_what_its_scenario_gives(name: str) -> None:
    packed = (DEMO / f"{name}.log.zst").read_bytes()
    assert expand(packed).decode().splitlines() == list(demo(name).lines)
    told = document_bytes(truth_document(demo(name), f"{name}.log.zst"))
    assert (DEMO / f"{name}.truth.json").read_bytes() == told


def test_making_the_demo_again_gives_the_same_files_to_the_byte(tmp_path: Path) -> None:
    folder = tmp_path / "captures_demo"
    shutil.copytree(DEMO, folder)
    for path in [*folder.glob("*.truth.json"), folder / "index.json"]:
        path.unlink()
    subprocess.run([sys.executable, "-m", "latchtrace.simulation", str(folder)], check=True, capture_output=True)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == {p.name: p.read_bytes() for p in DEMO.iterdir()}


def test_the_command_without_a_folder_says_what_it_needs() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "latchtrace.simulation", "none"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "name the folder" in done.stderr


def test_the_demo_is_small_enough_to_be_read_in_seconds() -> None:
    sizes = {name: len(demo(name).lines) for name in DEMO_NAMES}
    assert sum(sizes.values()) < 400_000
    assert max(sizes.values()) < 60_000
    assert all((DEMO / f"{name}.log.zst").stat().st_size < 1_500_000 for name in DEMO_NAMES)


def test_the_index_names_files_that_are_there() -> None:
    entries = json.loads((DEMO / "index.json").read_text())["captures"]
    assert tuple(entry["name"] for entry in entries) == DEMO_NAMES
    for entry in entries:
        assert all((DEMO / entry[key]).is_file() for key in ("capture", "vehicle", "truth", "scenario"))
        assert entry["functions"]


def test_the_parked_night_lasts_over_three_hours_and_holds_two_self_unlocks_with_their_relocks() -> None:
    told = truth("parked-night")
    rules = [(finding["rule"], finding["origin"]) for finding in told["findings"]]
    assert rules == [("command-without-request", "none"), ("relock-without-door-opening", "none")] * 2
    assert told["episodes"][-1]["t_ns"] - told["episodes"][0]["t_ns"] > 3 * 3600 * 10**9
    asleep = sum(woken - fell for fell, woken in demo("parked-night").sleeps)
    assert asleep > 3 * 3600 * 10**9


def test_the_relock_test_holds_ten_trials_of_which_two_are_cancelled() -> None:
    told = truth("relock-test")
    assert told["findings"] == []
    assert [claim["rule"] for claim in told["allowed"]] == ["relock-without-door-opening"] * 8
    origins = [(episode["action"], episode["origin"]) for episode in told["episodes"]]
    assert origins.count(("unlock", "remote-button")) == 10
    assert origins.count(("lock", "relock-timer")) == 8
    assert origins.count(("lock", "remote-button")) == 2


@pytest.mark.parametrize("name", ["speed-drive", "ordinary-day", "second-network-day"])
def test_a_day_with_nothing_wrong_has_no_finding_and_only_healthy_episodes(name: str) -> None:
    told = truth(name)
    assert told["findings"] == told["allowed"] == []
    assert all(episode["healthy"] for episode in told["episodes"])
    assert len(told["episodes"]) >= 6


def test_the_drive_locks_by_speed_twice() -> None:
    assert [e["origin"] for e in truth("speed-drive")["episodes"]].count("speed") == 2


@pytest.mark.parametrize("name", CARS)
def test_the_simulations_limits_are_those_of_the_vehicle_file(name: str) -> None:
    car = CARS[name][0]
    stated = {key: entry["value"] for key, entry in load_user_file(DBC / car.vehicle_file).data["parameters"].items()}
    limits = car.limits
    assert parse_time(stated["relock.delay"]) == limits.relock_delay
    assert parse_time(stated["relock.tolerance"]) == limits.relock_tolerance
    assert stated["relock.policy"] == limits.relock_policy
    if limits.speed_threshold is not None:
        assert parse_speed(stated["speed_lock.threshold"]) == limits.speed_threshold
        assert parse_speed(stated["speed_lock.tolerance"]) == limits.speed_tolerance
        assert parse_speed(stated["speed_lock.hysteresis"]) == limits.speed_hysteresis
        assert parse_time(stated["speed_lock.deadline"]) == limits.speed_deadline
    if limits.response_limit is not None:
        assert parse_time(stated["latch.response_limit"]) == limits.response_limit


@pytest.mark.parametrize("name", CARS)
def test_the_vehicle_file_speaks_of_messages_as_they_are_sent(name: str) -> None:
    car = CARS[name][0]
    data = load_user_file(DBC / car.vehicle_file).data
    kinds = {
        (True, False): "cyclic",
        (True, True): "cyclic-and-on-change",
        (False, True): "on-change",
        (False, False): "event",
    }
    for message, use in data["messages"].items():
        sent = car.message(message)
        assert use["send"] == kinds[bool(sent.period), sent.on_change]
        assert (parse_time(use["period"]) if "period" in use else None) == sent.period
        assert use.get("counter", "") == sent.alive
    assert set(data["closures"]) == set(car.closures)
    assert tuple(data["lock_groups"]["all"]) == car.lockable
    signals = re.findall(r"\b([A-Z]\w+)\.([A-Z]\w+)\b", (DBC / car.vehicle_file).read_text())
    assert signals
    assert all(signal in car.message(message).fields for message, signal in signals)


@pytest.mark.parametrize("name", CARS)
def test_the_vehicle_file_states_every_role(name: str) -> None:
    car = CARS[name][0]
    roles = load_user_file(DBC / car.vehicle_file).data["roles"]
    assert {f"request.{source}" for source in REQUEST_SOURCES} <= set(roles)
    for role in (
        "reception",
        "validation",
        "command",
        "action-report",
        "ignition",
        "speed",
        "speed-lock-enabled",
        "hand-release",
    ):
        assert role in roles
    hidden = [role for role, told in roles.items() if isinstance(told, dict) and "not-visible" in told]
    assert all(roles[role]["not-visible"] for role in hidden)
    assert bool(hidden) == (name == "orchard")


def test_packing_again_gives_the_committed_bytes_with_the_compressor_of_then() -> None:
    if zstandard.ZSTD_VERSION != (1, 5, 7):
        pytest.skip("the committed files were packed by zstd 1.5.7")
    from latchtrace.simulation.output import compress

    name = "second-network-day"
    assert compress(demo(name).lines, "x.log.zst") == (DEMO / f"{name}.log.zst").read_bytes()
