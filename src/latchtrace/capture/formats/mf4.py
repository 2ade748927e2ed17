""".mf4 with bus logging; needs the extra `mf4`. Times to microseconds."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.util import find_spec
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Placed, binary_records, float_ns, from_file
from latchtrace.capture.stream import Opening
from latchtrace.errors import MissingExtraError

if TYPE_CHECKING:
    from can import Message


def _place(message: Message, number: int) -> Placed:
    channel = UNNAMED if message.channel is None else str(message.channel)
    return Placed(float_ns(message.timestamp, 1000), channel, number)


def _read(opening: Opening) -> Iterator[Block]:
    if find_spec("asammdf") is None:
        raise MissingExtraError(
            f"{opening.name}: reading .mf4 needs one more package; install it with: pip install 'latchtrace[mf4]'"
        )
    from can import MF4Reader

    return in_blocks(binary_records(from_file(opening, MF4Reader), _place, lambda: opening.trouble))


def _recognise(head: bytes) -> bool:
    return head.startswith((b"MDF     ", b"UnFinMF "))


FORMAT = Format(".mf4", (".mf4",), _recognise, _read, text=False)
