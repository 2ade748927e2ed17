"""Every report that goes to a file: one line each. Options and help of the command line come from this list."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from latchtrace.api import Analysis
    from latchtrace.reports.options import ReportOptions

TABLE_FORMATS = ("csv", "parquet")

Make = Callable[["Analysis", "ReportOptions", str], Mapping[str, bytes]]


@dataclass(frozen=True, slots=True)
class Report:
    """One kind of report: `make` gives the files by name ("" for the one file that the user named).

    `names` tells those names beforehand, by the format of tables. `check` raises MissingExtraError before any work
    where the report could not be made.
    """

    name: str
    help: str
    make: Make
    folder: bool = False
    check: Callable[[str], None] = lambda _form: None
    names: Callable[[str], Iterable[str]] = lambda _form: ("",)


def _json(analysis: Analysis, options: ReportOptions, _form: str) -> Mapping[str, bytes]:
    from latchtrace.reports.json import json_report

    return {"": json_report(analysis.result, options)}


def _html(analysis: Analysis, options: ReportOptions, _form: str) -> Mapping[str, bytes]:
    from latchtrace.reports.html import html_report

    return {"": html_report(analysis.result, options)}


def _pdf(analysis: Analysis, options: ReportOptions, _form: str) -> Mapping[str, bytes]:
    from latchtrace.reports.pdf import pdf_report

    return {"": pdf_report(analysis.result, options)}


def _check_pdf(_form: str) -> None:
    from latchtrace.reports.pdf import check_pdf

    check_pdf()


def _tables(analysis: Analysis, options: ReportOptions, form: str) -> Mapping[str, bytes]:
    from latchtrace.reports.tables import tables

    return tables(analysis, options, form)


def _table_names(form: str) -> Iterable[str]:
    from latchtrace.reports.tables import table_names

    return table_names(form)


def _check_tables(form: str) -> None:
    from latchtrace.reports.tables import check_tables

    check_tables(form)


REPORTS = (
    Report("json", "the whole analysis as a JSON document; - is standard output, with nothing else on it", _json),
    Report("html", "a job card to open in a browser or to print; needs nothing else", _html),
    Report("pdf", "the job card as PDF (needs latchtrace[pdf])", _pdf, check=_check_pdf),
    Report(
        "table",
        "episodes, findings and events as tables",
        _tables,
        folder=True,
        check=_check_tables,
        names=_table_names,
    ),
)
