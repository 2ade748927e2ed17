from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from latchtrace.vehicle.kinds import KINDS
from latchtrace.vehicle.layout import schema_text
from latchtrace.vehicle.parameters import catalogue
from support.made_vehicle import HEAD, with_roles

SCHEMA = json.loads(schema_text())
DEMO = sorted((Path(__file__).parents[3] / "dbc_demo").glob("*.yaml"))
FULL = with_roles(
    """\
latch: {signal: QuayCar.State, values: {0: unlocked, 0x1: locked, 2: {left: unlocked, others: locked}, 3-7: unknown}}
ajar.left: {signal: QuayDoors.Left, values: {0: open, 1: shut}}
request.remote-button:
  signal: QuayKey.Button
  shows: event
  values: {0: none, 1: lock}
  when: {QuayKey.Kind: [0, 2-3]}
  details: {slot: QuayKey.Slot, origin: {signal: QuayKey.Count, values: {1: remote-button}}}
request.other:barn: {not-visible: it is in the barn}
request.inside-handle:
  - {signal: QuayPanel.Key, values: {0: none, 1: release}, closure: left, holds: 150 ms}
  - {signal: QuayPanel.Presses, shows: counter, does: release, modulus: 5}
command.doors: not-fitted
speed: {signal: QuayRoad.Speed, unit: km/h, values: {0xFFFF: unknown}}
ignition: {signal: QuayRoad.Ignition, values: {0: off, 1: on}}""",
    HEAD.replace("messages:", "timestamp_uncertainty: 1 ms\nmessages:"),
    "parameters:\n  {relock.delay: 30 s, relock.policy: {value: cancel, origin: book}, keys.max: 4}\n",
)


def as_json(text: str) -> Any:
    """A file as a JSON Schema validator sees it: plain YAML types, keys as text."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {str(key): plain(entry) for key, entry in value.items()}
        return [plain(entry) for entry in value] if isinstance(value, list) else value

    return plain(yaml.safe_load(text))


def mistakes(text: str) -> list[str]:
    return [error.message for error in Draft202012Validator(SCHEMA).iter_errors(as_json(text))]


def test_the_published_schema_is_the_one_files_are_read_by() -> None:
    assert files("latchtrace").joinpath("data", "schemas", "vehicle.schema.json").read_text("utf-8") == schema_text()


def test_the_published_schema_is_a_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)


def test_a_file_that_uses_every_form_keeps_the_schema() -> None:
    assert mistakes(FULL) == []


@pytest.mark.parametrize("file", DEMO, ids=lambda file: file.stem)
def test_the_demo_vehicles_keep_the_schema(file: Path) -> None:
    assert mistakes(file.read_text("utf-8")) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("version: 1", "versoin: 1"),
        ("driver: true", "driver: perhaps"),
        ("send: on-change", "send: sometimes"),
        ("period: 100 ms", "period: 100"),
        ("repeats: 3", "repeats: 0"),
        ("signal: QuayCar.State", "signal: State"),
        ("shows: event", "shows: evnt"),
        ("holds: 150 ms", "hold: 150 ms"),
        ("request.other:barn", "request.barn"),
        ("command.doors: not-fitted", "command.doors: absent"),
        ("keys.max: 4", "keys.max: many"),
        ("keys.max: 4", "rolling.bits: 0"),
        ("keys.max: 4", "rolling.bits: 65"),
        ("relock.delay: 30 s", "relock.delay: 30 kg"),
        ("0: open", "zero: open"),
    ],
)
def test_what_the_loader_refuses_for_its_form_the_schema_refuses_too(old: str, new: str) -> None:
    assert old in FULL
    assert mistakes(FULL.replace(old, new, 1))


def described(schema: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every property of the schema with its description."""
    if isinstance(schema, dict):
        for name, entry in schema.get("properties", {}).items():
            yield f"{path}/{name}", entry.get("description", "")
        for name, entry in schema.items():
            yield from described(entry, f"{path}/{name}")
    elif isinstance(schema, list):
        for entry in schema:
            yield from described(entry, path)


def test_every_field_says_what_it_means() -> None:
    nameless = [
        path for path, text in described(SCHEMA) if not text and not path.endswith(("not-fitted", "not-visible"))
    ]
    assert nameless == []


def test_every_kind_of_role_and_every_parameter_is_in_the_schema() -> None:
    patterns = " ".join(SCHEMA["properties"]["roles"]["patternProperties"])
    assert all(name in patterns for name in KINDS)
    assert set(SCHEMA["properties"]["parameters"]["properties"]) == set(catalogue())
