"""A function test as JUnit XML, for a test bench: one test case a trial."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement, indent, tostring

from latchtrace.model.clock import Clock
from latchtrace.model.results import FunctionTest, Trial, VerdictKind
from latchtrace.reports.card import clean, proof_lines
from latchtrace.views import wording


def junit_report(tests: tuple[FunctionTest, ...], times: Clock) -> bytes:
    """The tests as JUnit XML, UTF-8.

    A trial that kept its limit passes, one outside it is a failure, an undecided one counts as skipped. A
    function that was never exercised is one skipped case, so that an empty test cannot look like a good one.
    """
    root = Element("testsuites", name="latchtrace")
    for test in tests:
        _suite(root, test, times)
    indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{tostring(root, encoding="unicode")}\n'.encode()


def _suite(root: Element, test: FunctionTest, times: Clock) -> None:
    undecided = sum(trial.verdict in (VerdictKind.INCONCLUSIVE, VerdictKind.NOT_APPLICABLE) for trial in test.trials)
    failed = sum(trial.verdict is VerdictKind.FAIL for trial in test.trials)
    empty = not test.trials
    suite = SubElement(
        root,
        "testsuite",
        name=clean(test.function),
        tests=str(len(test.trials) + empty),
        failures=str(failed),
        errors="0",
        skipped=str(undecided + empty),
    )
    for trial in test.trials:
        _case(suite, test, trial, times)
    if empty:
        case = SubElement(suite, "testcase", classname=clean(test.function), name="exercised")
        SubElement(case, "skipped", message="not exercised in this capture")


def _case(suite: Element, test: FunctionTest, trial: Trial, times: Clock) -> None:
    name = f"trial {trial.number}: {trial.outcome}"
    case = SubElement(suite, "testcase", classname=clean(test.function), name=clean(name))
    measured = f"measured {wording.measured_text(trial.measured)}" if trial.measured else "nothing measured"
    limit = f", limit {test.limit}" if test.limit else ""
    reason = f"; {wording.reason_text(trial.reason)}" if trial.reason else ""
    message = clean(f"{measured}{limit}{reason}")
    if trial.verdict is VerdictKind.FAIL:
        failure = SubElement(case, "failure", message=message)
        failure.text = "\n".join(proof_lines(trial.proof, times))
    elif trial.verdict is not VerdictKind.PASS:
        SubElement(case, "skipped", message=message)
    output = SubElement(case, "system-out")
    output.text = f"{clean(wording.interval_text(trial.at, times))}: {message}"
