"""Reads the examples of a rule file: a few timed lines each, and what the rule must say of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from latchtrace.errors import Problem
from latchtrace.model.events import Reason
from latchtrace.model.userfile import UserFile
from latchtrace.model.vehicle import Parameter
from latchtrace.rules.example_car import (
    FUNCTIONS,
    LITTLE_CAR,
    NOT_STATED,
    STATUSES,
    Car,
    limits,
    read_parameter,
    role_names,
)
from latchtrace.rules.example_lines import AJAR, Lines, meant, parse_lines
from latchtrace.rules.example_timeline import role_of

OUTCOMES = ("pass", "fail", "inconclusive", "not-exercised", "not-applicable")
KINDS: Mapping[str, str] = {
    "passing": "one with `expect: pass`, of what is as it should be",
    "failing": "one with `expect: fail`, of what the rule is there to find",
    "boundary": "two with `kind: boundary` that come out differently: exactly at a limit, and just beyond it",
    "undecidable": "one with `expect: inconclusive`, of what a capture cannot tell, because of a gap or its end",
}
"""Every rule shows at least one of each."""
_KIND_OF = {"pass": "passing", "fail": "failing", "inconclusive": "undecidable"}
FIELDS = ("shows", "expect", "kind", "closures", "parameters", "roles", "functions", "lines")
CAR_FIELDS = ("parameters", "roles", "functions")
_Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class Example:
    """One example. `expect` tells by rule id what must come out, such as `fail` or `inconclusive gap`.

    `closures` are those the finding must name, where the example says so. `line` is its place in the file.
    """

    shows: str
    expect: Mapping[str, str]
    lines: Lines
    car: Car = LITTLE_CAR
    boundary: bool = False
    closures: tuple[str, ...] | None = None
    line: int = 0

    def kinds(self, rule_id: str) -> tuple[str, ...]:
        """Which kinds of example it is for a rule."""
        outcome = self.expect.get(rule_id, "").partition(" ")[0]
        kinds = (_KIND_OF.get(outcome, ""), "boundary" if self.boundary and outcome else "")
        return tuple(kind for kind in kinds if kind)


@dataclass(frozen=True, slots=True)
class ExampleResult:
    """How one example came out for one rule id. `differences` in words; empty where it is as expected."""

    rule: str
    file: str
    line: int
    shows: str
    expected: str
    got: str
    differences: tuple[str, ...] = field(default=())


def read_examples(file: UserFile, source: str, ids: Sequence[str]) -> tuple[tuple[Example, ...], tuple[Problem, ...]]:
    """The examples of a rule file, and every mistake in them; `ids` are the rules the file holds."""
    reader = _Reader(file, source, ids)
    data = file.data if isinstance(file.data, dict) else {}
    base = reader.car(data["example-car"], ("example-car",)) if "example-car" in data else LITTLE_CAR
    entries = data.get("examples", [])
    if not isinstance(entries, list):
        reader.wrong(("examples",), "is no list", "begin each example with `- shows: …`")
        entries = []
    examples = [reader.example(entry, ("examples", i), base) for i, entry in enumerate(entries)]
    return tuple(one for one in examples if one is not None), tuple(reader.problems)


def missing_examples(file: UserFile, examples: Sequence[Example], ids: Sequence[str]) -> tuple[Problem, ...]:
    """A problem for each kind of example a rule does not show."""
    return tuple(problem for rule_id in ids for problem in _missing(file, examples, rule_id))


def _missing(file: UserFile, examples: Sequence[Example], rule_id: str) -> list[Problem]:
    shown = [kind for example in examples for kind in example.kinds(rule_id)]
    found = [
        file.problem(("examples",), f"rule {rule_id} shows no {kind} example", f"add {meaning}")
        for kind, meaning in KINDS.items()
        if kind not in shown
    ]
    sides = {example.expect[rule_id] for example in examples if "boundary" in example.kinds(rule_id)}
    if len(sides) == 1:
        what = f"the boundary examples of rule {rule_id} all come out as {sides.pop()}"
        found.append(file.problem(("examples",), what, "add the one just beyond the limit"))
    return found


def flat(value: Any) -> str:
    """A value as a word; what is no word as its nearest likeness."""
    return value if isinstance(value, str) else str(value)


def known_role(name: str) -> bool:
    """Whether the little car has such a role, or roles of such a kind."""
    return any(name in (one, one.partition(".")[0]) for one in role_names())


class _Reader:
    """Walks the examples of one file; every mistake is noted and reading goes on."""

    def __init__(self, file: UserFile, source: str, ids: Sequence[str]) -> None:
        self.file, self.ids = file, tuple(ids)
        self.source = source.removeprefix("\ufeff").splitlines()
        self.problems: list[Problem] = []

    def wrong(self, path: _Path, what: str, mend: str = "") -> None:
        self.problems.append(self.file.problem(path, what, mend))

    def mapping(self, value: Any, path: _Path, fields: Sequence[str]) -> dict[str, Any]:
        if not isinstance(value, dict):
            self.wrong(path, "is no mapping", f"write fields such as `{fields[0]}: …`")
            return {}
        for name in value:
            if name not in fields:
                self.wrong((*path, name), f"'{name[:40]}' is not known here", meant(name, fields))
        return {name: value[name] for name in fields if name in value}

    def example(self, entry: Any, path: _Path, base: Car) -> Example | None:
        before = len(self.problems)
        data = self.mapping(entry, path, FIELDS)
        shows = data.get("shows")
        if not isinstance(shows, str) or not shows.strip():
            self.wrong((*path, "shows"), "needs 'shows' in words", "add `shows: …`")
        expect = self.expect(data, path)
        kind = flat(data.get("kind", ""))
        car = base.joined(self.car({name: data[name] for name in CAR_FIELDS if name in data}, path))
        lines = self.lines(data, (*path, "lines"), car)
        if kind and kind not in KINDS:
            self.wrong((*path, "kind"), f"'{kind[:40]}' is no kind of example", meant(kind, list(KINDS)))
        example = Example(
            shows=" ".join(shows.split()) if isinstance(shows, str) else "",
            expect=expect,
            lines=lines,
            car=car,
            boundary=kind == "boundary",
            closures=self.closures(data, path),
            line=self.file.place(path)[0],
        )
        if len(self.problems) > before:
            return None
        if kind and not any(kind in example.kinds(rule_id) for rule_id in expect):
            self.wrong((*path, "kind"), f"is {kind}, but nothing is expected to come out so", "mend kind or expect")
            return None
        return example

    def expect(self, data: Mapping[str, Any], path: _Path) -> Mapping[str, str]:
        value = data.get("expect")
        if isinstance(value, dict):
            entries = self.mapping(value, (*path, "expect"), self.ids)
            return {name: self.outcome(one, (*path, "expect", name)) for name, one in entries.items()}
        outcome = self.outcome(value, (*path, "expect"))
        return dict.fromkeys(self.ids, outcome)

    def outcome(self, value: Any, path: _Path) -> str:
        words = value.split() if isinstance(value, str) else []
        if not words or words[0] not in OUTCOMES:
            shown = (
                f"'{value[:40]}' is nothing a rule can say" if isinstance(value, str) else "needs what must come out"
            )
            self.wrong(path, shown, meant(words[0] if words else "", OUTCOMES))
            return ""
        reasons = [str(reason) for reason in Reason]
        if len(words) > 2 or (len(words) == 2 and words[0] != "inconclusive"):
            self.wrong(path, f"'{' '.join(words)[:40]}' says too much", f"write {words[0]} alone")
        elif len(words) == 2 and words[1] not in reasons:
            self.wrong(path, f"'{words[1][:40]}' is no reason", meant(words[1], reasons))
        return " ".join(words)

    def closures(self, data: Mapping[str, Any], path: _Path) -> tuple[str, ...] | None:
        value = data.get("closures")
        if value is None:
            return None
        named = [value] if isinstance(value, str) else value
        if not isinstance(named, list) or not all(isinstance(one, str) for one in named):
            self.wrong((*path, "closures"), "is no list of closures", "write [rear-left]")
            return None
        for one in named:
            if one not in AJAR:
                self.wrong((*path, "closures"), f"'{one[:40]}' is no closure", meant(one, AJAR))
        return tuple(named)

    # the car

    def car(self, value: Any, path: _Path) -> Car:
        data = self.mapping(value, path, CAR_FIELDS)
        roles: dict[str, str] = {}
        for name, status in self.mapping_of(data, "roles", path).items():
            at = (*path, "roles", name)
            if not known_role(name):
                self.wrong(at, f"'{name[:40]}' is no role", meant(name, role_names()))
            elif status not in STATUSES:
                self.wrong(at, "says nothing of a role", f"write one of {', '.join(STATUSES)}")
            else:
                roles[name] = str(status)
        functions: dict[str, bool | None] = {}
        for name, fitted in self.mapping_of(data, "functions", path).items():
            at = (*path, "functions", name)
            choices = {"fitted": True, "not-fitted": False, NOT_STATED: None}
            if name not in FUNCTIONS:
                self.wrong(at, f"'{name[:40]}' is no function", meant(name, FUNCTIONS))
            elif not isinstance(fitted, str) or fitted not in choices:
                self.wrong(at, "says nothing of a function", f"write one of {', '.join(choices)}")
            else:
                functions[name] = choices[fitted]
        return Car(roles, self.parameters(self.mapping_of(data, "parameters", path), path), functions)

    def mapping_of(self, data: Mapping[str, Any], name: str, path: _Path) -> Mapping[str, Any]:
        value = data.get(name, {})
        if isinstance(value, dict):
            return value
        self.wrong((*path, name), "is no mapping", "write {name: value}")
        return {}

    def parameters(self, entries: Mapping[str, Any], path: _Path) -> Mapping[str, Parameter | None]:
        found: dict[str, Parameter | None] = {}
        for name, value in entries.items():
            at = (*path, "parameters", name)
            if name not in limits():
                self.wrong(at, f"'{name[:40]}' is no parameter", meant(name, list(limits())))
            elif value == NOT_STATED:
                found[name] = None
            elif not isinstance(value, str):
                self.wrong(at, "is no value", f"write {limits()[name]['meaning']}")
            else:
                try:
                    found[name] = read_parameter(name, value.strip(), "the example")
                except ValueError as error:
                    self.wrong(at, str(error)[:200])
        return found

    # the lines

    def lines(self, data: Mapping[str, Any], path: _Path, car: Car) -> Lines:
        text = data.get("lines")
        if not isinstance(text, str) or not text.strip():
            self.wrong(path, "needs 'lines'", "add `lines: |` and timed lines such as `10 command unlock`")
            return Lines()
        lines, mistakes = parse_lines(text)
        for mistake in mistakes:
            self.wrong_in(path, text, mistake.line, mistake.column, mistake.what, mistake.mend)
        for one in lines.happenings:
            status = car.status(role_of(one))
            if status != "mapped":
                what = f"tells of {role_of(one)}, which this car's network does not show ({status})"
                self.wrong_in(path, text, one.line, 1, what, "remove the line, or the role from `roles`")
        for loss in lines.losses:
            if not known_role(loss.role):
                self.wrong_in(
                    path, text, loss.line, 1, f"'{loss.role[:40]}' is no role", meant(loss.role, role_names())
                )
        return lines

    def wrong_in(self, path: _Path, text: str, line: int, column: int, what: str, mend: str) -> None:
        """A mistake inside a block of lines, placed where it stands in the file."""
        top = self.file.positions.get(path, (1, 1))[0]
        wanted = text.split("\n")[line - 1]
        shown = self.source[top + line - 1] if top + line - 1 < len(self.source) else ""
        if wanted.strip() and shown.endswith(wanted):
            at = (top + line, len(shown) - len(wanted) + column)
            self.problems.append(Problem(self.file.name, *at, self.file.problem(path, "").field, what, mend))
        else:
            self.wrong(path, f"line {line}: {what}", mend)
