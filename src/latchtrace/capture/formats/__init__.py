"""One file a capture format; the registry below has one line for each, asked in this order."""

from __future__ import annotations

from latchtrace.capture.contract import Format
from latchtrace.capture.formats import candump

FORMATS: tuple[Format, ...] = (candump.FORMAT,)
