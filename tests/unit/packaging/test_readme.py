"""README.md is true: its files are written, its commands are run in its order, its example in Python is run.

Blocks marked `sh` are run in a folder that looks like the source tree; a command that ends with another status than
0 says so beside it. Blocks marked `yaml` are files, named in their first line. Blocks marked `shell` set up a fresh
machine: what they do is tested by the wheel test and, in the long run, as they stand.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

import pytest
from PIL import Image

from latchtrace.api import rules_catalogue
from latchtrace.capture.formats import FORMATS
from latchtrace.capture.stream import PACKED_EXTENSIONS
from support.documents import blocks, command_folder, run, stated_status, write_file

ROOT = Path(__file__).resolve().parents[3]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = [(block.kind, block.text) for block in blocks(TEXT)]


@dataclass(frozen=True)
class Command:
    """One command of the README, and the status it says it ends with."""

    text: str
    status: int


def commands(kind: str) -> Iterator[Command]:
    for found, block in BLOCKS:
        if found == kind:
            for line in block.replace("\\\n", " ").splitlines():
                text = " ".join(line.split("#")[0].split())
                yield Command(text, stated_status(line))


COMMANDS = tuple(commands("sh"))
SERVED = tuple(command for command in COMMANDS if command.text.startswith("latchtrace serve"))


def between(name: str) -> str:
    found = re.search(rf"<!-- {name} -->(.*?)<!-- /{name} -->", TEXT, re.DOTALL)
    assert found
    return found[1]


@pytest.fixture(scope="module")
def bin_folder(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Where the command `latchtrace` of this environment lies."""
    return command_folder(tmp_path_factory.mktemp("bin"))


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo files where the source tree has them, and the files README.md shows."""
    folder = tmp_path_factory.mktemp("tree")
    for name in ("captures_demo", "dbc_demo"):
        shutil.copytree(ROOT / name, folder / name)
    for block in blocks(TEXT):
        if block.kind == "yaml":
            write_file(block, folder)
    return folder


@pytest.fixture(scope="module")
def done(tree: Path, bin_folder: str) -> dict[str, subprocess.CompletedProcess[str]]:
    """Every command of README.md but those that serve, run in its order."""
    return {one.text: run(one.text, tree, bin_folder) for one in COMMANDS if one not in SERVED}


def test_every_block_is_of_a_kind_that_is_tested() -> None:
    assert {kind for kind, _ in BLOCKS} == {"shell", "sh", "text", "yaml", "python"}


def test_the_commands_end_as_readme_says(done: dict[str, subprocess.CompletedProcess[str]]) -> None:
    stated = {one.text: one.status for one in COMMANDS if one not in SERVED}
    assert len(stated) >= 15
    ended = {text: process.returncode for text, process in done.items()}
    assert ended == stated, [process.stderr for process in done.values() if process.returncode == 2]
    assert not [process.stderr for process in done.values() if "Traceback" in process.stderr]


def test_the_files_that_the_commands_write_are_there(
    done: dict[str, subprocess.CompletedProcess[str]], tree: Path
) -> None:
    assert done
    written = {"night.json", "night.html", "relock.xml", "my_car.yaml", "garage.log", "garage.truth.json", "awake.log"}
    assert {name for name in written if not (tree / name).stat().st_size} == set()
    (document,) = [process.stdout for text, process in done.items() if "--json -" in text]
    assert [finding["rule"] for finding in json.loads(document)["findings"]] == [
        "command-without-request",
        "relock-without-door-opening",
    ]


def test_the_output_readme_shows_is_the_output_there_is(
    done: dict[str, subprocess.CompletedProcess[str]],
) -> None:
    outputs = {" ".join(line.split()) for process in done.values() for line in process.stdout.splitlines()}
    shown = [" ".join(line.split()) for kind, block in BLOCKS if kind == "text" for line in block.splitlines()]
    assert len(shown) > 30
    assert [line for line in shown if line not in ("", "…") and line not in outputs] == []


def test_marks_and_the_rule_of_the_user_show_in_the_output(
    done: dict[str, subprocess.CompletedProcess[str]],
) -> None:
    (marked,) = [process for text, process in done.items() if text.startswith("latchtrace analyse") and "marks" in text]
    assert "pressed unlock far from the car" in marked.stdout
    (ruled,) = [process for text, process in done.items() if "--rules house_rules" in text]
    assert "NOTE" in ruled.stdout
    assert "nothing was opened within 25 s" in " ".join(ruled.stdout.split())


def test_serving_as_readme_says_answers_in_a_browser(tree: Path, bin_folder: str) -> None:
    assert SERVED
    for command in SERVED:
        words = [sys.executable, "-m", "latchtrace", *shlex.split(command.text)[1:], "--port", "0"]
        with subprocess.Popen(words, cwd=tree, stderr=subprocess.PIPE, text=True) as server:
            try:
                assert server.stderr is not None
                said = next(line for line in server.stderr if "http://127.0.0.1:" in line)
                address = next(word for word in said.split() if word.startswith("http"))
                with urlopen(address) as answer:
                    assert answer.status == 200
                    assert b"latchtrace" in answer.read()
            finally:
                server.terminate()


def test_the_example_in_python_runs_and_says_what_it_should(tree: Path) -> None:
    (example,) = [block for kind, block in BLOCKS if kind == "python"]
    assert len(example.strip().splitlines()) <= 14
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", example], cwd=tree, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "command-without-request" in done.stdout
    assert "8 2 Measured(" in done.stdout
    assert (tree / "night_lanes.html").stat().st_size > 100_000


def test_the_formats_are_those_of_the_registry() -> None:
    stated = re.findall(r"`(\.\w+)`", between("formats"))
    assert stated == [extension for one in FORMATS for extension in one.extensions]
    packed = re.findall(r"`(\.\w+)`", TEXT.split("Text forms may be packed as")[1].split(".\n")[0].split(" Classic")[0])
    assert sorted(packed) == sorted(PACKED_EXTENSIONS)


def test_the_rules_are_those_of_the_catalogue_and_their_number_too() -> None:
    stated = re.findall(r"`([a-z-]+)`", between("rules"))
    assert stated == sorted(rule.id for rule in rules_catalogue())
    assert f"There are {len(stated)}, and no more." in TEXT


def test_readme_opens_with_one_paragraph_and_then_the_two_commands_that_set_up_all() -> None:
    title, paragraph, heading, *_ = TEXT.split("\n\n")
    assert title == "# latchtrace"
    assert not paragraph.startswith(("#", "-", "`", "!"))
    assert heading == "## Start"
    assert [block.strip() for kind, block in BLOCKS if kind == "shell"] == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/latchtrace demo",
        "sh tests/run.sh",
    ]


def test_every_picture_is_there_is_a_picture_and_is_small() -> None:
    pictures = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", TEXT)
    assert len(pictures) >= 3
    for words, path in pictures:
        assert len(words) > 20
        assert (ROOT / path).stat().st_size < 200_000
        with Image.open(ROOT / path) as picture:
            assert picture.format == "PNG"
            assert min(picture.size) >= 800


def test_every_link_to_a_file_or_a_heading_leads_somewhere() -> None:
    for path, anchor in re.findall(r"\]\(([\w./-]+\.(?:md|png)|LICENSE)(?:#([\w-]+))?\)", TEXT):
        target = ROOT / path
        assert target.is_file()
        if anchor:
            headings = re.findall(r"^#+ (.+)$", target.read_text("utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w\- ]", "", one.lower()).replace(" ", "-") for one in headings}


@pytest.mark.parametrize(
    "caution",
    [
        "only listens",
        "second person",
        "never looks at it",
        "Nobody and no animal stays inside",
        "spare key outside and a window open",
        "crash inputs are tried on a bench only",
        "keep the network awake",
        "licensed practice come first",
        "Key codes",
    ],
)
def test_every_caution_is_there(caution: str) -> None:
    cautions = " ".join(TEXT.split("## Cautions")[1].split("## More")[0].split())
    assert caution in cautions


@pytest.mark.long
@pytest.mark.skipif(not os.environ.get("LATCHTRACE_LONG"), reason="installs every dependency; set LATCHTRACE_LONG=1")
def test_the_first_command_sets_up_a_fresh_machine(tmp_path: Path) -> None:
    names = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    for name in filter(None, names):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, tmp_path / name)
    command = next(commands("shell")).text
    done = run(command, tmp_path, str(Path(sys.base_prefix) / "bin"))
    assert done.returncode == 0, done.stderr[-2000:]
    assert "Unlocked by nobody" in done.stdout
    assert (tmp_path / "latchtrace_demo" / "parked-night.html").is_file()
