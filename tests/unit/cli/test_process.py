from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest

from latchtrace.cli.demo import demo_captures, demo_folder

COMMAND = [sys.executable, "-m", "latchtrace"]
ESTATE = str(demo_folder().parent / "dbc_demo" / "harbour_estate.yaml")
NIGHT = str(demo_folder() / "parked-night.log.zst")
DAY = str(demo_folder() / "ordinary-day.log.zst")


def _run(*words: str, cwd: Path, stdin: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    environment = {key: value for key, value in os.environ.items() if key not in ("FORCE_COLOR", "COLUMNS")}
    return subprocess.run([*COMMAND, *words], cwd=cwd, input=stdin, capture_output=True, check=False, env=environment)


def _files(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def _wait_for(happened: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60
    while not happened():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_a_fault_is_status_one_and_a_healthy_day_zero(tmp_path: Path) -> None:
    night = _run("analyse", NIGHT, "--vehicle", ESTATE, cwd=tmp_path)
    assert (night.returncode, night.stderr) == (1, b"")
    assert b"\x1b" not in night.stdout
    assert _run("analyse", NIGHT, "--vehicle", ESTATE, "--fail-on", "never", cwd=tmp_path).returncode == 0
    assert _run("analyse", DAY, "--vehicle", ESTATE, "--fail-on", "warning", cwd=tmp_path).returncode == 0


def test_json_on_standard_output_is_the_same_document_as_in_a_file(tmp_path: Path) -> None:
    done = _run("analyse", NIGHT, "--vehicle", ESTATE, "--json", "-", cwd=tmp_path)
    _run("analyse", NIGHT, "--vehicle", ESTATE, "--json", "night.json", cwd=tmp_path)
    assert json.loads(done.stdout)["schema"] == "latchtrace/analysis/1"
    assert (tmp_path / "night.json").read_bytes() == done.stdout


def test_candump_text_on_standard_input_gives_the_same_findings(tmp_path: Path) -> None:
    import zstandard

    text = zstandard.ZstdDecompressor().stream_reader(Path(NIGHT).read_bytes()).read()
    piped = json.loads(_run("analyse", "-", "--vehicle", ESTATE, "--json", "-", cwd=tmp_path, stdin=text).stdout)
    filed = json.loads(_run("analyse", NIGHT, "--vehicle", ESTATE, "--json", "-", cwd=tmp_path).stdout)
    assert [item["message"] for item in piped["findings"]] == [item["message"] for item in filed["findings"]]
    assert piped["episodes"][0]["start_ns"] == filed["episodes"][0]["start_ns"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("analyse", "missing.log", "--vehicle", ESTATE), b"missing.log"),
        (("analyse", "empty.log", "--vehicle", ESTATE), b"empty.log"),
        (("analyse", "noise.log", "--vehicle", ESTATE), b"noise.log"),
        (("analyse", NIGHT, "--vehicle", "missing.yaml"), b"missing.yaml"),
        (("analyse", NIGHT, "--vehicle", "broken.yaml"), b"broken.yaml:2:1"),
        (("analyse", NIGHT, "--vehicle", ESTATE, "--marks", "missing.yaml"), b"missing.yaml"),
        (("analyse", NIGHT, "--vehicle", ESTATE, "--rules", "missing"), b"missing"),
        (("analyse", NIGHT, "--vehicle", ESTATE, "--from", "+20", "--to", "+10"), b"+20"),
        (("verify", "auto-relock", "missing.log", "--vehicle", ESTATE, "--junit", "old.json"), b"missing.log"),
        (("capture", "info", "missing.log"), b"missing.log"),
        (("capture", "info", "missing-*.log"), b"missing-*.log"),
        (("vehicle", "check", "missing.yaml"), b"missing.yaml"),
        (("vehicle", "new", "--dbc", "missing.dbc"), b"missing.dbc"),
        (("rules", "show", "no-such-rule"), b"no-such-rule"),
        (("simulate", "missing.yaml", "--out", "made.log"), b"missing.yaml"),
    ],
)
def test_unreadable_input_is_status_two_said_in_lines_and_changes_no_file(
    tmp_path: Path, words: tuple[str, ...], says: bytes
) -> None:
    (tmp_path / "old.json").write_text("old")
    (tmp_path / "empty.log").write_bytes(b"")
    (tmp_path / "noise.log").write_bytes(bytes(range(256)) * 40)
    (tmp_path / "broken.yaml").write_text("nonsense: [")
    before = _files(tmp_path)
    more = ("--json", "old.json", "--html", "new.html") if words[0] == "analyse" else ()
    done = _run(*words, *more, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == b""
    assert says in done.stderr
    assert all(line.startswith(b"latchtrace: ") for line in done.stderr.splitlines())
    assert b"Traceback" not in done.stderr
    assert _files(tmp_path) == before


def test_a_reader_that_stops_early_is_no_error(tmp_path: Path) -> None:
    line = f"{sys.executable} -m latchtrace analyse {NIGHT} --vehicle {ESTATE} 2>err | head -1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stdout.splitlines()[-1] == "1"
    assert (tmp_path / "err").read_text() == ""


def test_an_interrupt_is_status_130_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "old.json").write_text("old")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    words = ["analyse", "-", "--vehicle", ESTATE, "--json", "old.json", "--html", "new.html"]
    environment = {**os.environ, "TMPDIR": str(scratch)}
    with subprocess.Popen(
        [*COMMAND, *words],
        cwd=tmp_path,
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdin is not None
        process.stdin.write(b"(1.000000) can0 123#00\n")
        process.stdin.flush()
        _wait_for(lambda: any(scratch.iterdir()))  # it copies its standard input, and waits for more
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (130, b"")
    assert err.startswith(b"latchtrace: interrupted")
    assert b"Traceback" not in err
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["old.json", "scratch"]
    assert (tmp_path / "old.json").read_text() == "old"


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from latchtrace.cli.parser import build_parser; build_parser();"
        "print([name for name in ('can','cantools','numpy','pandas','pydantic','rich','yaml','dash','plotly')"
        " if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_demo_tells_every_capture_and_writes_the_same_files_each_time(tmp_path: Path) -> None:
    first = _run("demo", "--out", "one", cwd=tmp_path)
    _run("demo", "--out", "two", cwd=tmp_path)
    assert (first.returncode, first.stderr) == (0, b"")
    names = [item.name for item in demo_captures()]
    text = first.stdout.decode()
    assert all(f"{name}: " in text for name in names)
    assert text.count("origin: none (nobody)") == 2
    assert "10 trials: 8 kept the limit, 2 cancelled" in " ".join(text.split())
    assert "latchtrace serve" in text
    assert sorted(_files(tmp_path / "one")) == sorted(f"{name}.{kind}" for name in names for kind in ("html", "json"))
    assert _files(tmp_path / "one") == _files(tmp_path / "two")
    schema = json.loads(files("latchtrace").joinpath("data", "schemas", "analysis.schema.json").read_text("utf-8"))
    for file in (tmp_path / "one").glob("*.json"):
        jsonschema.Draft202012Validator(schema).validate(json.loads(file.read_bytes()))


def test_the_demo_needs_a_folder_it_can_write(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("old")
    done = _run("demo", "--out", "file", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr == b"latchtrace: file: is a file; name a folder\n"


def test_simulate_makes_a_capture_that_analyse_reads(tmp_path: Path) -> None:
    scenario = str(demo_folder() / "relock-test.scenario.yaml")
    done = _run("simulate", scenario, "--out", "made.log.gz", "--seed", "5", cwd=tmp_path)
    assert done.returncode == 0
    assert sorted(_files(tmp_path)) == ["made.log.gz", "made.truth.json"]
    test = _run("verify", "auto-relock", "made.log.gz", "--vehicle", ESTATE, cwd=tmp_path)
    assert test.returncode == 0
    assert b"exercised 10 times" in test.stdout


def test_verify_tells_the_steps_before_there_is_a_capture(tmp_path: Path) -> None:
    done = _run("verify", "auto-relock", "--vehicle", ESTATE, "--steps", cwd=tmp_path)
    assert done.returncode == 0
    assert b"How to test" in done.stdout
    assert b"Caution" in done.stdout


def test_rules_are_listed_and_shown_with_their_text(tmp_path: Path) -> None:
    assert b"command-without-request" in _run("rules", "list", cwd=tmp_path).stdout
    shown = _run("rules", "show", "command-without-request", cwd=tmp_path).stdout
    assert b"What to check" in shown
    assert b"pattern:" in shown


def test_a_started_vehicle_file_names_the_candidates_of_its_dbc(tmp_path: Path) -> None:
    dbc = str(demo_folder().parent / "dbc_demo" / "harbour_body.dbc")
    printed = _run("vehicle", "new", "--dbc", dbc, cwd=tmp_path)
    written = _run("vehicle", "new", "--dbc", dbc, "--out", "car.yaml", cwd=tmp_path)
    assert (printed.returncode, written.returncode) == (0, 0)
    assert (tmp_path / "car.yaml").read_bytes() == printed.stdout
    assert b"BodyLatches" in printed.stdout


def test_serve_listens_on_this_machine_until_it_is_interrupted(tmp_path: Path) -> None:
    from urllib.request import urlopen

    words = ["serve", DAY, "--vehicle", ESTATE, "--port", "0"]
    with subprocess.Popen([*COMMAND, *words], cwd=tmp_path, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        address = next(word for word in process.stderr.readline().split() if word.startswith("http://"))
        assert address.startswith("http://127.0.0.1:")
        with urlopen(address, timeout=30) as answer:
            assert answer.status == 200
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert process.returncode in (0, 130)
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("+03:27:00", "+03:28:00"),
        ("2024-03-09T00:12:00Z", "2024-03-09T01:13:00+01:00"),
        ("00:12:00", "00:13:00"),
        ("+12420.5", "+12480"),
    ],
)
def test_a_part_of_the_capture_is_judged_by_any_way_to_write_a_time(tmp_path: Path, start: str, end: str) -> None:
    words = ("--from", start, "--to", end, "--timezone", "UTC", "--json", "-")
    document = json.loads(_run("analyse", NIGHT, "--vehicle", ESTATE, *words, cwd=tmp_path).stdout)
    assert [item["action"] for item in document["episodes"]] == ["unlock", "lock"]


def test_the_clock_offset_moves_what_is_shown_and_what_is_asked_for(tmp_path: Path) -> None:
    words = ("--from", "01:12:00", "--to", "01:13:00", "--timezone", "UTC", "--clock-offset", "1 h")
    done = _run("analyse", NIGHT, "--vehicle", ESTATE, *words, cwd=tmp_path)
    assert b"E1  01:12:14" in done.stdout
    assert b"looked at: 2024-03-09 01:12:" in done.stdout


HOUSE_RULE = """\
version: 1
rule: relock-missing
severity: fault
function: auto-relock
title: Nothing locked soon after the unlock by key
message: Not locked again within {limit}.
means: The press itself is what proves it.
pattern: bounded-response
observe: {what: request, source: remote-button, action: unlock}
expect: {what: action, action: lock}
within: 3 s
"""
KEY_MESSAGES = pytest.mark.parametrize(
    ("name", "can_id"), [("parked-night", "1A2"), ("second-network-day", "1A2C0420")]
)


def _demo(name: str) -> tuple[str, str]:
    """The paths of a demo capture and of its vehicle file."""
    item = next(item for item in demo_captures() if item.name == name)
    return str(item.capture), str(item.vehicle)


def _payloads(capture: str, can_id: str) -> set[bytes]:
    """Every payload an id has in a capture."""
    import zstandard

    text = zstandard.ZstdDecompressor().stream_reader(Path(capture).read_bytes()).read()
    found = {line.partition(f" {can_id}#".encode())[2].strip() for line in text.splitlines()} - {b""}
    assert found
    return found


@KEY_MESSAGES
def test_no_payload_of_a_key_message_leaves_the_capture_unless_asked_for(
    tmp_path: Path, name: str, can_id: str
) -> None:
    capture, vehicle = _demo(name)
    payloads = _payloads(capture, can_id)
    words = ("analyse", capture, "--vehicle", vehicle, "--fail-on", "never")
    done = _run(*words, "--json", "a.json", "--html", "a.html", "--table", "t", cwd=tmp_path)
    outputs = [done.stdout, *_files(tmp_path).values()]
    assert not [payload for payload in payloads if any(payload in output for output in outputs)]
    shown = _run(*words, "--json", "-", "--show-codes", cwd=tmp_path).stdout
    assert [payload for payload in payloads if payload in shown]


@KEY_MESSAGES
def test_a_function_test_proved_by_key_messages_shows_no_payload_of_them_unless_asked_for(
    tmp_path: Path, name: str, can_id: str
) -> None:
    capture, vehicle = _demo(name)
    payloads = _payloads(capture, can_id)
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "house.yaml").write_text(HOUSE_RULE)
    words = ("verify", "auto-relock", capture, "--vehicle", vehicle, "--rules", "rules", "--junit", "t.xml")
    done = _run(*words, cwd=tmp_path)
    assert (done.returncode, f"{can_id} [··" in done.stdout.decode()) == (1, True)
    assert f"{can_id} [··" in (tmp_path / "t.xml").read_text("utf-8")
    outputs = [done.stdout, *_files(tmp_path).values()]
    assert not [payload for payload in payloads if any(payload in output for output in outputs)]
    shown = _run(*words, "--show-codes", cwd=tmp_path).stdout
    for output in (shown, (tmp_path / "t.xml").read_bytes()):
        assert [payload for payload in payloads if payload in output]


@KEY_MESSAGES
def test_why_a_rule_did_not_fire_is_said_without_the_payloads_of_key_messages(
    tmp_path: Path, name: str, can_id: str
) -> None:
    capture, vehicle = _demo(name)
    words = ("rules", "why", "request-ignored", capture, "--vehicle", vehicle, "--at", "+20")
    done = _run(*words, cwd=tmp_path)
    assert b"remote-button" in done.stdout
    assert not [payload for payload in _payloads(capture, can_id) if payload in done.stdout]
