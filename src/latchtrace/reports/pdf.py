"""The job card as PDF, by the optional weasyprint."""

from __future__ import annotations

from typing import Any, NoReturn

from latchtrace.errors import MissingExtraError
from latchtrace.model.results import AnalysisResult
from latchtrace.reports.html import html_report
from latchtrace.reports.options import ReportOptions


def pdf_report(result: AnalysisResult, options: ReportOptions) -> bytes:
    """The job card of one analysis as PDF; the same analysis gives the same bytes.

    Raises MissingExtraError where weasyprint, or a library that it needs, is not installed.
    """
    writer = _weasyprint()
    page = html_report(result, options, themes=("light",)).decode()
    document = writer.HTML(string=page, url_fetcher=_refuse)
    return bytes(document.write_pdf(pdf_identifier=b"latchtrace", presentational_hints=True))


def check_pdf() -> None:
    """Raise MissingExtraError now, before a long analysis, where no PDF could be made after it."""
    _weasyprint()


def _weasyprint() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError):
        raise MissingExtraError(
            "--pdf needs the optional 'pdf' parts and the Pango library: pip install 'latchtrace[pdf]'"
        ) from None
    return weasyprint


def _refuse(url: str, *_: object, **__: object) -> NoReturn:
    """A report fetches nothing, whatever a name in it looks like."""
    raise ValueError(f"a report fetches nothing: {url[:40]}")
