from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from latchtrace.cli import main
from latchtrace.errors import CaptureError
from latchtrace.model.events import Reason
from latchtrace.model.results import AnalysisResult, Severity, Verdict, VerdictKind
from support.fake_results import SECRET_CODE, SECRET_PAYLOAD, fake_result, healthy_result

ANALYSE = ("analyse", "night.log", "--vehicle", "car.yaml")


def _run(*more: str) -> int:
    return main([*ANALYSE, *more])


def _only(severity: Severity) -> AnalysisResult:
    finding = replace(fake_result().findings[0], severity=severity)
    return replace(healthy_result(), findings=(finding,))


def _undecided(reason: Reason) -> AnalysisResult:
    return replace(healthy_result(), verdicts=(Verdict("x", VerdictKind.INCONCLUSIVE, 1, 0, 1, reason),))


@pytest.mark.parametrize(
    ("result", "never", "fault", "warning", "inconclusive"),
    [
        (_only(Severity.FAULT), 0, 1, 1, 1),
        (_only(Severity.WARNING), 0, 0, 1, 1),
        (_only(Severity.NOTE), 0, 0, 0, 0),
        (healthy_result(), 0, 0, 0, 0),
        (_undecided(Reason.GAP), 0, 0, 0, 1),
        (_undecided(Reason.NOT_EXERCISED), 0, 0, 0, 0),
    ],
    ids=["fault", "warning", "note", "nothing", "undecided", "not exercised"],
)
def test_the_exit_status_follows_fail_on(
    interface: Any, job: Path, result: AnalysisResult, never: int, fault: int, warning: int, inconclusive: int
) -> None:
    interface.result = result
    levels = ("never", "fault", "warning", "inconclusive")
    assert [_run("--fail-on", level) for level in levels] == [never, fault, warning, inconclusive]
    assert _run() == fault


def test_the_report_goes_to_standard_output_and_nothing_to_standard_error(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _run()
    out, err = capsys.readouterr()
    assert out.startswith("Quay estate")
    assert "latchtrace serve night.log --vehicle car.yaml" in out
    assert "\x1b" not in out
    assert err == ""


def test_json_on_standard_output_is_all_that_is_there(
    interface: Any, job: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    _run("--json", "-")
    assert json.loads(capfdbinary.readouterr().out)["schema"] == "latchtrace/analysis/1"


def test_every_file_asked_for_is_written_and_named(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _run("--json", "a.json", "--html", "a.html", "--table", "tables") == 1
    assert sorted(path.name for path in job.iterdir()) == ["a.html", "a.json", "car.yaml", "night.log", "tables"]
    assert sorted(path.name for path in (job / "tables").iterdir()) == ["episodes.csv", "events.csv", "findings.csv"]
    assert json.loads((job / "a.json").read_bytes())["findings"]
    assert capsys.readouterr().err.startswith("Written: a.json, a.html, tables/")


def test_the_same_analysis_gives_the_same_bytes_in_every_report(interface: Any, job: Path) -> None:
    made = []
    for _ in range(2):
        _run("--json", "a.json", "--html", "a.html", "--table", "t", "--table-format", "parquet", "--pdf", "a.pdf")
        made.append({path.name: path.read_bytes() for path in job.rglob("*") if path.is_file()})
    assert made[0] == made[1]
    assert made[0]["a.pdf"].startswith(b"%PDF-")
    assert made[0]["events.parquet"].startswith(b"PAR1")


@pytest.mark.parametrize("more", [(), ("--show-codes",)])
def test_codes_are_in_no_output_unless_asked_for(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...]
) -> None:
    _run("--json", "a.json", "--html", "a.html", "--table", "t", *more)
    texts = [path.read_text() for path in job.rglob("*") if path.is_file()] + [capsys.readouterr().out]
    assert any(SECRET_PAYLOAD in text for text in texts) == bool(more)
    assert any(SECRET_CODE in text or str(int(SECRET_CODE, 16)) in text for text in texts) == bool(more)


def test_what_narrows_the_analysis_reaches_it(interface: Any, job: Path) -> None:
    _run(
        "--from", "+10", "--to", "06:00", "--timezone", "+02:00", "--clock-offset=-90s", "--marks", "m", "--rules", "r"
    )
    _, positional, named = interface.calls[0]
    assert positional == (["night.log"], "car.yaml")
    assert {key: named[key] for key in ("start", "end", "timezone", "clock_offset", "marks", "rules")} == {
        "start": "+10",
        "end": "06:00",
        "timezone": "+02:00",
        "clock_offset": -90 * 10**9,
        "marks": "m",
        "rules": "r",
    }


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--json", "no/a.json"), "no/a.json: the folder no does not exist; make it first"),
        (("--html", "."), ".: is a folder; name a file in it"),
        (("--json", "night.log"), "night.log: is one of the inputs"),
        (("--html", "car.yaml"), "car.yaml: is one of the inputs"),
        (("--json", "a", "--html", "./a"), "a: is named for two outputs"),
        (("--html", "-"), "--html -: only --json can go to standard output"),
        (("--table", "no/tables"), "the folder"),
        (("--table", "night.log"), "night.log: is a file; name a folder"),
        (("--from", "12:00"), "--from: '12:00' is a clock time, and no time zone is stated"),
        (("--to", "soon"), "--to: 'soon' is not a time; write +12.5"),
        (("--timezone", "Nowhere"), "--timezone: 'Nowhere' is not a known time zone"),
        (("--clock-offset", "late"), "--clock-offset: 'late' is not a duration"),
    ],
)
def test_what_cannot_work_is_refused_before_the_capture_is_read(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], says: str
) -> None:
    before = {path: path.read_bytes() for path in job.iterdir()}
    assert _run(*more) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n"), interface.calls) == ("", 1, [])
    assert err.startswith("latchtrace: ")
    assert says in err
    assert {path: path.read_bytes() for path in job.iterdir()} == before


def _fails() -> None:
    raise CaptureError("night.log: holds no frame; check the file")


def _interrupts() -> None:
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("during", "status", "says"),
    [(_fails, 2, "night.log: holds no frame; check the file"), (_interrupts, 130, "interrupted")],
)
def test_an_analysis_that_does_not_finish_leaves_old_output_untouched(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str], during: Any, status: int, says: str
) -> None:
    (job / "a.json").write_text("old")
    interface.during = during
    assert _run("--json", "a.json", "--html", "b.html", "--table", "t") == status
    out, err = capsys.readouterr()
    assert out == ""
    assert says in err
    assert (job / "a.json").read_text() == "old"
    assert sorted(path.name for path in job.iterdir()) == ["a.json", "car.yaml", "night.log"]


def test_a_missing_pdf_part_is_said_before_the_capture_is_read(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    assert _run("--pdf", "a.pdf") == 2
    assert "pip install 'latchtrace[pdf]'" in capsys.readouterr().err
    assert interface.calls == []


def test_missing_parts_for_parquet_are_said_before_the_capture_is_read(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("latchtrace.reports.tables.find_spec", lambda name: None)
    assert _run("--table", "t", "--table-format", "parquet") == 2
    out, err = capsys.readouterr()
    assert (out, interface.calls, (job / "t").exists()) == ("", [], False)
    assert err == (
        "latchtrace: --table-format parquet needs the optional 'parquet' parts: pip install 'latchtrace[parquet]'\n"
    )
    assert _run("--table", "t", "--table-format", "csv", "--fail-on", "never") == 0


def test_several_mistakes_of_a_user_file_are_a_line_each(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from latchtrace.errors import Problem, UserFileError

    def wrong() -> None:
        raise UserFileError(
            [Problem("car.yaml", 3, 1, "roles", "is empty", "add one"), Problem("car.yaml", 1, 1, "", "x")]
        )

    interface.during = wrong
    assert _run() == 2
    assert (
        capsys.readouterr().err == "latchtrace: car.yaml:1:1: x\nlatchtrace: car.yaml:3:1: roles: is empty; add one\n"
    )
