""".csv text with the columns timestamp, arbitration_id, extended, remote, error, dlc, data (base 64).

It names no channel and does not tell CAN FD: frames of more than 8 bytes count as such.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Lines, Placed, decimal_ns, nothing, text_records
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message

_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"


def _frame_like(line: str) -> bool:
    """Whether a line of which nothing came should have been a frame: all but the header."""
    return not line.startswith("timestamp")


def _read(opening: Opening) -> Iterator[Block]:
    from can import CSVReader

    lines = Lines(opening, _frame_like, nothing)
    reader = CSVReader(lines)  # type: ignore[arg-type]

    def place(_: Message) -> Placed:
        t = decimal_ns(lines.text.partition(",")[0].strip())
        return Placed(t, UNNAMED, lines.number, lines.offset, fd_lost=True)

    return in_blocks(text_records(opening, lines, reader, place, first=_HEADER + "\n"))


def _recognise(head: bytes) -> bool:
    return head.startswith(_HEADER.encode())


FORMAT = Format(".csv", (".csv",), _recognise, _read)
