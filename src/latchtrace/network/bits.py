"""Where a signal's bits lie in a payload, and how they are taken out: one frame at a time or a million at once."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import UInt8s
from latchtrace.model.network import SignalSpec

RawColumn = npt.NDArray[np.int64] | npt.NDArray[np.uint64] | npt.NDArray[np.float64]

_FLOAT_FORMATS = {16: "<e", 32: "<f", 64: "<d"}


def intel_bits(start: int, length: int) -> tuple[int, ...]:
    """Bit positions of an Intel (`@1`) signal, least significant first; `start` is the least significant bit."""
    return tuple(range(start, start + length))


def motorola_bits(start: int, length: int) -> tuple[int, ...]:
    """Bit positions of a Motorola (`@0`) signal, least significant first; `start` is the most significant bit.

    From the most significant bit the walk goes down within the byte and on from bit 7 of the next byte.
    """
    walk = []
    position = start
    for _ in range(length):
        walk.append(position)
        position = position - 1 if position % 8 else position + 15
    return tuple(reversed(walk))


def bit_mask(bits: Sequence[int]) -> int:
    """Bit positions as one integer mask."""
    mask = 0
    for bit in bits:
        mask |= 1 << bit
    return mask


@lru_cache(maxsize=8192)
def pieces(bits: tuple[int, ...]) -> tuple[tuple[int, int, int, int], ...]:
    """Runs of neighbouring bits within one byte: (byte, lowest bit in it, number of bits, place in the value)."""
    runs: list[tuple[int, int, int, int]] = []
    for place, bit in enumerate(bits):
        byte, low = divmod(bit, 8)
        if runs and runs[-1][0] == byte and runs[-1][1] + runs[-1][2] == low:
            runs[-1] = (byte, runs[-1][1], runs[-1][2] + 1, runs[-1][3])
        else:
            runs.append((byte, low, 1, place))
    return tuple(runs)


@lru_cache(maxsize=8192)
def bytes_needed(bits: tuple[int, ...]) -> int:
    """The shortest payload that holds all of the bits."""
    return max(bits, default=-1) // 8 + 1


def raw_bits(bits: tuple[int, ...], data: bytes) -> int:
    """The bits of one payload as an unsigned integer; the payload must hold them all."""
    value = 0
    for byte, low, count, place in pieces(bits):
        value |= (data[byte] >> low & (1 << count) - 1) << place
    return value


def raw_value(signal: SignalSpec, data: bytes) -> int | float:
    """The raw value of a signal in one payload: signed, unsigned or floating point as the DBC says."""
    value = raw_bits(signal.bits, data)
    size = len(signal.bits)
    if signal.is_float:
        number: float = struct.unpack(_FLOAT_FORMATS[size], value.to_bytes(size // 8, "little"))[0]
        return number
    return value - (1 << size) if signal.signed and value >> (size - 1) else value


def bit_column(bits: tuple[int, ...], payload: UInt8s) -> npt.NDArray[np.uint64]:
    """The bits of n payloads (n × 8 or n × 64 bytes) as unsigned integers; at most 64 bits.

    Bits beyond the width of the payload read as 0.
    """
    value = np.zeros(len(payload), np.uint64)
    for byte, low, count, place in pieces(bits):
        if byte < payload.shape[1]:
            part = payload[:, byte] >> np.uint8(low) & np.uint8((1 << count) - 1)
            value |= part.astype(np.uint64) << np.uint64(place)
    return value


def raw_column(signal: SignalSpec, bits: npt.NDArray[np.uint64]) -> RawColumn:
    """What `bit_column` took out as raw values: int64, uint64 (64-bit unsigned) or float64 (floating point)."""
    size = len(signal.bits)
    if signal.is_float:
        return _float_column(size, bits)
    if size == 64:
        return bits.view(np.int64) if signal.signed else bits
    value = bits.view(np.int64)
    if not signal.signed:
        return value
    sign = np.int64(1 << (size - 1))
    return (value ^ sign) - sign


def _float_column(size: int, bits: npt.NDArray[np.uint64]) -> npt.NDArray[np.float64]:
    if size == 16:
        return bits.astype(np.uint16).view(np.float16).astype(np.float64)
    if size == 32:
        with np.errstate(invalid="ignore"):
            return bits.astype(np.uint32).view(np.float32).astype(np.float64)
    return bits.view(np.float64)
