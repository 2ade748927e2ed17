from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from latchtrace.cli import main


def test_capture_info_prints_and_writes_the_same_capture(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["capture", "info", "night.log", "--json", "q.json"]) == 0
    assert "36,000 frames of 2 ids" in capsys.readouterr().out
    document = json.loads((job / "q.json").read_bytes())
    assert [item["id"] for item in document["ids"]] == ["2A0", "18DA40F1"]


def test_capture_info_as_json_is_all_that_is_on_standard_output(
    interface: Any, job: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert main(["capture", "info", "night.log", "--json", "-"]) == 0
    assert json.loads(capfdbinary.readouterr().out)["schema"] == "latchtrace/capture/1"


def test_verify_prints_every_trial_and_fails_with_a_failed_one(
    interface: Any, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["verify", "auto-relock", "night.log", "--vehicle", "car.yaml", "--junit", "t.xml"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "4 trials: 1 kept the limit, 1 cancelled as they must be, 1 failed, 1 undecided" in out
    assert "Keep a spare key outside the car." in out
    suite = ElementTree.fromstring((job / "t.xml").read_bytes())[0]
    counts = [suite.get(name) for name in ("tests", "failures", "skipped", "errors")]
    assert counts == ["4", "1", "1", "0"]


def test_verify_needs_a_capture_or_steps(interface: Any, job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "auto-relock", "--vehicle", "car.yaml"]) == 2
    assert "add --steps" in capsys.readouterr().err


@pytest.mark.parametrize("level", ["never", "fault", "warning", "inconclusive"])
def test_verify_never_fails_where_nothing_is_to_count(interface: Any, job: Path, level: str) -> None:
    status = main(["verify", "auto-relock", "night.log", "--vehicle", "car.yaml", "--fail-on", level])
    assert status == (0 if level == "never" else 1)


def test_serve_asks_for_what_is_missing(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "night.log"]) == 2
    assert "a capture needs --vehicle" in capsys.readouterr().err
    assert main(["serve", "--vehicle", "car.yaml"]) == 2
    assert "no CAPTURE is named" in capsys.readouterr().err


def test_serve_hands_results_host_and_port_to_the_workbench_and_says_where_it_is(
    interface: Any, job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from latchtrace import workbench

    served: list[Any] = []

    def serve(*args: Any, ready: Any) -> None:
        served.append(args)
        ready("http://127.0.0.1:8051/")

    monkeypatch.setattr(workbench, "build_app", lambda results, **_: ("app", results), raising=False)
    monkeypatch.setattr(workbench, "serve", serve, raising=False)
    assert main(["serve", "night.log", "--vehicle", "car.yaml", "--port", "8051"]) == 0
    assert served == [(("app", {"night.log": interface.result}), "127.0.0.1", 8051)]
    assert capsys.readouterr().err == "The workbench is at http://127.0.0.1:8051/ (stop it with Ctrl-C)\n"
