"""Output files that appear whole or not at all: all of one run's files, or none of them."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from latchtrace.errors import OutputError, UsageError


def check_targets(targets: Iterable[Path], inputs: Iterable[Path] = (), folders: Sequence[Path] = ()) -> None:
    """Refuse, before any work is done, output files that could not be written, are inputs, or are named twice.

    `folders` are output folders, which are made where they are missing; targets may lie in them. Raises OutputError
    or UsageError; touches nothing.
    """
    made = {folder.resolve() for folder in folders}
    for folder in folders:
        _check_folder(folder)
    taken = {path.resolve() for path in inputs}
    seen: set[Path] = set()
    for target in targets:
        real = target.resolve()
        if str(target) == "-":
            raise UsageError("-: this cannot go to standard output; name a file")
        if real in taken:
            raise UsageError(f"{target}: is one of the inputs; name another output file")
        if real in seen or real in made:
            raise UsageError(f"{target}: is named for two outputs; name two different files")
        seen.add(real)
        if target.is_dir():
            raise OutputError(f"{target}: is a folder; name a file in it")
        if real.parent not in made:
            _check_place(target)


def _check_place(target: Path) -> None:
    """Refuse what cannot be made where it is named."""
    parent = target.absolute().parent
    if target.exists() and not target.is_file():  # a device or pipe, which is written straight
        return
    if not parent.is_dir():
        raise OutputError(f"{target}: the folder {target.parent} does not exist; make it first")
    if not os.access(parent, os.W_OK):
        raise OutputError(f"{target}: nothing may be written in the folder {target.parent}; name another folder")


def _check_folder(folder: Path) -> None:
    """Refuse an output folder that is a file, that cannot be made where it is named, or in which nothing may be put."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file; name a folder")
    if not folder.exists():
        _check_place(folder)
    elif not os.access(folder, os.W_OK):
        raise OutputError(f"{folder}: nothing may be written in this folder; name another folder")


def write_all(outputs: Mapping[Path, bytes]) -> None:
    """Write every file, each whole and at once in its place; when one fails none of them is left changed.

    Folders one level deep are made where missing. Raises OutputError.
    """
    writing = _Writing()
    try:
        for target, content in outputs.items():
            writing.stage(target, content)
        writing.publish()
    except OSError as error:
        writing.undo()
        why = error.strerror or error
        raise OutputError(
            f"{writing.at or 'the output'}: cannot be written ({why}), nothing was changed; name another place"
        ) from None
    except BaseException:
        writing.undo()
        raise
    finally:
        writing.clean_up()


class _Writing:
    """One set of outputs on its way: first beside their places, then all of them put in place."""

    def __init__(self) -> None:
        self.staged: list[tuple[Path, Path]] = []
        self.direct: list[tuple[Path, bytes]] = []
        self.kept: list[tuple[Path, Path | None]] = []
        self.made: list[Path] = []
        self.at: Path | None = None

    def stage(self, target: Path, content: bytes) -> None:
        """Write the content beside its place; devices and pipes are written straight, at the end."""
        self.at = target
        place = target.resolve()
        if place.exists() and not place.is_file():
            self.direct.append((place, content))
            return
        if not place.parent.exists():
            place.parent.mkdir()
            self.made.append(place.parent)
        descriptor, name = tempfile.mkstemp(dir=place.parent, prefix=f".{place.name[:60]}.", suffix=".part")
        self.staged.append((Path(name), place))
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(_mode(place))

    def publish(self) -> None:
        """Put all files in place, keeping what was there until the last one stands."""
        for temporary, place in self.staged:
            self.at = place
            self.kept.append((place, _keep(place)))
            temporary.replace(place)
        for place, content in self.direct:
            self.at = place
            with place.open("wb") as file:
                file.write(content)

    def undo(self) -> None:
        """Bring back what was there before."""
        for place, kept in reversed(self.kept):
            with suppress(OSError):
                if kept is not None:
                    kept.replace(place)
                else:
                    place.unlink(missing_ok=True)

    def clean_up(self) -> None:
        """Remove what only stood there for the time being, and folders made for nothing."""
        for path in [temporary for temporary, _ in self.staged] + [kept for _, kept in self.kept if kept]:
            with suppress(OSError):
                path.unlink(missing_ok=True)
        for folder in self.made:
            with suppress(OSError):
                folder.rmdir()  # stays where a file stands in it


def _keep(place: Path) -> Path | None:
    """A second name for the file that is there, so that it can come back; None where there is none."""
    if not place.exists():
        return None
    name = Path(tempfile.mktemp(dir=place.parent, prefix=f".{place.name[:60]}.", suffix=".kept"))  # noqa: S306
    try:
        name.hardlink_to(place)
    except OSError:  # a file system without such links
        shutil.copy2(place, name)
    return name


def _mode(place: Path) -> int:
    """The rights of the file that is there, else those the user's mask gives new files."""
    if place.exists():
        return stat.S_IMODE(place.stat().st_mode)
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
