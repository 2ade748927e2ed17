"""Wrong input to each command: status 2, one line that says what, where and how to mend it, and no file touched."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from latchtrace.cli import main
from latchtrace.cli.demo import demo_folder

DEMO = demo_folder()
DBC = DEMO.parent / "dbc_demo"
MARKS = "version: 1\nmarks:\n  - {at: soon, action: unlock}\n"
ANALYSE = "analyse day.log.zst --vehicle car.yaml"
VERIFY = "verify auto-relock day.log.zst --vehicle car.yaml"
OF_CAPTURES = (
    "analyse {} --vehicle car.yaml",
    "verify auto-relock {} --vehicle car.yaml",
    "serve {} --vehicle car.yaml",
)
OF_VEHICLES = (
    "analyse day.log.zst --vehicle {}",
    "verify auto-relock day.log.zst --vehicle {}",
    "verify auto-relock --steps --vehicle {}",
    "serve day.log.zst --vehicle {}",
    "vehicle check {}",
    "vehicle check {} day.log.zst",
)
OF_MARKS = (f"{ANALYSE} --marks {{}}", f"{VERIFY} --marks {{}}", "serve day.log.zst --vehicle car.yaml --marks {}")


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with everything a command needs, and with all that it cannot use."""
    for name in ("harbour_body.dbc", "harbour_drive.dbc"):
        shutil.copy(DBC / name, tmp_path)
    car = (DBC / "harbour_estate.yaml").read_text("utf-8")
    (tmp_path / "car.yaml").write_text(car)
    (tmp_path / "later.yaml").write_text(car.replace("version: 1", "version: 7"))
    (tmp_path / "earlier.yaml").write_text(car.replace("version: 1", "version: 0"))
    shutil.copy(DEMO / "relock-test.log.zst", tmp_path / "day.log.zst")
    scenario = (DEMO / "relock-test.scenario.yaml").read_text("utf-8")
    (tmp_path / "scenario.yaml").write_text(scenario)
    (tmp_path / "later_scenario.yaml").write_text(scenario.replace("version: 1", "version: 9"))
    (tmp_path / "wrong_scenario.yaml").write_text(scenario.replace("car: harbour", "car: wherry"))
    (tmp_path / "marks.yaml").write_text(MARKS)
    (tmp_path / "later_marks.yaml").write_text(MARKS.replace("version: 1", "version: 2"))
    (tmp_path / "binary").write_bytes(bytes(range(256)) * 8)
    (tmp_path / "prose").write_text("The driver's door did not lock.\n")
    (tmp_path / "nothing").write_bytes(b"")
    (tmp_path / "nothing.log").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    (tmp_path / "old.json").write_text("old")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def files(folder: Path) -> dict[str, bytes | None]:
    return {str(path): path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


def hold(words: list[str], says: str, job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Run a command that must refuse, and hold it to how."""
    before = files(job)
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1), err
    assert err.startswith("latchtrace: ")
    assert says in err
    assert files(job) == before


@pytest.mark.parametrize("command", (*OF_CAPTURES, "capture info {}", "vehicle check car.yaml {}"))
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone.log", "gone.log: there is no such file; check the name"),
        ("gone-*.log", "gone-*.log: no file matches this pattern; check"),
        ("folder", "folder: no capture in this folder; name files"),
        ("nothing.log", "nothing.log: the file is empty; record or copy it again"),
        ("binary", "binary: its content is binary and is in no capture format known here; convert it to one of"),
        ("prose", "prose: its text is in no capture format known here; convert it to one of"),
        ("", "the name is empty; name a file"),
    ],
)
def test_a_capture_that_is_none_is_refused(
    command: str, name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([word.format(name) for word in command.split()], says, job, capsys)


@pytest.mark.parametrize("command", OF_VEHICLES)
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone.yaml", "gone.yaml:1:1: cannot be read (No such file or directory); check the path"),
        ("folder", "folder:1:1: is a folder; name a file in it"),
        ("binary", "binary:1:1: is binary; name a text file (YAML)"),
        ("day.log.zst", "day.log.zst:1:1: is binary; name a text file (YAML)"),
        ("nothing", "nothing:1:1: is empty; write its fields, or name another file"),
        ("later.yaml", "version: is 7, and this latchtrace reads version 1; use a newer latchtrace"),
        ("earlier.yaml", "version: is 0, and this latchtrace reads version 1; write version: 1"),
        ("harbour_body.dbc", "harbour_body.dbc:3:5: "),
        ("", "the name is empty; name a file"),
    ],
)
def test_a_vehicle_file_that_is_none_is_refused(
    command: str, name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([word.format(name) for word in command.split()], says, job, capsys)


@pytest.mark.parametrize("command", OF_MARKS)
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone.yaml", "gone.yaml:1:1: cannot be read"),
        ("folder", "folder:1:1: is a folder; name a file in it"),
        ("binary", "binary:1:1: is binary"),
        ("nothing", "nothing:1:1: is empty"),
        ("marks.yaml", "marks.yaml:3:6: marks[0].at: 'soon' is not a time; write +12.5"),
        ("later_marks.yaml", "version: is 2, and this latchtrace reads version 1"),
        ("", "the name is empty"),
    ],
)
def test_a_marks_file_with_a_mistake_is_refused(
    command: str, name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([word.format(name) for word in command.split()], says, job, capsys)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone.yaml", "gone.yaml:1:1: cannot be read"),
        ("folder", "folder:1:1: is a folder"),
        ("binary", "binary:1:1: is binary"),
        ("nothing", "nothing:1:1: is empty"),
        ("later_scenario.yaml", "version: is 9, and this latchtrace reads version 1; use a newer latchtrace"),
        ("wrong_scenario.yaml", "car: 'wherry' is not one of harbour, orchard"),
        ("prose", "prose:1:1: is not a scenario; start with version"),
    ],
)
def test_a_scenario_that_is_none_is_refused(
    name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(["simulate", name, "--out", "made.log"], says, job, capsys)


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone.dbc", "gone.dbc: cannot be read"),
        ("folder", "folder: is a folder; name a DBC file in it"),
        ("binary", "binary: is binary and no DBC; name"),
        ("nothing", "nothing: is empty; name"),
        ("prose", "prose:1: is no DBC (no BO_ line in it); name a DBC file"),
        ("harbour_drive.dbc", "harbour_drive.dbc: is named twice; name each DBC once"),
    ],
)
def test_a_dbc_that_is_none_starts_no_vehicle_file(
    name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(["vehicle", "new", "--dbc", "harbour_drive.dbc", "--dbc", name, "--out", "new.yaml"], says, job, capsys)


OUTPUTS = ("capture info day.log.zst --json", f"{ANALYSE} --json", f"{ANALYSE} --html", f"{VERIFY} --junit")


@pytest.mark.parametrize("command", (*OUTPUTS, "vehicle new --dbc harbour_body.dbc --out"))
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("gone/x", "gone/x: the folder gone does not exist; make it first"),
        ("folder", "folder: is a folder; name a file in it"),
        ("", "the name is empty; name a file, or leave the option out"),
    ],
)
def test_an_output_that_cannot_be_there_is_refused(
    command: str, name: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([*command.split(), name], says, job, capsys)


@pytest.mark.parametrize("command", OUTPUTS)
def test_an_input_is_never_an_output(command: str, job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    hold([*command.split(), "day.log.zst"], "day.log.zst: is one of the inputs; name another output file", job, capsys)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("--json a --html ./a", "a: is named for two outputs; name two different files"),
        ("--json a --table a", "a: is named for two outputs"),
        ("--html a/findings.csv --table a", "a/findings.csv: is named for two outputs"),
        ("--json - --html -", "--html -: only --json can go to standard output; name a file"),
        ("--table old.json", "old.json: is a file; name a folder"),
        ("--table gone/tables", "the folder gone does not exist; make it first"),
        ("--table .. --table-format xml", "--table-format: there is no 'xml'; write one of csv, parquet"),
    ],
)
def test_outputs_that_cannot_be_there_together_are_refused(
    more: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([*ANALYSE.split(), *more.split()], says, job, capsys)


def test_a_table_may_not_take_the_place_of_an_input(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (job / "findings.csv").write_text(MARKS)
    words = [*ANALYSE.split(), "--marks", "findings.csv", "--table", "."]
    hold(words, "findings.csv: is one of the inputs; name another output file", job, capsys)


@pytest.mark.parametrize("more", ["--json folder/x.json", "--table folder", "--table folder/new"])
def test_a_folder_in_which_nothing_may_be_written_is_told_before_the_work(
    more: str, job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # the tests may run as root, who may write anywhere
    real = os.access
    monkeypatch.setattr("os.access", lambda path, mode: real(path, mode) and Path(path).name != "folder")
    hold([*ANALYSE.split(), *more.split()], "nothing may be written in ", job, capsys)


@pytest.mark.parametrize("command", [f"{VERIFY} --junit -", "simulate scenario.yaml --out -"])
def test_what_cannot_go_to_standard_output_is_refused(
    command: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold(command.split(), "-: ", job, capsys)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("scenario.yaml --out gone/x.log", "gone/x.log: the folder gone does not exist; make it first"),
        ("scenario.yaml --out folder", "folder: a capture's name must end in .log"),
        ("scenario.yaml --out scenario.yaml", "scenario.yaml: a capture's name must end in .log"),
        ("x.truth.json --out x.log", "x.truth.json: is one of the inputs; name another output file"),
    ],
)
def test_a_capture_is_made_only_where_it_can_be(
    more: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (job / "x.truth.json").write_text((job / "scenario.yaml").read_text())
    hold(["simulate", *more.split()], says, job, capsys)


def test_a_vehicle_file_that_somebody_wrote_is_not_written_over(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["vehicle", "new", "--dbc", "harbour_body.dbc", "--out", "car.yaml"]
    hold(words, "car.yaml: is there already, perhaps with somebody's work in it; name a new file", job, capsys)


@pytest.mark.parametrize("command", [ANALYSE, VERIFY, "serve day.log.zst --vehicle car.yaml"])
@pytest.mark.parametrize(
    ("more", "says"),
    [
        ("--from +02:00:00", "--from +02:00:00 is after the last frame, 7 min 32 s from the start; choose an earlier"),
        ("--to 2001-01-01T00:00:00Z", "--to 2001-01-01T00:00:00Z is before the first frame; choose a later time"),
        ("--from +20 --to +10", "--from +20 is not before --to +10; exchange them"),
    ],
)
def test_a_part_outside_the_capture_is_refused_and_not_found_in_order(
    command: str, more: str, says: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hold([*command.split(), *more.split()], says, job, capsys)
