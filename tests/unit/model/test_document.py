from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from latchtrace.model.document import (
    analysis_document,
    capture_document,
    document_bytes,
    document_text,
    measured_document,
)
from latchtrace.model.plan import id_text
from latchtrace.model.results import AnalysisResult, Finding, Measured, Severity
from latchtrace.model.time import Interval
from support.fake_results import (
    SECRET_CODE,
    SECRET_COUNTER,
    SECRET_PAYLOAD,
    fake_capture,
    fake_result,
    healthy_result,
)
from support.golden import check_golden


def _validator(name: str) -> jsonschema.Draft202012Validator:
    schema = json.loads(files("latchtrace").joinpath("data", "schemas", name).read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("show_codes", [False, True])
@pytest.mark.parametrize("result", [fake_result(), healthy_result()], ids=["found", "healthy"])
def test_the_document_keeps_its_published_schema(result: AnalysisResult, show_codes: bool) -> None:
    document = json.loads(document_bytes(analysis_document(result, show_codes)))
    _validator("analysis.schema.json").validate(document)


def test_the_document_reads_as_it_was_looked_at() -> None:
    check_golden("analysis.json", document_bytes(analysis_document(fake_result())))


def test_the_schema_refuses_what_is_not_in_it() -> None:
    document = analysis_document(fake_result())
    validator = _validator("analysis.schema.json")
    assert validator.is_valid(document)
    for section in ("tool", "capture", "vehicle"):
        assert not validator.is_valid({**document, section: {**document[section], "more": 1}})
    assert not validator.is_valid({**document, "more": 1})
    assert not validator.is_valid({key: value for key, value in document.items() if key != "findings"})


def test_capture_quality_keeps_its_published_schema() -> None:
    document = json.loads(document_bytes(capture_document(fake_capture(), ["take care"])))
    _validator("capture.schema.json").validate(document)
    assert document["ids"][0]["changing_bits"] == [0, 1, 2]
    assert document["warnings"] == ["take care"]


def test_the_same_result_gives_the_same_bytes() -> None:
    assert document_bytes(analysis_document(fake_result())) == document_bytes(analysis_document(fake_result()))


def test_the_sections_stand_in_the_order_of_the_contract() -> None:
    assert list(analysis_document(fake_result())) == [
        "schema",
        "tool",
        "capture",
        "vehicle",
        "episodes",
        "findings",
        "verdicts",
        "exercised",
        "diagnosis",
        "notices",
    ]


def test_codes_and_counters_stay_out_unless_asked_for() -> None:
    hidden = document_text(analysis_document(fake_result()))
    for secret in (SECRET_CODE, SECRET_PAYLOAD, str(int(SECRET_CODE, 16)), str(SECRET_COUNTER)):
        assert secret not in hidden
    assert SECRET_PAYLOAD in document_text(analysis_document(fake_result(), show_codes=True))


def test_no_folder_of_the_users_machine_is_in_it() -> None:
    assert "/home/somebody" not in document_text(analysis_document(fake_result()))


def test_absence_is_after_and_until() -> None:
    absence = analysis_document(fake_result())["findings"][0]["evidence"][1]
    assert sorted(absence) == ["after", "channel", "id", "until"]
    assert absence["until"] - absence["after"] == 2_000_000_000


def test_times_are_whole_nanoseconds_and_intervals_pairs() -> None:
    episode = analysis_document(fake_result())["episodes"][1]
    assert isinstance(episode["start_ns"], int)
    lo, hi = episode["stages"]["command"]["at_ns"]
    assert hi - lo == 100_000_000


def test_ids_read_as_captures_write_them() -> None:
    assert (id_text(0x1A, False), id_text(0x1A, True)) == ("01A", "0000001A")


def test_measured_nanoseconds_stay_whole_and_infinity_is_null() -> None:
    assert measured_document(Measured(3e10, 30_100_000_001.0, "ns")) == {
        "value": [30_000_000_000, 30_100_000_001],
        "unit": "ns",
    }
    assert measured_document(Measured(1.5, float("inf"), "km/h")) == {"value": [1.5, None], "unit": "km/h"}


_plain: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(),
    lambda deeper: st.lists(deeper) | st.dictionaries(st.text(), deeper),
)


@given(st.dictionaries(st.text(), _plain))
def test_any_document_reads_back_as_it_was(document: dict[str, Any]) -> None:
    assert json.loads(document_text(document)) == document


def test_names_that_are_no_text_become_escapes() -> None:
    content = document_bytes({"name": "night\udcff.log"})
    assert content == b'{"name": "night\\udcff.log"}\n'
    assert json.loads(content) == {"name": "night\udcff.log"}


def test_hostile_names_stay_data() -> None:
    evil = '"},{"x\n\x1b[31m'
    finding = Finding("F9", evil, Severity.NOTE, Interval(1, 2), evil)
    document = analysis_document(replace(fake_result(), findings=(finding,)))
    assert json.loads(document_bytes(document))["findings"][0]["message"] == evil
