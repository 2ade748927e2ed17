from __future__ import annotations

from dataclasses import replace
from datetime import timedelta, timezone
from io import StringIO

import pytest
from rich.console import Console

from latchtrace.model.events import Reason
from latchtrace.model.results import (
    AnalysisResult,
    Finding,
    Severity,
    SourceCheck,
    SourceRuling,
    Verdict,
    VerdictKind,
)
from latchtrace.reports.options import ReportOptions
from latchtrace.reports.text import FULL_CARDS, print_text
from support.fake_results import SECRET_CODE, SECRET_PAYLOAD, fake_result, healthy_result
from support.golden import check_golden

OPTIONS = ReportOptions(captures=("night.log.gz",), vehicle="quay.yaml")


def text_report(result: AnalysisResult, options: ReportOptions, width: int = 100) -> str:
    """The report as it looks on a terminal of that width without colour."""
    buffer = StringIO()
    print_text(result, options, Console(file=buffer, width=width, color_system=None, highlight=False, emoji=False))
    return "\n".join(line.rstrip() for line in buffer.getvalue().splitlines()) + "\n"


@pytest.mark.parametrize("width", [60, 100])
def test_the_report_reads_as_it_was_looked_at(width: int) -> None:
    check_golden(f"report_{width}.txt", text_report(fake_result(), OPTIONS, width))


def test_a_healthy_capture_says_no_violation_and_how_often_exercised() -> None:
    text = text_report(healthy_result(), OPTIONS)
    assert "No violation in this capture: 1 locking action rebuilt, nothing found." in text
    assert "no violation in this capture, exercised 3 times" in text


def test_no_line_is_wider_than_asked_but_for_commands_to_copy() -> None:
    for line in text_report(fake_result(), OPTIONS, 60).splitlines():
        assert len(line) <= 60 or line.startswith("  latchtrace "), line


def test_the_summary_comes_first_and_faults_before_the_rest() -> None:
    text = text_report(fake_result(), OPTIONS)
    places = [
        text.index(part) for part in ("1 fault, 1 warning, 1 note", "FAULT  F1", "WARNING  F2", "NOTE, BY DESIGN")
    ]
    assert places == sorted(places)


def test_evidence_names_file_line_time_id_and_bytes() -> None:
    text = " ".join(text_report(fake_result(), OPTIONS, 200).split())
    assert "22:25:00.000 body 2B0 [0200]: BodyCommand.Actuators = unlock (night.log.gz, line 15011)" in text
    assert "no frame of body 31A from 22:24:58.000 until 22:25:00.000" in text


def test_what_was_and_what_was_not_ruled_out_is_said() -> None:
    text = text_report(fake_result(), OPTIONS)
    assert "the remote key: no press in the 2 s before" in text
    assert "the key in the lock cylinder: not visible on this network: wired" in text


def test_cautions_and_what_to_do_next_are_there() -> None:
    text = " ".join(text_report(fake_result(), OPTIONS).split())
    for part in (
        "A connected recorder may keep the network awake",
        "Keep a spare key outside the car.",
        "A long recording drains the battery.",
        "Measure the supply of the body module while it happens",
        "Latchtrace listens only.",
    ):
        assert part in text


def test_what_explains_the_worst_finding_is_to_be_looked_at_first() -> None:
    made = fake_result()
    worst, cause = replace(made.findings[0], explained_by="F2"), replace(made.findings[1], explained_by="")
    text = text_report(replace(made, findings=(worst, cause, *made.findings[2:])), OPTIONS)
    assert (worst.id, cause.id, worst.severity) == ("F1", "F2", Severity.FAULT)
    assert "First to look at: F2" in text
    assert f"  latchtrace rules show {cause.rule}\n" in text


def test_findings_that_explain_each_other_in_a_circle_end_somewhere() -> None:
    made = fake_result()
    first, second = replace(made.findings[0], explained_by="F2"), replace(made.findings[1], explained_by="F1")
    assert "First to look at: F" in text_report(replace(made, findings=(first, second)), OPTIONS)


def test_why_a_source_is_left_open_is_said_in_words() -> None:
    made = fake_result()
    seen = replace(made.episodes[1], sources=(SourceCheck("crash", SourceRuling.OPEN, "not-visible"),))
    text = text_report(replace(made, episodes=(seen,)), OPTIONS)
    assert "the crash signal: not shown by this network" in text


def test_the_commands_to_go_on_with_name_the_folder_of_rules_that_was_given() -> None:
    lines = text_report(fake_result(), replace(OPTIONS, rules="my rules")).splitlines()
    offered = [line.strip() for line in lines if line.startswith("  latchtrace ")]
    assert len(offered) >= 4
    assert [line for line in offered if " --rules 'my rules'" not in line] == []
    assert "latchtrace rules show command-without-request --rules 'my rules'" in offered


def test_codes_stay_out_unless_asked_for() -> None:
    hidden = text_report(fake_result(), OPTIONS, 200)
    assert SECRET_CODE not in hidden
    assert SECRET_PAYLOAD in text_report(fake_result(), replace(OPTIONS, show_codes=True), 200)


def test_times_follow_the_zone_and_the_clock_offset() -> None:
    options = replace(OPTIONS, zone=timezone(timedelta(hours=2)), clock_offset=60_000_000_000)
    text = text_report(fake_result(), options)
    assert "2031-05-01 00:01:00 to 01:01:00 UTC+02:00" in text
    assert "00:26:00.000" in text


def test_hostile_names_cannot_touch_the_terminal() -> None:
    evil = "a\x1b[31m\x07\u202ered\nfake line"
    result = fake_result()
    vehicle = replace(result.vehicle, name=evil, system=evil)
    finding = replace(result.findings[0], message=evil, cautions=(evil,))
    text = text_report(replace(result, vehicle=vehicle, findings=(finding,)), OPTIONS, 200)
    assert not any(sign in text for sign in ("\x1b", "\x07", "\u202e", "\nfake line"))
    assert "fake line" in text


def test_many_findings_of_one_rule_are_not_a_wall_of_text() -> None:
    one = fake_result().findings[0]
    many = tuple(replace(one, id=f"F{n}") for n in range(200))
    text = text_report(replace(fake_result(), findings=many), OPTIONS)
    assert text.count("Proved by") == FULL_CARDS
    assert "200 faults" in text
    assert "… and 157 more" in text


def test_rules_that_were_not_exercised_are_one_line() -> None:
    verdicts = tuple(Verdict(f"rule-{n}", VerdictKind.INCONCLUSIVE, reason=Reason.NOT_EXERCISED) for n in range(9))
    text = " ".join(text_report(replace(fake_result(), verdicts=verdicts), OPTIONS).split())
    assert "Not exercised rule-0, rule-1, rule-2" in text
    assert "UNDECIDED" not in text


def test_a_finding_by_design_says_so() -> None:
    note = Finding("F1", "mechanical-operation", Severity.NOTE, fake_result().findings[0].at, "x", by_design=True)
    text = text_report(replace(fake_result(), findings=(note,)), OPTIONS)
    assert "This is how the car is meant to work." in text
