"""The published JSON Schema of rule files, made from the tables they are checked by."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from latchtrace.model.results import Severity
from latchtrace.model.vehicle import RoleStatus
from latchtrace.rules.example_car import FUNCTIONS, NOT_STATED, STATUSES, limits
from latchtrace.rules.example_lines import AJAR
from latchtrace.rules.examples import CAR_FIELDS, FIELDS, KINDS, OUTCOMES
from latchtrace.rules.schema import (
    PATTERN_FIELDS,
    VERSION,
    WATCHING,
    allowed_fields,
    condition_fields,
    required_fields,
)
from latchtrace.rules.vocabulary import (
    CLOSURE_STATES,
    FACTS,
    FITTED,
    FOR_EACH,
    NUMBERS,
    STATES,
    Values,
    functions,
    units,
)
from latchtrace.rules.vocabulary_check import CLASS_LIMITS

_Schema = dict[str, Any]
_AS_TRUTH = {"yes": True, "no": False, "on": True, "off": False}
"""What some YAML readers make of these words; a rule file reads them as words."""


def schema_text() -> str:
    """The published schema as its file holds it."""
    return json.dumps(published_schema(), indent=1, ensure_ascii=False) + "\n"


def published_schema() -> _Schema:
    """The JSON Schema of a rule file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:latchtrace:rule:{VERSION}",
        "title": "latchtrace rule file",
        "type": "object",
        "required": ["version", "pattern", "function"],
        "properties": {"pattern": {"enum": list(PATTERN_FIELDS)}},
        "allOf": [_of_pattern(pattern) for pattern in PATTERN_FIELDS],
        "$defs": _definitions(),
    }


def _of_pattern(pattern: str) -> _Schema:
    own = [] if pattern == "delay-classes" else ["rule", "severity", "title", "message", "means"]
    observed = [] if pattern in WATCHING else ["observe"]
    return {
        "if": {"properties": {"pattern": {"const": pattern}}},
        "then": {
            "properties": {name: _field(pattern, name) for name in sorted(allowed_fields(pattern))},
            "required": [*own, *observed, *required_fields(pattern)],
            "additionalProperties": False,
            **({"anyOf": [{"required": ["at-most"]}, {"required": ["at-least"]}]} if pattern == "count" else {}),
        },
    }


def _field(pattern: str, name: str) -> _Schema:
    """The shape of a field; the few whose meaning depends on the pattern have one for each."""
    return _narrowed().get((pattern, name)) or _ref(f"field.{name}")


def _narrowed() -> Mapping[tuple[str, str], _Schema]:
    return {
        ("absence", "never"): _some(_ref("condition")),
        ("bounded-absence", "never"): _ref("selector"),
        ("count", "at-most"): _whole_number(),
        ("count", "at-least"): _whole_number(),
    }


def _whole_number() -> _Schema:
    return {"anyOf": [{"type": "integer", "minimum": 0}, {"type": "string", "pattern": r"^\d+$"}]}


def field_shapes() -> Mapping[str, _Schema]:
    """The shape of every field a rule may have."""
    limit, selectors, conditions = _ref("limit"), _some(_ref("selector")), _some(_ref("condition"))
    of_closures = _ref("closure")
    return {
        **_texts(),
        "version": {"enum": [VERSION, int(VERSION)]},
        "function": {"enum": list(functions())},
        "pattern": {"enum": list(PATTERN_FIELDS)},
        "fitted": {"enum": list(FITTED)},
        "needs": _some({"type": "string"}),
        "observe": {"anyOf": [_ref("selector"), _object({"begins": conditions}, ["begins"])]},
        "given": conditions,
        "unless": conditions,
        "doubtful": conditions,
        "state": conditions,
        "concerns": of_closures,
        "for-each": {"enum": list(FOR_EACH)},
        "let": {"type": "object", "additionalProperties": _captured()},
        "scope": _object(dict.fromkeys(("after", "before", "between", "and", "until"), conditions), []),
        "never": {"anyOf": [_ref("selector"), conditions]},
        "count": _ref("selector"),
        "steps": {"type": "array", "items": _ref("step"), "minItems": 1},
        "require": _ref("selector"),
        "expect": {"anyOf": [_ref("selector"), of_closures]},
        "excepting": _ref("selector"),
        "since": {"const": "request"},
        "from": limit,
        "within": limit,
        "every": limit,
        "at-least": limit,
        "at-most": limit,
        "early-before": limit,
        "late-after": limit,
        "missing-after": limit,
        "overtaken-by": selectors,
        "cancelled-by": selectors,
        "restarted-by": selectors,
        "restart-policy": _ref("condition"),
        "classes": _classes(),
        "trend": _object({"at-least": {"type": ["integer", "string"]}, "alpha": {"type": ["number", "string"]}}, "all"),
        "explained-by": _some(_object({"rule": {"type": "string"}, "of": {"enum": ["episode", "previous"]}}, "all")),
        "example-car": _object(_car(), []),
        "examples": {"type": "array", "items": _example()},
    }


def _captured() -> _Schema:
    closure: dict[str, _Schema] = {
        "closure": {"type": "string"},
        "read": {"enum": list(CLOSURE_STATES)},
        "when": {"enum": ["at", "before"]},
    }
    state: _Schema = {"enum": list(STATES)}
    ways = [_object({"latest": _ref("selector")}, "all"), _object({"state": state}, "all")]
    return {"anyOf": [*ways, _object(closure, ["closure", "read"])]}


def _texts() -> dict[str, _Schema]:
    text = {"type": "string", "minLength": 1}
    return {
        "rule": {"type": "string", "pattern": "^[A-Za-z0-9]+(-[A-Za-z0-9]+)*$"},
        "severity": {"enum": list(Severity)},
        "title": text,
        "message": text,
        "means": text,
        "check": _some(text),
        "cautions": _some(text),
        "by-design": _words(("yes", "no")),
    }


def _classes() -> _Schema:
    body = _object({**_texts(), "given": _some(_ref("condition"))}, ["rule", "severity", "title", "message", "means"])
    return {**_object(dict.fromkeys(CLASS_LIMITS, body), []), "minProperties": 1}


def _car() -> dict[str, _Schema]:
    parameters = {name: {"type": ["string", "integer", "boolean"]} for name in limits()}
    fitted = {"enum": ["fitted", str(RoleStatus.NOT_FITTED), NOT_STATED]}
    shapes = {
        "parameters": _object(parameters, []),
        "roles": {"type": "object", "additionalProperties": {"enum": list(STATUSES)}},
        "functions": _object(dict.fromkeys(FUNCTIONS, fitted), []),
    }
    return {name: shapes[name] for name in CAR_FIELDS}


def _example() -> _Schema:
    outcome = {"type": "string", "pattern": rf"^({'|'.join(OUTCOMES)})( [a-z-]+)?$"}
    shapes: dict[str, _Schema] = {
        "shows": {"type": "string", "minLength": 1},
        "expect": {"anyOf": [outcome, {"type": "object", "additionalProperties": outcome}]},
        "kind": {"enum": list(KINDS)},
        "closures": _some({"enum": list(AJAR)}),
        "lines": {"type": "string", "minLength": 1},
        **_car(),
    }
    return _object({name: shapes[name] for name in FIELDS}, ["shows", "expect", "lines"])


def _definitions() -> dict[str, _Schema]:
    return {
        "limit": {"type": ["string", "integer"], "description": f"{', '.join(units())}, or a value such as 300 ms"},
        "selector": {"anyOf": [_ref(f"selector.{what}") for what in FACTS if what != "beginning"]},
        "step": {"anyOf": [_step(what, facts) for what, facts in FACTS.items() if what != "beginning"]},
        "closure": _condition("closure"),
        "condition": {"anyOf": [_condition(name) for name in condition_fields()]},
        **{f"selector.{what}": _selector(what, facts) for what, facts in FACTS.items() if what != "beginning"},
        **{f"field.{name}": shape for name, shape in field_shapes().items()},
    }


def _step(what: str, facts: Mapping[str, Values]) -> _Schema:
    """A selector with the limits of a step."""
    selector = _selector(what, facts)
    return _object({**selector["properties"], "from": _ref("limit"), "within": _ref("limit")}, ["what", "within"])


def _selector(what: str, facts: Mapping[str, Values]) -> _Schema:
    shapes: dict[str, _Schema] = {"what": {"const": what}, "where": _some(_ref("condition"))}
    for name, values in facts.items():
        shapes[name] = shapes[f"{name}-not"] = _words(values)
    return _object(shapes, ["what"])


def _condition(name: str) -> _Schema:
    fields = condition_fields()[name]
    required = {"fact": ["is"], "state": ["is"], "policy": ["is"], "elapsed": ["from", "to"], "latest": ["after"]}
    return _object({field: _part(name, field) for field in sorted(fields)}, [name, *required.get(name, [])])


def _part(condition: str, field: str) -> _Schema:
    """One field of a condition."""
    conditions = _some(_ref("condition"))
    shapes: dict[tuple[str, str], _Schema] = {
        ("state", "state"): {"enum": list(STATES)},
        ("state", "is"): _words(tuple(dict.fromkeys(value for values in STATES.values() for value in values))),
        ("number", "number"): {"enum": list(NUMBERS)},
        ("happened", "happened"): _ref("selector"),
        ("happened", "since"): {"type": "string"},
        ("happened", "within"): {"type": "array", "items": _ref("limit"), "minItems": 2, "maxItems": 2},
        ("latest", "latest"): _ref("selector"),
        ("latest", "after"): _some(_ref("selector")),
        ("closure", "closure"): {"type": "string", "pattern": r"^(any|every|\$.+)$"},
        ("closure", "when"): {"enum": ["at", "before"]},
        ("closure", "of"): {"enum": ["lockable", "$closures"]},
        **{("closure", kind): _words(values) for kind, values in CLOSURE_STATES.items()},
        **{(name, name): conditions for name in ("not", "all", "any-of")},
        **{("number", name): _ref("limit") for name in condition_fields()["number"] if name != "number"},
        **{("elapsed", name): _ref("limit") for name in ("from", "to")},
        ("elapsed", "elapsed"): {"type": "string"},
    }
    return shapes.get((condition, field)) or _words(None)


def _words(values: Values) -> _Schema:
    """A word or a list of words; a fact of what is observed may stand for one."""
    if values is None:
        one: _Schema = {"type": ["string", "boolean"]}
    else:
        truths = [*dict.fromkeys(_AS_TRUTH[value] for value in values if value in _AS_TRUTH)]
        ways: list[_Schema] = [{"enum": [*values, *truths]}, {"type": "string", "pattern": r"^(\$|other:)."}]
        one = {"anyOf": ways}
    return _some(one)


def _some(one: _Schema) -> _Schema:
    return {"anyOf": [one, {"type": "array", "items": one}]}


def _ref(name: str) -> _Schema:
    return {"$ref": f"#/$defs/{name}"}


def _object(shapes: Mapping[str, _Schema], required: Iterable[str]) -> _Schema:
    needed = list(shapes) if required == "all" else list(required)
    return {"type": "object", "properties": dict(shapes), "required": needed, "additionalProperties": False}
