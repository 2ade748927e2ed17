""".db: an SQLite file with a table `messages`; names no channel and does not tell CAN FD; times to microseconds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Placed, binary_records, float_ns, from_file
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message


def _place(message: Message, number: int) -> Placed:
    return Placed(float_ns(message.timestamp, 1000), UNNAMED, number, fd_lost=True)


def _read(opening: Opening) -> Iterator[Block]:
    from can import SqliteReader

    return in_blocks(binary_records(from_file(opening, SqliteReader), _place, lambda: opening.trouble))


def _recognise(head: bytes) -> bool:
    return head.startswith(b"SQLite format 3\0")


FORMAT = Format(".db", (".db",), _recognise, _read, text=False)
