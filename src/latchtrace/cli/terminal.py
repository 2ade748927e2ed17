"""What the commands say and where: results on standard output, progress and warnings on standard error."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console

Progress = Callable[[int, int], None]
"""Called with the bytes read and the bytes in all (0 where not known)."""

WIDEST = 120
_UNKNOWN_WIDTH = 100


def print_error(text: str) -> None:
    """One line a problem on standard error, each with the program's name."""
    for line in text.splitlines() or [""]:
        visible = "".join(char if char.isprintable() else "\N{REPLACEMENT CHARACTER}" for char in line)
        _say(f"latchtrace: {visible}")


def print_note(text: str) -> None:
    """A line for a person on standard error."""
    _say(text)


def _say(line: str) -> None:
    encoding = sys.stderr.encoding or "utf-8"
    print(line.encode(encoding, "replace").decode(encoding), file=sys.stderr)


def output() -> Console:
    """The console of standard output: as wide as the terminal, colour only on one, `NO_COLOR` honoured."""
    from rich.console import Console

    on_terminal = sys.stdout.isatty()
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="replace")  # a terminal that lacks a character shows another instead of failing
    console = Console(force_terminal=on_terminal, highlight=False, markup=False, emoji=False)
    console.width = min(console.width, WIDEST) if on_terminal else _UNKNOWN_WIDTH
    return console


def print_bytes(content: bytes) -> None:
    """Data on standard output, byte for byte."""
    sys.stdout.flush()
    sys.stdout.buffer.write(content)
    sys.stdout.buffer.flush()


@contextmanager
def printing() -> Iterator[None]:
    """Printing that may stop early when nobody reads on; what was decided before it still counts."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        close_quietly()


def close_quietly() -> None:
    """Point standard output away from a reader that is gone, so that nothing complains at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


@contextmanager
def progress(label: str) -> Iterator[Progress | None]:
    """A progress bar on standard error where that is a terminal; else None, and nothing is drawn."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task(label, total=None)

        def report(done: int, total: int) -> None:
            bars.update(task, completed=done, total=total or None)

        yield report
