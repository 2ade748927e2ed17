"""The published schema of rule files: made from the tables, true of every shipped rule, and refusing what is wrong."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from latchtrace.rules.check import shipped_rules
from latchtrace.rules.published import field_shapes, schema_text
from latchtrace.rules.schema import PATTERN_FIELDS, allowed_fields

SCHEMA = json.loads(schema_text())
SHIPPED = sorted(shipped_rules().glob("*.yaml"))


def refused(data: Any) -> bool:
    return not Draft202012Validator(SCHEMA).is_valid(data)


def shipped(name: str) -> Any:
    return yaml.safe_load((shipped_rules() / f"{name}.yaml").read_text(encoding="utf-8"))


def test_the_published_file_is_what_the_tables_make() -> None:
    assert files("latchtrace").joinpath("data", "schemas", "rule.schema.json").read_text("utf-8") == schema_text()


def test_the_schema_itself_is_sound() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_every_field_of_every_pattern_has_a_shape() -> None:
    assert not {name for pattern in PATTERN_FIELDS for name in allowed_fields(pattern)} - field_shapes().keys()


@pytest.mark.parametrize("loader", [yaml.SafeLoader, yaml.BaseLoader])
@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_shipped_rule_keeps_the_schema(path: Path, loader: Any) -> None:
    data = yaml.load(path.read_text(encoding="utf-8"), loader)
    found = list(Draft202012Validator(SCHEMA).iter_errors(data))
    assert not found, found[0].message


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("severity", "bad"),
        ("patern", "absence"),
        ("function", "engine"),
        ("observe", {"what": "movemnt"}),
        ("observe", {"what": "movement", "result": "accepted"}),
        ("observe", {"what": "movement", "state": "open"}),
        ("never", [{"fct": "origin", "is": "none"}]),
        ("examples", [{"shows": "x", "expect": "perhaps", "lines": "0 latch all locked"}]),
        ("examples", [{"shows": "x", "expect": "pass"}]),
        ("example-car", {"parameters": {"relock.dely": "30 s"}}),
    ],
)
def test_what_is_wrong_is_refused(field: str, value: Any) -> None:
    data = shipped("mechanical-operation")
    assert not refused(data)
    assert refused({**data, field: value})


@pytest.mark.parametrize("field", ["version", "rule", "title", "message", "means", "observe", "never", "severity"])
def test_what_is_missing_is_refused(field: str) -> None:
    data = shipped("mechanical-operation")
    del data[field]
    assert refused(data)
