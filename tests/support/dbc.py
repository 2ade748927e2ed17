"""Signals and messages of tests, and a bit walk that shares nothing with the package's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from latchtrace.model.network import MessageSpec, SignalSpec


def signal(
    name: str,
    start: int,
    length: int,
    *,
    signed: bool = False,
    is_float: bool = False,
    scale: float = 1,
    offset: float = 0,
    choices: Mapping[int, str] | None = None,
    multiplexers: Sequence[tuple[str, Sequence[int]]] = (),
    is_multiplexer: bool = False,
) -> SignalSpec:
    """An Intel signal by hand."""
    bits = tuple(range(start, start + length))
    chain = tuple((selector, tuple(ids)) for selector, ids in multiplexers)
    mask = sum(1 << bit for bit in bits)
    return SignalSpec(
        name, bits, mask, signed, is_float, scale, offset, None, None, "", choices or {}, chain, is_multiplexer
    )


def message(*signals: SignalSpec, name: str = "M", can_id: int = 0x100, length: int = 8) -> MessageSpec:
    """A message by hand."""
    return MessageSpec(name, can_id, False, length, length > 8, signals)


def walked_bits(data: bytes, start: int, length: int, motorola: bool) -> str:
    """The bits of a signal as text, most significant first, read off the payload written out as text.

    DBC numbering as of checks on published examples: Motorola starts at the most significant bit and goes on to
    the right and down in the usual drawing (bit 7 of a byte at the left); Intel starts at the least significant
    bit and goes on to the left and down.
    """
    drawing = [f"{byte:08b}" for byte in data]
    row, column = start // 8, 7 - start % 8
    found = ""
    for _ in range(length):
        found += drawing[row][column]
        column += 1 if motorola else -1
        if column in (8, -1):
            row, column = row + 1, 0 if motorola else 7
    return found if motorola else found[::-1]


def walked_value(data: bytes, start: int, length: int, motorola: bool, signed: bool) -> int:
    """The raw value the walked bits stand for (two's complement where signed)."""
    text = walked_bits(data, start, length, motorola)
    value = int(text, 2)
    return value - 2**length if signed and text[0] == "1" else value


def dbc_text(signals: Sequence[str], *, number: int = 256, length: int = 8, more: str = "") -> str:
    """A DBC file of one message `M` with the given SG_ lines (without `SG_`)."""
    lines = "".join(f" SG_ {line}\n" for line in signals)
    return f'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Body\n\nBO_ {number} M: {length} Body\n{lines}\n{more}\n'
