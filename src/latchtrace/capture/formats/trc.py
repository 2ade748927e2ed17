""".trc text: milliseconds from a start time in the header (from zero where it has none), rounded to microseconds."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Lines, Placed, float_ns, nothing, text_records
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message

_OTHER = {"Warng", "Error", "ST", "ER", "EC", "EV", "FFFFFFFF"}
_LINE = re.compile(rb"\s*[0-9]+\)\s+[0-9.]+\s+(?:(?:[0-9]+\s+)?(?:Rx|Tx)\s+)?[0-9A-Fa-f]{4,8}\s")


def _frame_like(line: str) -> bool:
    """Whether a line of which nothing came should have been a frame: no comment, and of no other kind of record."""
    return not line.lstrip().startswith(";") and not _OTHER & set(line.split()[:5])


def _read(opening: Opening) -> Iterator[Block]:
    from can import TRCReader

    lines = Lines(opening, _frame_like, nothing)
    reader = TRCReader(lines)  # type: ignore[arg-type]

    def place(message: Message) -> Placed:
        channel = UNNAMED if message.channel is None else str(message.channel)
        return Placed(float_ns(message.timestamp, 1000), channel, lines.number, lines.offset)

    return in_blocks(text_records(opening, lines, reader, place))


def _recognise(head: bytes) -> bool:
    if head.lstrip().startswith(b";$FILEVERSION"):
        return True
    lines = [line for line in head.split(b"\n")[:60] if line.strip() and not line.lstrip().startswith(b";")]
    return bool(lines) and bool(_LINE.match(lines[0]))


FORMAT = Format(".trc", (".trc",), _recognise, _read)
