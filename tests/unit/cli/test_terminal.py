from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from latchtrace.cli.demo import demo_folder
from latchtrace.cli.terminal import print_error

ESTATE = str(demo_folder().parent / "dbc_demo" / "harbour_estate.yaml")
NIGHT = str(demo_folder() / "parked-night.log.zst")
COLOUR = re.compile(rb"\x1b\[[0-9;]*3[0-7][0-9;]*m")


def _on_terminal(folder: Path, **variables: str) -> bytes:
    """What a terminal is sent while an analysis runs on it."""
    ours, theirs = pty.openpty()
    base = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "FORCE_COLOR")}
    environment = {**base, "TERM": "xterm-256color", "COLUMNS": "90", **variables}
    with subprocess.Popen(
        [sys.executable, "-m", "latchtrace", "analyse", NIGHT, "--vehicle", ESTATE],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
    ) as process:
        os.close(theirs)
        received = b""
        while True:
            try:
                part = os.read(ours, 65_536)
            except OSError:  # how Linux says that the other end is closed
                break
            if not part:
                break
            received += part
        assert process.wait() == 1
    os.close(ours)
    return received


def test_colour_and_progress_are_for_terminals(tmp_path: Path) -> None:
    received = _on_terminal(tmp_path)
    assert COLOUR.search(received)
    assert b"Reading the capture" in received
    assert b"Harbour estate" in received


def test_no_color_is_honoured_on_a_terminal(tmp_path: Path) -> None:
    assert not COLOUR.search(_on_terminal(tmp_path, NO_COLOR="1"))


def test_a_terminal_without_unicode_gets_other_signs_and_no_error(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "latchtrace", "analyse", NIGHT, "--vehicle", ESTATE],
        cwd=tmp_path,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (1, b"")
    assert b"Harbour estate" in done.stdout


def test_errors_cannot_touch_the_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    print_error("a\x1b[31mb\rc: wrong\nsecond")
    assert capsys.readouterr().err == "latchtrace: a\ufffd[31mb\nlatchtrace: c: wrong\nlatchtrace: second\n"
