""".blf: times as written (1 ns or 10 µs) from the start in its header, which is taken as UTC."""

from __future__ import annotations

from collections.abc import Iterator
from io import BufferedReader
from typing import TYPE_CHECKING, Any

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Placed, binary_records, float_ns
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message

_PADDING = 3


class _Measured:
    """The file as the reader sees it; remembers whether a read came back short."""

    def __init__(self, file: BufferedReader) -> None:
        self._file = file
        self.short = False

    def read(self, size: int = -1) -> bytes:
        """The next bytes; objects may miss their padding at the end of the file, nothing else may be missing."""
        data = self._file.read(size)
        self.short = self.short or (len(data) < size and size > _PADDING and bool(data))
        return data

    def close(self) -> None:
        """Readers close their file at the end."""
        self._file.close()


def _read(opening: Opening) -> Iterator[Block]:
    file = _Measured(opening.binary())

    def place(message: Message, number: int) -> Placed:
        after = float_ns(message.timestamp, 1)
        return Placed(None if after is None else start[0] + after, _channel(message), number, wide=True)

    def trouble() -> str:
        return opening.trouble or ("the file is cut off; what came before is read" if file.short else "")

    start = [0]
    return in_blocks(binary_records(_messages(file, start), place, trouble))


def _channel(message: Message) -> str:
    """The channel as the file names it: the reader counts from 0, the file from 1."""
    return str(message.channel + 1) if isinstance(message.channel, int) else UNNAMED


def _messages(file: Any, start: list[int]) -> Iterator[Message]:
    """The messages, with times from the start of the file, which goes into `start`: floats keep no more than that."""
    from can import BLFReader

    reader = BLFReader(file)
    start[0] = round(reader.start_timestamp * 1000) * 1_000_000
    reader.start_timestamp = 0.0
    yield from reader


def _recognise(head: bytes) -> bool:
    return head.startswith(b"LOGG")


FORMAT = Format(".blf", (".blf",), _recognise, _read, text=False)
