"""Packing raw values into payload bytes, by the DBC conventions for start bit and byte order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache


@cache
def _walk(start: int, length: int, big: bool) -> tuple[int, ...]:
    if not big:
        return tuple(range(start, start + length))
    walked = []
    for _ in range(length):
        walked.append(start)
        start = start + 15 if start % 8 == 0 else start - 1
    return tuple(reversed(walked))


@dataclass(frozen=True, slots=True)
class Field:
    """One signal as it lies in the payload.

    `start` counts as in a DBC: the least significant bit where the byte order is little-endian, the most
    significant one where it is `big`. `page` is the multiplexer value the signal belongs to, None for always.
    """

    start: int
    length: int
    big: bool = False
    page: int | None = None

    def positions(self) -> tuple[int, ...]:
        """Bit positions (8n + k for bit k of byte n), least significant first."""
        return _walk(self.start, self.length, self.big)

    def put(self, payload: int, raw: int) -> int:
        """The payload (an integer, byte 0 lowest) with the raw value written; ValueError where it does not fit."""
        low = -(1 << (self.length - 1)) if raw < 0 else 0
        if not low <= raw < 1 << self.length:
            raise ValueError(f"{raw} does not fit in {self.length} bits")
        if not self.big:
            ones = (1 << self.length) - 1
            return payload & ~(ones << self.start) | (raw & ones) << self.start
        for i, position in enumerate(self.positions()):
            bit = 1 << position
            payload = payload | bit if raw >> i & 1 else payload & ~bit
        return payload

    def get(self, payload: int) -> int:
        """The raw value, unsigned."""
        return sum((payload >> position & 1) << i for i, position in enumerate(self.positions()))


@dataclass(frozen=True, slots=True)
class Message:
    """One message of a simulated network and how its unit sends it; times in nanoseconds.

    `period` None: only on events. `on_change`: also at each change. `at_wake`: once when its unit starts.
    `selector` names the multiplexer, `pages` the values a rotating one takes in turn. `alive` names the counter
    that steps with each frame. `copy_of` names the message whose values a gateway passes on.
    """

    name: str
    can_id: int
    channel: str
    unit: str
    length: int
    fields: Mapping[str, Field]
    extended: bool = False
    period: int | None = None
    on_change: bool = False
    at_wake: bool = False
    selector: str = ""
    pages: tuple[int, ...] = ()
    alive: str = ""
    copy_of: str = ""
    start: Mapping[str, int] = field(default_factory=dict)

    @property
    def id_text(self) -> str:
        """The id as candump writes it: three digits, or eight for a 29-bit one."""
        return f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"

    def pack(self, values: Mapping[str, int]) -> bytes:
        """The payload that carries the raw values; signals of another page are left out."""
        page = values.get(self.selector) if self.selector else None
        payload = 0
        for name, where in self.fields.items():
            if where.page is None or where.page == page:
                payload = where.put(payload, values.get(name, 0))
        return payload.to_bytes(self.length, "little")

    def unpack(self, data: bytes) -> dict[str, int]:
        """The raw values a payload carries, unsigned, signals of another page left out."""
        payload = int.from_bytes(data, "little")
        page = self.fields[self.selector].get(payload) if self.selector else None
        return {name: f.get(payload) for name, f in self.fields.items() if f.page is None or f.page == page}

    def on(self, channel: str, unit: str, period: int) -> Message:
        """The same message as a gateway copies it to another channel."""
        return replace(
            self, channel=channel, unit=unit, period=period, copy_of=self.name, name=f"{self.name}@{channel}"
        )
