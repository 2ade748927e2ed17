"""The commands `rules check`, `rules test` and `rules why`: what they print, where, and their exit statuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from latchtrace.cli import main
from latchtrace.rules.check import shipped_rules

ROOT = Path(__file__).parents[3]
CAPTURE = str(ROOT / "captures_demo" / "relock-test.log.zst")
VEHICLE = str(ROOT / "dbc_demo" / "harbour_estate.yaml")


@pytest.fixture
def own(tmp_path: Path) -> Path:
    """A rule file of the user's own, sound, under a new name."""
    text = (shipped_rules() / "mechanical-operation.yaml").read_text(encoding="utf-8")
    path = tmp_path / "own.yaml"
    path.write_text(text.replace("rule: mechanical-operation", "rule: moved-by-hand"), encoding="utf-8")
    return path


def run(*words: object) -> int:
    return main([str(word) for word in words])


def test_check_of_the_shipped_rules_finds_no_mistake(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "check") == 0
    assert "17 files, 19 rules" in capsys.readouterr().out


def test_check_prints_all_mistakes_on_standard_error_and_ends_with_two(
    own: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own.write_text(own.read_text(encoding="utf-8").replace("severity: note", "severity: bad") + "x: y\n", "utf-8")
    assert run("rules", "check", own.parent) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert [line.partition(": ")[2].split(":")[0] for line in told.err.splitlines()] == [str(own)] * 2


def test_check_of_a_file_that_is_not_there_ends_with_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "check", tmp_path / "none.yaml") == 2
    assert "cannot be read" in capsys.readouterr().err


def test_test_of_sound_examples_ends_with_zero(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "test", own) == 0
    assert "all came out as they must" in capsys.readouterr().out


def test_test_tells_what_differs_with_its_place_and_ends_with_one(
    own: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = own.read_text(encoding="utf-8")
    own.write_text(text.replace("expect: not-exercised", "expect: pass"), encoding="utf-8")
    line = text[: text.index("- shows: nothing moved")].count("\n") + 1
    assert run("rules", "test", own) == 1
    told = capsys.readouterr().out
    assert f"{own}:{line}: moved-by-hand: nothing moved" in told
    assert "expected pass, got not-exercised" in told


def test_test_of_a_wrong_file_ends_with_two(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own.write_text("rule: x\n", encoding="utf-8")
    assert run("rules", "test", own) == 2
    assert capsys.readouterr().out == ""


def test_test_of_one_rule(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "test", own, "--rule", "moved-by-hand") == 0
    assert run("rules", "test", own, "--rule", "other") == 2
    assert "none of these files holds a rule 'other'" in capsys.readouterr().err


def test_why_tells_of_the_nearest_occasion(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "why", "relock-late", CAPTURE, "--vehicle", VEHICLE, "--at", "+60") == 0
    told = capsys.readouterr().out
    assert "relock-late" in told
    assert "occasions in this capture" in told
    assert "relock.delay = 30 s" in told


def test_why_reads_only_the_part_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("rules", "why", "relock-late", CAPTURE, "--vehicle", VEHICLE, "--at", "+60")
    assert run(*words, "--to", "+2") == 0
    assert "It was not exercised: this capture holds no occasion for it." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("rule", "at", "expected"),
    [
        ("relock-lat", "+60", "there is no rule 'relock-lat'"),
        ("relock-late", "soon", "--at: 'soon' is not a time"),
    ],
)
def test_why_of_what_there_is_not_is_one_line(
    rule: str, at: str, expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("rules", "why", rule, CAPTURE, "--vehicle", VEHICLE, "--at", at) == 2
    told = capsys.readouterr()
    assert (told.out, told.err.count("\n")) == ("", 1)
    assert expected in told.err


def test_show_leaves_the_examples_out_and_says_how_many_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "show", "mechanical-operation") == 0
    told = capsys.readouterr().out
    assert "- shows:" not in told
    assert "examples in the file; latchtrace rules test judges them" in told
