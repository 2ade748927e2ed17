"""Checks rule files as their authors need it: every mistake of every file at once, missing examples included."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from latchtrace.errors import Problem, UsageError, UserFileError
from latchtrace.model.userfile import UserFile, parse_user_text
from latchtrace.rules.catalogue import data_folder
from latchtrace.rules.examples import Example, missing_examples, read_examples
from latchtrace.rules.rule import Rule
from latchtrace.rules.schema import compile_rule
from latchtrace.rules.vocabulary_check import unknown_causes


@dataclass(frozen=True, slots=True)
class CheckedRule:
    """One rule file: its rule and examples where they could be read, and all its mistakes, placed."""

    file: str
    rule: Rule | None
    examples: tuple[Example, ...]
    problems: tuple[Problem, ...]
    ids: tuple[str, ...] = ()
    source: UserFile | None = None


def shipped_rules() -> Path:
    """The folder of the rules that come with latchtrace."""
    return data_folder() / "rules"


def rule_files(arguments: Sequence[str | Path]) -> list[Path]:
    """The rule files named, those of a folder in order of name; the shipped ones where none is named.

    Raises UsageError.
    """
    found: dict[Path, None] = {}
    for argument in arguments or [shipped_rules()]:
        path = Path(argument)
        files = sorted(path.glob("*.yaml")) if path.is_dir() else [path]
        if not files:
            raise UsageError(f"{path}: holds no rule file; rules are files that end in .yaml")
        found.update(dict.fromkeys(files))
    return list(found)


def check_files(paths: Sequence[Path]) -> tuple[CheckedRule, ...]:
    """Every file checked; a file that cannot be read is a mistake of that file.

    A rule may be explained by a shipped one and by one of the files checked with it.
    """
    checked = [_opened(path) for path in paths]
    own = [name for one in checked for name in one.ids]
    double = {name for name in own if own.count(name) > 1}
    known = sorted({*own, *shipped_ids()})
    return tuple(_joined(one, known, double) for one in checked)


def _joined(one: CheckedRule, known: Sequence[str], double: Set[str]) -> CheckedRule:
    """What can only be told of a file beside the others."""
    if one.source is None:
        return one
    more = list(unknown_causes(one.source, known))
    more += [
        one.source.problem(("rule",), f"rule {name} stands in another of these files too", "rename one of them")
        for name in one.ids
        if name in double
    ]
    return replace(one, problems=tuple(sorted({*one.problems, *more})))


@cache
def shipped_ids() -> tuple[str, ...]:
    """The ids of the rules that come with latchtrace."""
    files = [parse_user_text(path.read_bytes(), path.name) for path in sorted(shipped_rules().glob("*.yaml"))]
    return tuple(name for file in files for name in stated_ids(file))


def _opened(path: Path) -> CheckedRule:
    try:
        raw = path.read_bytes()
    except OSError as error:
        problem = Problem(str(path), 1, 1, "", f"cannot be read ({error.strerror or error})", "check the path")
        return CheckedRule(str(path), None, (), (problem,))
    return check_text(raw, str(path))


def check_text(raw: bytes, name: str) -> CheckedRule:
    """One rule file from its bytes, checked."""
    try:
        file = parse_user_text(raw, name)
    except UserFileError as error:
        return CheckedRule(name, None, (), error.problems)
    source = raw.decode("utf-8-sig")
    rule: Rule | None = None
    problems: list[Problem] = []
    try:
        rule = compile_rule(file, source)
    except UserFileError as error:
        problems += error.problems
    ids = [text.id for text in rule.texts] if rule is not None else stated_ids(file)
    examples, mistakes = read_examples(file, source, ids)
    problems += mistakes
    if not mistakes:
        problems += missing_examples(file, examples, ids)
    return CheckedRule(name, rule, examples, tuple(sorted(set(problems))), tuple(ids), file)


def stated_ids(file: UserFile) -> list[str]:
    """The rule ids a file speaks of, as far as it can be read."""
    data = file.data if isinstance(file.data, dict) else {}
    classes = data.get("classes")
    bodies = [data, *(classes.values() if isinstance(classes, dict) else [])]
    named = [body.get("rule") for body in bodies if isinstance(body, dict)]
    return [name for name in named if isinstance(name, str) and name]
