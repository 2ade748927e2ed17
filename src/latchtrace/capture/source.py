"""Which files a command means: names, patterns, folders and standard input, each recognised before it is read."""

from __future__ import annotations

import glob
import sys
import tempfile
import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from latchtrace.capture.contract import Format
from latchtrace.capture.formats import FORMATS
from latchtrace.capture.stream import HEAD, PACKED_EXTENSIONS, Opening, packing_of
from latchtrace.errors import CaptureError

STDIN_NAME = "(standard input)"


@dataclass(frozen=True, eq=False)
class Source:
    """One capture file, recognised: where it is, its name without folders, its format and compression.

    For standard input `path` is a temporary copy, removed when the source is no longer used.
    """

    path: Path
    name: str
    format: Format
    packing: str = ""

    def open(self) -> Opening:
        """Open it for one reading from the start."""
        return Opening(self.path, self.name, self.packing)

    @property
    def format_name(self) -> str:
        """The format in words, with its compression."""
        return f"{self.format.name}, {self.packing}" if self.packing else self.format.name

    @property
    def size(self) -> int:
        """Bytes on disk."""
        return self.path.stat().st_size


def find_captures(arguments: Sequence[str]) -> tuple[Source, ...]:
    """All captures the arguments name: files, glob patterns, folders, or "-" for standard input.

    Patterns and folders give their captures in order of name, each file once. Raises CaptureError, one line,
    where something is missing, empty, or in no known format.
    """
    if not arguments:
        raise CaptureError("no capture given; name a file, a pattern, a folder, or - for standard input")
    sources: list[Source] = []
    seen: set[Path] = set()
    for argument in arguments:
        for source in [_standard_input()] if argument == "-" else _named(argument):
            if source.path.resolve() not in seen:
                seen.add(source.path.resolve())
                sources.append(source)
    return tuple(sources)


def _named(argument: str) -> list[Source]:
    path = Path(argument)
    if path.is_dir():
        return _folder(path)
    if path.exists():
        return [open_source(path)]
    if glob.has_magic(argument):
        found = sorted(Path(name) for name in glob.glob(argument, recursive=True))  # noqa: PTH207
        files = [file for file in found if file.is_file()]
        if not files:
            raise CaptureError(f"{argument}: no file matches this pattern; check the folder and the name")
        return [open_source(file) for file in files]
    raise CaptureError(f"{argument}: there is no such file; check the name and the folder")


def _folder(folder: Path) -> list[Source]:
    """The captures directly in a folder, by extension; other files are left alone."""
    files = [file for file in sorted(folder.iterdir()) if file.is_file() and format_by_name(file.name)]
    sources = [source for file in files if (source := _try_open(file))]
    if not sources:
        known = " ".join(sorted({extension for entry in FORMATS for extension in entry.extensions}))
        raise CaptureError(
            f"{folder}: no capture in this folder; name files, or a folder with files that end in {known} (or these "
            "with .gz or .zst)"
        )
    return sources


def _try_open(path: Path) -> Source | None:
    """A folder may hold other files with a capture's extension (a program's own .log): those are passed over."""
    try:
        return open_source(path)
    except CaptureError:
        return None


def format_by_name(name: str) -> Format | None:
    """The format whose extension a file name has (before .gz or .zst), or None."""
    low = name.lower()
    for extension in PACKED_EXTENSIONS:
        low = low.removesuffix(extension)
    return next((entry for entry in FORMATS if low.endswith(entry.extensions)), None)


def open_source(path: Path, name: str = "") -> Source:
    """Recognise one file by its content first, then by its extension; CaptureError if neither knows it."""
    name = name or path.name
    try:
        with path.open("rb") as file:
            raw = file.read(HEAD)
    except OSError as error:
        raise CaptureError(f"{name}: cannot be read: {error.strerror or error}") from error
    if not raw:
        raise CaptureError(f"{name}: the file is empty; record or copy it again")
    packing = packing_of(raw)
    opening = Opening(path, name, packing)
    head = opening.head() if packing else raw
    return Source(path, name, _recognise(head, name, packing), packing)


def _recognise(head: bytes, name: str, packing: str) -> Format:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CaptureError(f"{name}: is text in UTF-16; save it as UTF-8 or plain text")
    if packing and not head:
        raise CaptureError(
            f"{name}: nothing can be unpacked from it; the compressed file is empty or damaged; copy it again"
        )
    for entry in FORMATS:
        if entry.recognise(head):
            return entry
    by_name = format_by_name(name)
    if by_name is None and name == STDIN_NAME:
        by_name = FORMATS[0]
    binary = b"\0" in head
    if by_name is None or by_name.text == binary:
        kind = "its content is binary and" if binary else "its text"
        known = ", ".join(entry.name for entry in FORMATS)
        raise CaptureError(f"{name}: {kind} is in no capture format known here; convert it to one of {known}")
    return by_name


def _standard_input() -> Source:
    """Standard input, copied to a temporary file so that evidence can be looked up again."""
    with tempfile.NamedTemporaryFile(prefix="latchtrace-", suffix=".log", delete=False) as spill:
        path = Path(spill.name)
        try:
            while piece := sys.stdin.buffer.read(1 << 18):
                spill.write(piece)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
    try:
        source = open_source(path, STDIN_NAME)
    except CaptureError:
        path.unlink(missing_ok=True)
        raise
    weakref.finalize(source, path.unlink, missing_ok=True)
    return source
