from __future__ import annotations

import sys

import pytest

from latchtrace.errors import MissingExtraError
from latchtrace.reports.options import ReportOptions
from latchtrace.reports.pdf import _refuse, pdf_report
from support.fake_results import fake_result

OPTIONS = ReportOptions()


def test_a_pdf_is_made_and_the_same_result_gives_the_same_bytes() -> None:
    pytest.importorskip("weasyprint")
    made = pdf_report(fake_result(), OPTIONS)
    assert made.startswith(b"%PDF-")
    assert len(made) > 10_000
    assert made == pdf_report(fake_result(), OPTIONS)


def test_without_its_optional_part_it_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(MissingExtraError, match=r"pip install 'latchtrace\[pdf\]'"):
        pdf_report(fake_result(), OPTIONS)


def test_nothing_is_fetched_while_it_is_made() -> None:
    with pytest.raises(ValueError, match="fetches nothing"):
        _refuse("file:///etc/passwd")
