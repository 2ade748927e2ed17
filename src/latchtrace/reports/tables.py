"""Episodes, findings and events as CSV or Parquet, one file each."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.util import find_spec
from io import BytesIO
from typing import TYPE_CHECKING

from latchtrace.errors import MissingExtraError
from latchtrace.model.redaction import redacted
from latchtrace.reports.options import ReportOptions

if TYPE_CHECKING:
    from pandas import DataFrame

    from latchtrace.api import Analysis


def tables(analysis: Analysis, options: ReportOptions, form: str) -> Mapping[str, bytes]:
    """The tables by file name; `form` is `csv` or `parquet`."""
    from latchtrace.api import Analysis

    shown = analysis if options.show_codes else Analysis(redacted(analysis.result))
    frames = (shown.episodes, shown.findings, shown.events)
    return {name: _bytes(frame, form) for name, frame in zip(table_names(form), frames, strict=True)}


def table_names(form: str) -> tuple[str, ...]:
    """The names of the files that `tables` gives."""
    return tuple(f"{name}.{form}" for name in ("episodes", "findings", "events"))


def _bytes(frame: DataFrame, form: str) -> bytes:
    buffer = BytesIO()
    if form == "parquet":
        frame.to_parquet(buffer, index=False, engine="pyarrow")
    else:
        frame.to_csv(buffer, index=False, lineterminator="\n")
    return buffer.getvalue()


def check_tables(form: str) -> None:
    """Raise MissingExtraError now, before a long analysis, where no Parquet could be written after it."""
    if form == "parquet" and find_spec("pyarrow") is None:
        raise MissingExtraError(
            "--table-format parquet needs the optional 'parquet' parts: pip install 'latchtrace[parquet]'"
        )
