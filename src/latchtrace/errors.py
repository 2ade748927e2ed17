"""Everything latchtrace raises on purpose, in one tree, and the exit status each leads to.

    LatchtraceError            one line: what, where, how to mend it     exit 2
      UsageError               the command or call was wrong
      CaptureError             a capture cannot be opened or holds nothing readable
      NetworkError             a DBC cannot be read
      UserFileError            a vehicle, rule, scenario or marks file has mistakes (all of them)
      OutputError              an output file cannot be written
      MissingExtraError        an optional dependency is not installed

Mistakes in the data of a capture are values (`Notice`, counted skips), never exceptions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum


class ExitStatus(IntEnum):
    """What the process tells the shell."""

    DONE = 0
    FOUND = 1
    UNUSABLE = 2
    INTERRUPTED = 130


class LatchtraceError(Exception):
    """Something the user can mend; the text is one line (one line a problem for user files)."""

    exit_status = ExitStatus.UNUSABLE


class UsageError(LatchtraceError):
    """The command line, or a call of the Python interface, asks for something impossible."""


class CaptureError(LatchtraceError):
    """A capture cannot be opened, is in no known format, or holds no frame at all."""


class NetworkError(LatchtraceError):
    """A DBC cannot be read."""


class OutputError(LatchtraceError):
    """An output file or folder cannot be written; nothing was left half done."""


class MissingExtraError(LatchtraceError):
    """An optional dependency is missing; the text says how to install it."""


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One mistake in a file a user wrote; lines and columns count from 1."""

    file: str
    line: int
    column: int
    field: str
    what: str
    mend: str = ""

    def __str__(self) -> str:
        field = f"{self.field}: " if self.field else ""
        mend = f"; {self.mend}" if self.mend else ""
        return f"{self.file}:{self.line}:{self.column}: {field}{self.what}{mend}"


class UserFileError(LatchtraceError):
    """A file a user wrote has mistakes; `problems` holds all of them, in file order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(sorted(problems))
        super().__init__("\n".join(str(problem) for problem in self.problems))
