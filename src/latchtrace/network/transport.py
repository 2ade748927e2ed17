"""J1939 identifiers, and long messages put together from their packets: complete ones only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from latchtrace.model.time import MILLISECOND

CONNECTION = 0xEC00
DATA = 0xEB00
EVERYBODY = 0xFF
PACKET = 7
TIMEOUT = 1250 * MILLISECOND
"""T2, the longest of the protocol's waits between packets (SAE J1939-21, from memory)."""

_REQUEST_TO_SEND = 16
_ANNOUNCE = 32
_ABORT = 255


@dataclass(frozen=True, slots=True)
class Identifier:
    """A 29-bit identifier taken apart; `destination` is None where the message is for everybody (PF from 240 up)."""

    priority: int
    pgn: int
    source: int
    destination: int | None


def split_identifier(can_id: int) -> Identifier:
    """Take a J1939 identifier apart: priority, parameter group, source, destination (SAE J1939-21)."""
    specific = can_id >> 8 & 0xFF
    group = can_id >> 8 & 0x3FF00
    addressed = (group >> 8 & 0xFF) < 240
    return Identifier(
        priority=can_id >> 26 & 0x7,
        pgn=group if addressed else group | specific,
        source=can_id & 0xFF,
        destination=specific if addressed else None,
    )


@dataclass(frozen=True, slots=True)
class Transfer:
    """A long message, or what is known of one that did not come whole.

    Complete: `data` holds `size` bytes. Incomplete: `data` is empty, `received` tells how many bytes came and
    `problem` what is missing. `pgn` and `size` are None where nothing announced them. Times in nanoseconds.
    """

    source: int
    destination: int
    pgn: int | None
    size: int | None
    start: int
    end: int
    received: int
    data: bytes = b""
    problem: str = ""

    @property
    def complete(self) -> bool:
        """Whether the whole message is there."""
        return not self.problem


@dataclass(slots=True)
class _Open:
    """A transfer under way."""

    start: int
    end: int
    pgn: int | None = None
    size: int | None = None
    packets: dict[int, bytes] = field(default_factory=dict)

    @property
    def count(self) -> int | None:
        return None if self.size is None else -(-self.size // PACKET)

    def close(self, route: tuple[int, int], problem: str = "") -> Transfer:
        data = b"".join(self.packets[number] for number in sorted(self.packets))
        received = len(data) if self.size is None else min(len(data), self.size)
        whole = b"" if problem or self.size is None else data[: self.size]
        return Transfer(*route, self.pgn, self.size, self.start, self.end, received, whole, problem)


class Reassembler:
    """Puts J1939 transport messages together, broadcast and addressed; feed it the frames in time order.

    Only a transfer that was announced and whose packets all came in order is delivered. Everything else comes
    back as incomplete, with the reason.
    """

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], _Open] = {}

    def add(self, t: int, can_id: int, data: bytes) -> tuple[Transfer, ...]:
        """Take in one extended frame (time in nanoseconds); gives the transfers that end with it."""
        identifier = split_identifier(can_id)
        route = (identifier.source, EVERYBODY if identifier.destination is None else identifier.destination)
        if identifier.pgn == CONNECTION and len(data) == 8:
            return tuple(self._control(t, route, data))
        if identifier.pgn == DATA and data:
            return tuple(self._data(t, route, data))
        return ()

    def finish(self) -> tuple[Transfer, ...]:
        """The transfers still open when the capture ends, as incomplete."""
        ended = tuple(one.close(route, _missing(one, "the capture ends")) for route, one in self._open.items())
        self._open.clear()
        return ended

    def _control(self, t: int, route: tuple[int, int], data: bytes) -> Iterable[Transfer]:
        if data[0] == _ABORT:
            for way in (route, route[::-1]):
                if (one := self._open.pop(way, None)) is not None:
                    yield one.close(way, _missing(one, "it was aborted"))
        elif data[0] in (_REQUEST_TO_SEND, _ANNOUNCE):
            if (before := self._open.pop(route, None)) is not None:
                yield before.close(route, _missing(before, "another one began"))
            size = int.from_bytes(data[1:3], "little")
            self._open[route] = _Open(t, t, int.from_bytes(data[5:8], "little"), size)

    def _data(self, t: int, route: tuple[int, int], data: bytes) -> Iterable[Transfer]:
        number, content = data[0], data[1:]
        one = self._open.get(route)
        if one is not None and (t - one.end > TIMEOUT or _stray(one, number)):
            reason = "the next packet came too late" if t - one.end > TIMEOUT else f"packet {number} came out of order"
            yield self._open.pop(route).close(route, _missing(one, reason))
            one = None
        if one is None:
            one = self._open[route] = _Open(t, t)
        one.packets[number] = content
        one.end = t
        if one.count is not None and len(one.packets) == one.count:
            whole = sum(map(len, one.packets.values())) >= (one.size or 0)
            yield self._open.pop(route).close(route, "" if whole else _missing(one, "a packet was short"))


def _stray(one: _Open, number: int) -> bool:
    """Whether a packet is not the next one; an addressed transfer may repeat packets that were asked for again."""
    if not one.packets:
        return one.size is not None and number != 1
    return number != max(one.packets) + 1 and number not in one.packets


def _missing(one: _Open, reason: str) -> str:
    if one.count is None:
        came = "1 packet" if len(one.packets) == 1 else f"{len(one.packets)} packets"
        return f"{reason}; {came} came that nothing announced, so neither content nor length is known"
    return f"{reason}; {len(one.packets)} of {one.count} packets came"
