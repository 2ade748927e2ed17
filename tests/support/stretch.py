"""Reads a stretch's bytes by its documented layout, apart from the code that writes them."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import Any


@dataclass
class Stretch:
    """What a payload says, times back in nanoseconds from the capture's zero."""

    sequence: int
    base: int
    unit: int
    spans: dict[int, list[tuple[int, int, int, int, int]]] = field(default_factory=dict)
    bars: dict[int, list[tuple[int, int, int, int, int]]] = field(default_factory=dict)
    curves: dict[int, list[tuple[int, float]]] = field(default_factory=dict)
    marks: list[tuple[int, int, int, int, int]] = field(default_factory=list)
    bands: list[tuple[int, int, int, int]] = field(default_factory=list)


_COLUMNS = {0: "iiiiH", 1: "iiIHB", 2: "if", 3: "iiIIB", 4: "iiHB"}
_TIMES = {0: 4, 1: 2, 2: 1, 3: 2, 4: 2}


def read_stretch(body: bytes) -> Stretch:
    """Decode a payload; every byte of it must be accounted for."""
    magic, sequence, base, shift, blocks = struct.unpack_from("<4sIqII", body)
    assert magic == b"LTD1"
    stretch = Stretch(sequence, base, 1 << shift)
    at = 24
    for _ in range(blocks):
        kind, index, rows = struct.unpack_from("<III", body, at)
        at += 12
        columns = []
        for letter in _COLUMNS[kind]:
            assert at % 4 == 0
            columns.append(struct.unpack_from(f"<{rows}{letter}", body, at))
            size = rows * struct.calcsize(letter)
            at += size + -size % 4
        times = [[base + value * stretch.unit for value in column] for column in columns[: _TIMES[kind]]]
        table = list(zip(*times, *columns[_TIMES[kind] :], strict=True))
        _put(stretch, kind, index, table)
    assert at == len(body)
    return stretch


def _put(stretch: Stretch, kind: int, index: int, table: list[Any]) -> None:
    if kind == 3:
        stretch.marks = table
    elif kind == 4:
        stretch.bands = table
    else:
        lanes: dict[int, list[Any]] = {0: stretch.spans, 1: stretch.bars, 2: stretch.curves}[kind]  # type: ignore[assignment]
        lanes[index] = table
