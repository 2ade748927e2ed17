"""Captures are written with the same bytes each time, with their truth, whole or not at all."""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest
import zstandard

from latchtrace.errors import OutputError, UsageError, UserFileError
from latchtrace.simulation.output import compress, stem
from latchtrace.simulation.runner import run, simulate, write
from support.scenarios import scenario_text

STEPS = ("at: 5 s, remote: unlock", "after: 3 s, open: front-left", "after: 3 s, shut: front-left")


@pytest.fixture
def scenario(tmp_path: Path) -> Path:
    path = tmp_path / "s.yaml"
    path.write_text(scenario_text(*STEPS))
    return path


def test_the_same_scenario_and_seed_give_the_same_lines_and_truth(scenario: Path) -> None:
    one, two = simulate(scenario), simulate(scenario)
    assert one.lines == two.lines
    assert one.truth.document("a", "b") == two.truth.document("a", "b")


def test_another_seed_gives_other_lines_and_the_same_episodes(scenario: Path) -> None:
    one, two = simulate(scenario), simulate(scenario, seed=99)
    assert one.lines != two.lines
    assert [(e.action, e.origin) for e in one.truth.episodes] == [(e.action, e.origin) for e in two.truth.episodes]


@pytest.mark.parametrize("name", ["x.log", "x.log.gz", "x.log.zst"])
def test_each_ending_holds_the_lines_and_is_the_same_bytes_each_time(name: str) -> None:
    lines = [f"(1700000000.{i:06d}) can0 123#00" for i in range(2000)]
    packed = compress(lines, name)
    assert packed == compress(lines, name)
    text = {"log": lambda b: b, ".gz": gzip.decompress, "zst": zstandard.ZstdDecompressor().decompress}[name[-3:]](
        packed
    )
    assert text.decode().splitlines() == lines


@pytest.mark.parametrize("name", ["x.txt", ".log", "x.log.bz2", "x"])
def test_another_ending_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="must end in"):
        stem(Path(name))


def test_the_truth_stands_beside_the_capture_and_names_it(scenario: Path, tmp_path: Path) -> None:
    told = run(scenario, tmp_path / "night.log.gz", None)
    truth = json.loads((tmp_path / "night.truth.json").read_text())
    assert truth["schema"] == "latchtrace/truth/1"
    assert truth["capture"] == "night.log.gz"
    assert truth["vehicle"] == "harbour_estate.yaml"
    count = len(gzip.decompress((tmp_path / "night.log.gz").read_bytes()).splitlines())
    assert f"{count:,} frames" in told
    assert "\n" not in told


def test_nothing_is_left_and_nothing_is_changed_where_writing_fails(scenario: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "a.log").write_text("before")
    (out / "a.truth.json").mkdir()
    with pytest.raises(OutputError):
        write(simulate(scenario), out / "a.log")
    assert (out / "a.log").read_text() == "before"
    assert sorted(path.name for path in out.iterdir()) == ["a.log", "a.truth.json"]


def test_a_folder_that_is_not_there_is_told(scenario: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write(simulate(scenario), tmp_path / "no" / "a.log")


def test_a_wrong_scenario_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.yaml"
    path.write_text(scenario_text("at: 5 s, open: front-left"))
    with pytest.raises(UserFileError):
        run(path, tmp_path / "a.log", None)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s.yaml"]
