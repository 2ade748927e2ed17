"""Every shipped rule changed in one place at a time, and whether its own examples notice."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import yaml

from latchtrace.errors import UserFileError
from latchtrace.model.userfile import parse_user_text
from latchtrace.pipeline import worlds_of
from latchtrace.rules.check import check_text, shipped_rules
from latchtrace.rules.example_car import example_vehicle
from latchtrace.rules.example_check import compare
from latchtrace.rules.example_timeline import all_roles, example_timeline
from latchtrace.rules.examples import Example
from latchtrace.rules.rule import Rule
from latchtrace.rules.schema import parse_rule
from latchtrace.rules.vocabulary_check import TIMES
from latchtrace.rules.world import World

# The severity of each rule, from the definition of the lock functions (F fault, W warning, N note).
SEVERITIES: Mapping[str, str] = {
    "command-without-request": "fault",
    "command-without-validation": "fault",
    "request-ignored": "fault",
    "latch-no-response": "fault",
    "latch-slow": "warning",
    "movement-without-command": "fault",
    "mechanical-operation": "note",
    "opened-while-locked": "warning",
    "closures-disagree": "fault",
    "relock-without-door-opening": "warning",
    "relock-early": "fault",
    "relock-late": "fault",
    "relock-missing": "fault",
    "relock-after-door-opening": "fault",
    "speed-lock-missing": "fault",
    "speed-lock-early": "fault",
    "speed-lock-while-disabled": "fault",
    "unlock-while-moving": "fault",
    "remote-desynchronised": "fault",
}

# Changes that change nothing, and why.
SAME: Mapping[str, str] = {
    "command-without-request.yaml: observe.action: left out": "names every action there is",
    "command-without-validation.yaml: within: request_window + 1 ns": "since: request looks as far back as the request",
    "command-without-validation.yaml: within: request_window - 1 ns": "since: request looks as far back as the request",
    "relock-delay.yaml: cancelled-by.2.action: left out": "the entry after it names the other actions",
    "relock-delay.yaml: cancelled-by.3.action: left out": "the entry before it names the other action",
    "relock-delay.yaml: cancelled-by.3.origin-not: left out": "a lock of those origins is the answer itself",
}

SPEEDS = ("above", "below", "reaches", "give", "until-below")
CONDITIONS = ("given", "unless", "never", "doubtful", "all", "any-of", "begins")
OPPOSITES = {"any": "every", "every": "any", "before": "at", "yes": "no", "no": "yes", "on": "off", "off": "on"}
_LEFT_ALONE = {
    "title",
    "message",
    "means",
    "check",
    "cautions",
    "function",
    "version",
    "rule",
    "pattern",
    "explained-by",
    "needs",
}
_OWN = {"examples", "example-car"}
_Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Change:
    """One rule file with one change: where, and what it became."""

    file: str
    what: str
    text: str


@cache
def sources() -> Mapping[str, str]:
    """The shipped rule files by name."""
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(shipped_rules().glob("*.yaml"))}


@cache
def examples_of(file: str) -> tuple[tuple[Example, World], ...]:
    """The examples of a shipped rule file, each with its world."""
    checked = check_text(sources()[file].encode(), file)
    found = []
    for example in checked.examples:
        vehicle = example_vehicle(example.car, all_roles(example.lines))
        (world,) = worlds_of(vehicle, [example_timeline(example.lines, example.car)])
        found.append((example, world))
    return tuple(found)


def changes(file: str) -> Iterator[Change]:
    """Every single change of a file."""
    data = {key: one for key, one in parse_user_text(sources()[file].encode(), file).data.items() if key not in _OWN}
    for path, what, value in _changes(data, ()):
        changed = copy.deepcopy(data)
        _put(changed, path, value)
        text = yaml.safe_dump(changed, sort_keys=False, allow_unicode=True)
        yield Change(file, f"{_shown(path)}: {what}", text)


def noticed(change: Change) -> str:
    """What notices a change: the example, the severity, or that the file is refused; empty where nothing does."""
    try:
        rule = parse_rule(change.text, change.file)
    except UserFileError:
        return "refused"
    wrong = [text.id for text in rule.texts if str(text.severity) != SEVERITIES.get(text.id)]
    return f"severity of {wrong[0]}" if wrong else _example(rule, change.file)


def survives(change: Change) -> bool:
    """Whether nothing notices a change that changes something."""
    return f"{change.file}: {change.what}" not in SAME and not noticed(change)


def _example(rule: Rule, file: str) -> str:
    for example, world in examples_of(file):
        if set(example.expect) - {text.id for text in rule.texts}:
            return "rule id"
        if any(result.differences for result in compare(rule, example, world)):
            return example.shows
    return ""


_GONE = object()


def _put(data: Any, path: _Path, value: Any) -> None:
    for step in path[:-1]:
        data = data[step]
    if value is _GONE:
        del data[path[-1]]
    else:
        data[path[-1]] = value


def _shown(path: _Path) -> str:
    return ".".join(str(step) for step in path)


def _changes(value: Any, path: _Path) -> Iterator[tuple[_Path, str, Any]]:
    """Where, what it is changed to in words, and the value put there."""
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _entry(value, name, one, (*path, name))
    elif isinstance(value, list):
        for i, one in enumerate(value):
            if len(value) > 1:
                yield (*path, i), "left out", _GONE
            yield from _changes(one, (*path, i))


def _entry(around: Mapping[str, Any], name: str, value: Any, path: _Path) -> Iterator[tuple[_Path, str, Any]]:
    if name in _LEFT_ALONE:
        return
    if name == "severity":
        for other in ("fault", "warning", "note"):
            if other != value:
                yield path, other, other
    elif name in TIMES or ("number" in around and name in SPEEDS):
        yield from _limits(value, path, "1 ns" if name in TIMES else "0.000001 km/h")
    elif name == "trend":
        yield (*path, "at-least"), "one more", str(int(value["at-least"]) + 1)
        yield (*path, "at-least"), "one less", str(int(value["at-least"]) - 1)
        yield (*path, "alpha"), "a tenth more", str(float(value["alpha"]) * 1.1)
        yield (*path, "alpha"), "a tenth less", str(float(value["alpha"]) * 0.9)
        yield path, "left out", _GONE
    elif "what" in around and name != "what":
        yield from _fact(around, name, value, path)
    else:
        yield from _other(name, value, path)


def _other(name: str, value: Any, path: _Path) -> Iterator[tuple[_Path, str, Any]]:
    if name in (
        "unless",
        "doubtful",
        "excepting",
        "since",
        "fitted",
        "needs",
        "of",
        "when",
        "concerns",
        "or-parameter",
    ):
        yield path, "left out", _GONE
    if name in CONDITIONS and isinstance(value, list):
        for i, condition in enumerate(value):
            if isinstance(condition, dict) and "number" not in condition:
                yield (*path, i), "the opposite", {"not": condition}
    if isinstance(value, str) and value in OPPOSITES and name in ("closure", "when", "is"):
        yield path, OPPOSITES[value], OPPOSITES[value]
    if name in ("closures", "classes") or isinstance(value, (dict, list)):
        yield from _changes(value, path)


def _fact(around: Mapping[str, Any], name: str, value: Any, path: _Path) -> Iterator[tuple[_Path, str, Any]]:
    yield path, "left out", _GONE
    opposite = name.removesuffix("-not") if name.endswith("-not") else f"{name}-not"
    yield path[:-1], f"{opposite}: {value}", {opposite if key == name else key: one for key, one in around.items()}
    if isinstance(value, list):
        yield from _changes(value, path)


def _limits(value: Any, path: _Path, step: str) -> Iterator[tuple[_Path, str, Any]]:
    if isinstance(value, list):
        for i, one in enumerate(value):
            yield from _limits(one, (*path, i), step)
        return
    for changed in (f"{value} + {step}", f"{value} - {step}"):
        yield path, changed, changed
