"""DEVELOPERS.md names everything a rule or a vehicle file can say, and nothing that is not there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from latchtrace.model.events import Reason
from latchtrace.model.vehicle import REQUEST_SOURCES, SendType, Shows
from latchtrace.rules.example_lines import FORMS
from latchtrace.rules.schema import PATTERN_FIELDS
from latchtrace.rules.world import STREAM_ROLES
from latchtrace.vehicle.kinds import DETAILS, KINDS

ROOT = Path(__file__).resolve().parents[3]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def section(title: str) -> str:
    return TEXT.split(f"\n## {title}\n")[1].split("\n## ")[0]


def named(text: str) -> set[str]:
    return set(re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)))


def row(text: str, start: str) -> str:
    return next(line for line in text.splitlines() if line.startswith(start))


@pytest.mark.parametrize("pattern", sorted(PATTERN_FIELDS))
def test_the_fields_of_a_pattern_are_those_the_reader_knows(pattern: str) -> None:
    _, _, fields, *_ = row(section("Rules"), f"| `{pattern}` |").split("|")
    assert named(fields) == set(PATTERN_FIELDS[pattern])


def test_every_stream_role_detail_source_and_reason_is_named() -> None:
    rules, vehicle = named(section("Rules")), named(section("Vehicle files"))
    assert set(STREAM_ROLES) <= rules
    assert {re.split(r"[.<,]", name)[0] for name in vehicle} >= set(KINDS)
    assert set(DETAILS) | set(REQUEST_SOURCES) | set(SendType) | set(Shows) <= vehicle
    assert set(Reason) <= named(section("The values that pass"))


def test_the_values_of_a_role_are_those_the_reader_knows() -> None:
    for kind in KINDS.values():
        if kind.numeric:
            continue
        line = next(one for one in section("Vehicle files").splitlines() if re.match(rf"\| .*`{kind.name}[.`]", one))
        values = named(line.split("|")[2])
        assert values == set(kind.labels) or "as for a request" in line, kind.name


def test_the_lines_of_an_example_are_those_the_reader_knows() -> None:
    assert "\n```text\n" + "\n".join(FORMS.values()) + "\n```\n" in section("Rules")


def test_every_room_is_named() -> None:
    rooms = {path.name for path in (ROOT / "src" / "latchtrace").iterdir() if path.is_dir()} - {"__pycache__", "demo"}
    assert {name.rstrip("/") for name in named(section("The house"))} >= rooms


def test_every_link_inside_the_guide_leads_to_a_heading() -> None:
    headings = re.findall(r"^#+ (.+)$", TEXT, re.MULTILINE)
    anchors = {re.sub(r"[^\w\- ]", "", one.lower()).replace(" ", "-") for one in headings}
    assert set(re.findall(r"\]\(#([\w-]+)\)", TEXT)) <= anchors


def test_every_file_it_names_is_there() -> None:
    inside = ROOT / "src" / "latchtrace"
    named_files = re.findall(r"`([\w./-]+/[\w./-]+\.(?:py|yaml|json))`", TEXT)
    assert len(named_files) > 15
    for name in named_files:
        if not name.endswith(("/x.py", "/x.yaml")):
            assert any((folder / name).exists() for folder in (ROOT, inside, ROOT / "tests", inside / "capture")), name
