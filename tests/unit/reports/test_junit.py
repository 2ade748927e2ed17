from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

from latchtrace.model.clock import Clock
from latchtrace.reports.junit import junit_report
from support.fake_results import ZERO, fake_test
from support.golden import check_golden

TIMES = Clock(ZERO)


def test_the_report_reads_as_it_was_looked_at() -> None:
    check_golden("trials.xml", junit_report((fake_test(),), TIMES))


def test_each_trial_is_a_case_with_what_came_of_it() -> None:
    (suite,) = ElementTree.fromstring(junit_report((fake_test(),), TIMES))
    kinds = [[child.tag for child in case if child.tag != "system-out"] for case in suite]
    assert kinds == [[], [], ["skipped"], ["failure"]]
    failure = suite[3].find("failure")
    assert failure is not None
    assert failure.get("message") == "measured between 33 s and 33.1 s, limit 30 s ± 1 s"
    assert "line 4000" in (failure.text or "")


def test_a_test_that_was_never_exercised_does_not_look_like_a_good_one() -> None:
    (suite,) = ElementTree.fromstring(junit_report((replace(fake_test(), trials=()),), TIMES))
    assert [suite.get(name) for name in ("tests", "failures", "skipped")] == ["1", "0", "1"]


def test_hostile_texts_stay_text() -> None:
    evil = replace(fake_test().trials[0], outcome='"><x a="\x00\x1b&')
    (suite,) = ElementTree.fromstring(junit_report((replace(fake_test(), trials=(evil,)),), TIMES))
    assert [child.tag for child in suite] == ["testcase"]
    assert '"><x a="' in (suite[0].get("name") or "")
