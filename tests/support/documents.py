"""Runs what a document shows: its code blocks, the files and commands in them, and the output it says they print."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

_BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_STATUS = re.compile(r"#\s*ends with status (\d+)")
_FILE = re.compile(r"# (?P<name>[\w./-]+)(?:, (?P<how>.+))?")
ADDED, CHANGED = "added at its end", "these lines changed"
LEFT_OUT = "…"


@dataclass(frozen=True)
class Block:
    """One code block of a document: its kind, what stands in it, and the line of the document it begins in."""

    kind: str
    text: str
    line: int


@dataclass(frozen=True)
class Step:
    """One command of a document with the output it shows, and what it really did."""

    line: int
    command: str
    shown: str
    stated: int
    status: int
    output: str


def blocks(text: str) -> list[Block]:
    """Every code block of a document."""
    return [Block(found[1], found[2], text[: found.start()].count("\n") + 1) for found in _BLOCK.finditer(text)]


def stated_status(command: str) -> int:
    """The exit status a command says it ends with, in a remark behind it."""
    ends = _STATUS.search(command)
    return int(ends[1]) if ends else 0


def command_folder(folder: Path) -> str:
    """Put the command `latchtrace` of this environment into a folder, for PATH."""
    script = folder / "latchtrace"
    script.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m latchtrace "$@"\n')
    script.chmod(0o755)
    return str(folder)


def run(command: str, folder: Path, path: str, *, together: bool = False) -> subprocess.CompletedProcess[str]:
    """Run a command of a document; `together` prints errors where a terminal would, in between."""
    environment = {**os.environ, "PATH": f"{path}{os.pathsep}{os.environ['PATH']}", "PYTHONUNBUFFERED": "1"}
    return subprocess.run(
        ["sh", "-c", command],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT if together else subprocess.PIPE,
        text=True,
        check=False,
    )


def write_file(block: Block, folder: Path) -> Path:
    """Do with a file what a block says: write it, add lines at its end, or change the lines that begin alike."""
    first, text = block.text.split("\n", 1)
    named = _FILE.fullmatch(first)
    assert named, f"line {block.line}: no file is named in '{first}'"
    target = folder / named["name"]
    if named["how"] is None:
        target.parent.mkdir(exist_ok=True)
        target.write_text(text, encoding="utf-8")
        return target
    assert named["how"] in (ADDED, CHANGED), f"line {block.line}: '{named['how']}' is nothing to do with a file"
    before = target.read_text(encoding="utf-8")
    target.write_text(before + text if named["how"] == ADDED else _changed(before, text), encoding="utf-8")
    return target


def _changed(before: str, text: str) -> str:
    lines = before.splitlines()
    for new in text.splitlines():
        start = new.partition(":")[0] + ":"
        (place,) = [i for i, old in enumerate(lines) if old.startswith(start)]
        assert lines[place] != new, f"'{new}' changes nothing"
        lines[place] = new
    return "\n".join(lines) + "\n"


def steps(shown: Sequence[Block], folder: Path, path: str) -> list[Step]:
    """Everything a guide tells to do, done in its order; a block of output belongs to the command before it."""
    done: list[Step] = []
    for i, block in enumerate(shown):
        if block.kind == "yaml":
            write_file(block, folder)
        elif block.kind == "sh":
            follows = shown[i + 1] if i + 1 < len(shown) else None
            output = follows.text if follows is not None and follows.kind == "text" else ""
            ended = run(block.text, folder, path, together=True)
            stated = stated_status(block.text)
            done.append(Step(block.line, block.text, output, stated, ended.returncode, ended.stdout))
    return done


def is_shown(shown: str, output: str) -> bool:
    """Whether an output is what a document shows; a line `…` stands for any lines, `…` in a line for any text."""
    parts = []
    for line in shown.splitlines():
        if line.strip() == LEFT_OUT:
            parts.append(r"(?:.*\n)*?")
        else:
            parts.append(".*?".join(map(re.escape, line.rstrip().split(LEFT_OUT))) + r"\n")
    plain = "".join(f"{line.rstrip()}\n" for line in output.splitlines())
    return re.fullmatch("".join(parts), plain) is not None
