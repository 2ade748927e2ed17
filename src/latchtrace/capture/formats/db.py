""".db: an SQLite file with a table `messages`; names no channel and does not tell CAN FD; times to microseconds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Placed, binary_records, float_ns
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message


def _place(message: Message, number: int) -> Placed:
    return Placed(float_ns(message.timestamp, 1000), UNNAMED, number, fd_lost=True)


def _messages(opening: Opening) -> Iterator[Message]:
    from can import SqliteReader

    with opening.unpacked() as path:
        reader = SqliteReader(path)
        try:
            yield from reader
        finally:
            reader.stop()


def _read(opening: Opening) -> Iterator[Block]:
    return in_blocks(binary_records(_messages(opening), _place, lambda: opening.trouble))


def _recognise(head: bytes) -> bool:
    return head.startswith(b"SQLite format 3\0")


FORMAT = Format(".db", (".db",), _recognise, _read, text=False)
