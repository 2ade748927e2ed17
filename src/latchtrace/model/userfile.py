"""Reads the YAML files people write: data only, every scalar as text, every position kept, all mistakes at once.

Nothing in such a file can run code: the file is composed to nodes and never constructed into objects. Anchors,
aliases, tags, duplicate keys, several documents, and files too large or too deep are refused with their place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from latchtrace.errors import Problem, UserFileError

LARGEST = 2_000_000
DEEPEST = 40
LONGEST_LINE = 400

_WIDE = (b"\xff\xfe", b"\xfe\xff")  # how text in UTF-16 begins
_Path = tuple[str | int, ...]
_Loader: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)


@dataclass(frozen=True, slots=True)
class UserFile:
    """A user's YAML as plain dicts, lists and strings, with the place (line, column from 1) of every node.

    The place of a mapping's entry is that of its key; `keys` knows keys, `positions` values.
    """

    name: str
    data: Any
    positions: Mapping[_Path, tuple[int, int]]
    keys: Mapping[_Path, tuple[int, int]]

    def place(self, path: Iterable[str | int]) -> tuple[int, int]:
        """Line and column of a field, or of the nearest one around it that the file has."""
        at = tuple(path)
        while at and at not in self.positions:
            at = at[:-1]
        return self.keys.get(at) or self.positions.get(at, (1, 1))

    def problem(self, path: Iterable[str | int], what: str, mend: str = "") -> Problem:
        """A mistake at a field, placed."""
        at = tuple(path)
        line, column = self.place(at)
        return Problem(self.name, line, column, _line(field_text(at)), _line(what), _line(mend))


def _line(text: str) -> str:
    """A text of one line, however long what it quotes is."""
    line = " ".join(text.split())
    return line if len(line) <= LONGEST_LINE else line[: LONGEST_LINE - 1] + "…"


def field_text(path: Iterable[str | int]) -> str:
    """A field path as people read it: `roles.latch.values[2]`."""
    text = ""
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{step}" if text else str(step)
    return text


def load_user_file(path: str | Path, name: str | None = None) -> UserFile:
    """Read a YAML file; raises UserFileError with all mistakes of form, placed."""
    shown = name or str(path)
    try:
        raw = Path(path).read_bytes()
    except OSError as error:
        folder = isinstance(error, IsADirectoryError)
        what = "is a folder" if folder else f"cannot be read ({error.strerror or error})"
        mend = "name a file in it" if folder else "check the path"
        raise UserFileError([Problem(shown, 1, 1, "", what, mend)]) from None
    return parse_user_text(raw, shown)


def parse_user_text(raw: bytes, name: str) -> UserFile:
    """Compose YAML text; raises UserFileError as `load_user_file` does."""
    if len(raw) > LARGEST:
        raise UserFileError([Problem(name, 1, 1, "", f"is larger than {LARGEST:,} bytes", "split it")])
    if b"\0" in raw and not raw.startswith(_WIDE):
        raise UserFileError([Problem(name, 1, 1, "", "is binary", "name a text file (YAML)")])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise UserFileError([Problem(name, line, 1, "", "is not UTF-8 text", "save it as UTF-8")]) from None
    _refuse_references(text, name)
    try:
        node = yaml.compose(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
        what = error.problem or error.context or "is not YAML"
        mend = "a YAML file holds one document" if "single document" in str(error) else "mend the YAML there"
        raise UserFileError([Problem(name, line, column, "", what, mend)]) from None
    except (yaml.YAMLError, RecursionError) as error:
        what = "is nested too deeply" if isinstance(error, RecursionError) else f"is not YAML ({error})"
        raise UserFileError([Problem(name, 1, 1, "", " ".join(what.split()), "mend it")]) from None
    if node is None:
        raise UserFileError([Problem(name, 1, 1, "", "is empty", "write its fields, or name another file")])
    builder = _Builder(name)
    data = builder.build(node, ())
    if builder.problems:
        raise UserFileError(builder.problems)
    return UserFile(name, data, builder.positions, builder.keys)


def check_version(file: UserFile, version: int) -> None:
    """Refuse a file of another version of its format before its fields are judged by this one.

    A version that is missing, or no number, is left to those who judge the fields.
    """
    text = file.data.get("version") if isinstance(file.data, dict) else None
    if not isinstance(text, str) or not re.fullmatch("[0-9]{1,9}", text.strip()) or int(text) == version:
        return
    mend = "use a newer latchtrace" if int(text) > version else f"write version: {version}"
    what = f"is {int(text)}, and this latchtrace reads version {version}"
    raise UserFileError([file.problem(("version",), what, mend)])


def _refuse_references(text: str, name: str) -> None:
    """Anchors, aliases, tags and depth are refused before anything is composed."""
    problems: list[Problem] = []
    depth = 0
    try:
        for event in yaml.parse(text, Loader=_Loader):
            mark: Any = event.start_mark
            place = (mark.line + 1, mark.column + 1)
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
                problems.append(Problem(name, *place, "", "uses an anchor or alias (& or *)", "write the value out"))
            elif tag := getattr(event, "tag", None):
                problems.append(Problem(name, *place, "", f"uses a tag ({tag})", "remove it"))
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
                if depth > DEEPEST:
                    problems.append(Problem(name, *place, "", f"is nested deeper than {DEEPEST}", "flatten it"))
                    break
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
    except yaml.YAMLError:
        pass  # reported with its place when it is composed
    if problems:
        raise UserFileError(problems)


class _Builder:
    """Turns nodes into plain data and remembers where each stood."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.positions: dict[_Path, tuple[int, int]] = {}
        self.keys: dict[_Path, tuple[int, int]] = {}
        self.problems: list[Problem] = []

    def build(self, node: Any, path: _Path) -> Any:
        self.positions[path] = (node.start_mark.line + 1, node.start_mark.column + 1)
        if isinstance(node, yaml.ScalarNode):
            return node.value
        if isinstance(node, yaml.SequenceNode):
            return [self.build(child, (*path, i)) for i, child in enumerate(node.value)]
        return self._mapping(node, path)

    def _mapping(self, node: Any, path: _Path) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            place = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)
            if not isinstance(key_node, yaml.ScalarNode):
                self.problems.append(Problem(self.name, *place, field_text(path), "a key must be plain text", ""))
                continue
            key = str(key_node.value)
            if key in result:
                where = field_text((*path, key))
                self.problems.append(Problem(self.name, *place, where, "is written twice", "keep one of the two"))
                continue
            self.keys[(*path, key)] = place
            result[key] = self.build(value_node, (*path, key))
        return result
