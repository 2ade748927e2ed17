from __future__ import annotations

import pytest

from latchtrace import __version__, api
from latchtrace.cli import main
from latchtrace.cli.parser import build_parser, read_arguments, suggestion
from latchtrace.cli.verify import FUNCTIONS
from latchtrace.errors import UsageError

COMMANDS = ("demo", "analyse", "serve", "verify", "capture", "vehicle", "rules", "simulate")


def test_only_commands_that_are_built_exist() -> None:
    assert build_parser()[1] == COMMANDS


def test_the_functions_offered_are_those_the_interface_can_test() -> None:
    assert FUNCTIONS == api.FUNCTIONS


@pytest.mark.parametrize(
    "words",
    [
        [],
        *([name] for name in COMMANDS),
        ["capture", "info"],
        ["vehicle", "check"],
        ["vehicle", "new"],
        ["rules", "show"],
    ],
)
def test_every_command_has_help_with_examples(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([*words, "--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    assert text.startswith(f"usage: {' '.join(['latchtrace', *words])}")
    assert f"  latchtrace {' '.join(words)}".rstrip() in text


def test_the_version_is_the_packages(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert (stop.value.code, capsys.readouterr().out) == (0, f"latchtrace {__version__}\n")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["anlyse"], "COMMAND: there is no 'anlyse'; did you mean analyse?"),
        (["frobnicate"], "write one of demo, analyse"),
        (["rules", "lst"], "ACTION: there is no 'lst'; did you mean list or test?"),
        (
            ["verify", "auto-lock", "x", "--vehicle", "y"],
            "FUNCTION: there is no 'auto-lock'; did you mean auto-relock?",
        ),
        (["analyse", "x", "--vehicle", "y", "--jsn", "z"], "'--jsn' is not understood here; did you mean --json?"),
        (["analyse", "x", "--vehicle", "y", "--fail-on", "faults"], "there is no 'faults'; did you mean fault?"),
        (["analyse", "x"], "required: --vehicle; see 'latchtrace analyse --help'"),
        (["analyse", "--vehicle", "y"], "required: CAPTURE"),
        (["analyse", "x", "--vehic", "y"], "required: --vehicle"),
        (["demo", "more"], "'more' is not understood here; remove it"),
        (["serve", "--port", "99999"], "'99999' is not a port"),
        (["simulate", "x", "--out", "y", "--seed", "one"], "invalid int value: 'one'"),
    ],
)
def test_wrong_usage_is_one_line_that_says_how_to_mend_it(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("latchtrace: ")
    assert err.count("\n") == 1
    assert says in err


def test_captures_may_stand_before_and_after_options() -> None:
    options = read_arguments(["analyse", "a.log", "--vehicle", "car.yaml", "b.log", "-"])
    assert options.captures == ["a.log", "b.log", "-"]


def test_options_cannot_be_shortened_so_that_scripts_keep_working() -> None:
    with pytest.raises(UsageError):
        read_arguments(["analyse", "a.log", "--vehicle", "car.yaml", "--js", "x"])


def test_suggestions_fall_back_to_the_whole_list() -> None:
    assert suggestion("lst", ["list", "show"]) == "did you mean list?"
    assert suggestion("qqq", ["list", "show"]) == "write one of list, show"


def test_without_a_command_the_help_is_on_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([])
    out, err = capsys.readouterr()
    assert (stop.value.code, out) == (2, "")
    assert "latchtrace demo" in err
