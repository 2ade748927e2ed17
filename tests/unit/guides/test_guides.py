"""The guides of DEVELOPERS.md are true: their files are written, their commands run in order, their output compared.

A block marked `yaml` is a file, named in its first line: to write, to add to, or lines of it to change. A block marked
`sh` is one command; the block marked `text` behind it is all it prints, and where none stands it prints nothing. A line
`…` stands for lines left out, `…` inside a line for text left out.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from support.documents import LEFT_OUT, Block, Step, blocks, command_folder, is_shown, steps, write_file

ROOT = Path(__file__).resolve().parents[3]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RULE = "Your first rule in ten minutes"
VEHICLE = "Your first vehicle file"


def section(title: str) -> str:
    return TEXT.split(f"\n## {title}\n")[1].split("\n## ")[0]


SHOWN = {title: blocks(section(title)) for title in (RULE, VEHICLE)}
COMMANDS = [
    pytest.param(title, i, id=f"{title}, step {i + 1}")
    for title, shown in SHOWN.items()
    for i in range(sum(block.kind == "sh" for block in shown))
]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Step]]:
    """Everything each guide tells to do, done in a folder of its own with the demo files of the source tree."""
    path = command_folder(tmp_path_factory.mktemp("bin"))
    found = {}
    for title, shown in SHOWN.items():
        folder = tmp_path_factory.mktemp("guide")
        shutil.copytree(ROOT / "dbc_demo", folder / "dbc_demo")
        found[title] = steps(shown, folder, path)
    return found


@pytest.mark.parametrize(("title", "number"), COMMANDS)
def test_a_command_of_a_guide_prints_what_the_guide_shows(done: dict[str, list[Step]], title: str, number: int) -> None:
    step = done[title][number]
    assert is_shown(step.shown, step.output), f"{step.command}\nprinted:\n{step.output}"
    assert step.status == step.stated, step.command


@pytest.mark.parametrize("title", SHOWN)
def test_every_block_of_a_guide_is_a_file_a_command_or_its_output(title: str) -> None:
    kinds = [block.kind for block in SHOWN[title]]
    assert set(kinds) == {"yaml", "sh", "text"}
    assert section(title).count("```") == 2 * len(kinds)
    assert [kinds[i - 1] for i, kind in enumerate(kinds) if kind == "text"] == ["sh"] * kinds.count("text")
    for block in SHOWN[title]:
        if block.kind == "text":
            told = [line for line in block.text.splitlines() if line.strip() not in ("", LEFT_OUT)]
            assert told, block


@pytest.mark.parametrize("title", SHOWN)
def test_the_steps_of_a_guide_are_numbered_and_it_is_linked_in_the_contents(title: str) -> None:
    numbers = re.findall(r"^(\d+)\. ", section(title), re.MULTILINE)
    assert numbers == [str(i + 1) for i in range(len(numbers))]
    assert len(numbers) >= 8
    anchor = title.lower().replace(" ", "-")
    assert f"[{title}](#{anchor})" in TEXT.split("\n## ")[0]


def test_the_vehicle_guide_mends_two_mistakes_that_the_check_told_of(done: dict[str, list[Step]]) -> None:
    before, after = [step for step in done[VEHICLE] if step.command.strip().endswith("check meadow.yaml meadow.log")]
    assert before.output.split("In doubt")[1].split("Roles")[0].count("\n  - ") == 2
    assert "In doubt" not in after.output


def test_the_examples_of_the_rule_guide_are_of_every_kind_and_can_fail(done: dict[str, list[Step]]) -> None:
    tests = [step.status for step in done[RULE] if step.command.startswith("latchtrace rules test")]
    assert tests == [0, 1]
    lines = "".join(block.text for block in SHOWN[RULE] if block.kind == "yaml").splitlines()
    for kind in ("expect: pass", "expect: fail", "kind: boundary", "expect: inconclusive gap"):
        assert any(line.strip() == kind for line in lines), kind


class TestShown:
    """What counts as the output a document shows."""

    def test_the_same_lines_do_but_for_spaces_at_their_end(self) -> None:
        assert is_shown("a  b\n\nc\n", "a  b  \n   \nc\n")

    @pytest.mark.parametrize("output", ["", "a\nb\n", "a b\n", "b\n", "a\na\n", "ab\n"])
    def test_other_lines_do_not(self, output: str) -> None:
        assert not is_shown("a\n", output)

    def test_dots_alone_stand_for_any_lines(self) -> None:
        for output in ("a\nb\n", "a\nx\nb\n", "a\nx\n\ny\nb\n"):
            assert is_shown("a\n…\nb\n", output)
        assert not is_shown("a\n…\nb\n", "a\nx\n")
        assert not is_shown("a\n…\nb\n", "a\nbb\n")

    def test_dots_in_a_line_stand_for_text_of_that_line(self) -> None:
        assert is_shown("a … c\n", "a b c\n")
        assert not is_shown("a … c\n", "a b\nc\n")
        assert not is_shown("a … c\n", "a b d\n")


class TestFiles:
    """What a block does with a file."""

    def test_it_is_written_added_to_and_changed(self, tmp_path: Path) -> None:
        write_file(Block("yaml", "# new/one.yaml\na: 1\nb: 2\n", 1), tmp_path)
        write_file(Block("yaml", "# new/one.yaml, added at its end\nc: 3\n", 1), tmp_path)
        target = write_file(Block("yaml", "# new/one.yaml, these lines changed\nb: 4\n", 1), tmp_path)
        assert target.read_text() == "a: 1\nb: 4\nc: 3\n"

    @pytest.mark.parametrize(
        "text", ["a: 1\n", "# one.yaml, mended\na: 2\n", "# one.yaml, these lines changed\na: 1\n"]
    )
    def test_a_block_that_says_nothing_to_do_is_no_file(self, tmp_path: Path, text: str) -> None:
        (tmp_path / "one.yaml").write_text("a: 1\n")
        with pytest.raises(AssertionError):
            write_file(Block("yaml", text, 7), tmp_path)
