"""One file a capture format; the registry below has one line for each, asked in this order."""

from __future__ import annotations

from latchtrace.capture.contract import Format
from latchtrace.capture.formats import asc, blf, candump, csv, db, mf4, trc

FORMATS: tuple[Format, ...] = (
    candump.FORMAT,
    blf.FORMAT,
    mf4.FORMAT,
    db.FORMAT,
    trc.FORMAT,
    asc.FORMAT,
    csv.FORMAT,
)
