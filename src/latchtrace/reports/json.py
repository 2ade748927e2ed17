"""The analysis document as bytes."""

from __future__ import annotations

from latchtrace.model.document import analysis_document, document_bytes
from latchtrace.model.results import AnalysisResult
from latchtrace.reports.options import ReportOptions


def json_report(result: AnalysisResult, options: ReportOptions) -> bytes:
    """The analysis as the document of `data/schemas/analysis.schema.json`, UTF-8."""
    return document_bytes(analysis_document(result, options.show_codes))
