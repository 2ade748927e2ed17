"""Changes to a finished capture: losing, cutting, delaying, renaming and rewriting candump lines."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import NamedTuple

from latchtrace.model.time import MICROSECOND, SECOND
from latchtrace.simulation.loop import Chance

_LINE = re.compile(r"\((\d+)\.(\d{6})\) (\S+) ([0-9A-F]{3}|[0-9A-F]{8})#([0-9A-F]*)")

Lines = Sequence[str]


class Parts(NamedTuple):
    """A candump line taken apart; `t` in nanoseconds."""

    t: int
    channel: str
    id_text: str
    data: bytes

    @property
    def line(self) -> str:
        """The line again."""
        return frame_line(self.t, self.channel, self.id_text, self.data)


def frame_line(t: int, channel: str, id_text: str, data: bytes) -> str:
    """One frame as candump writes it, microseconds kept."""
    seconds, rest = divmod(t, SECOND)
    return f"({seconds:010d}.{rest // MICROSECOND:06d}) {channel} {id_text}#{data.hex().upper()}"


def parts(line: str) -> Parts | None:
    """The line taken apart, or None where it is not a frame."""
    match = _LINE.fullmatch(line)
    if not match:
        return None
    seconds, micros, channel, id_text, data = match.groups()
    return Parts(int(seconds) * SECOND + int(micros) * MICROSECOND, channel, id_text, bytes.fromhex(data))


def lose(lines: Lines, share: float, seed: int, ids: Collection[tuple[str, str]]) -> list[str]:
    """Lose that share of the frames whose (channel, id) is in `ids`, at random."""
    chance = Chance(seed)
    return [
        line
        for line in lines
        if not ((told := parts(line)) and (told.channel, told.id_text) in ids and chance.share("lose") < share)
    ]


def jitter(lines: Lines, amount: int, seed: int) -> list[str]:
    """Move each time stamp by up to ± `amount` nanoseconds, and put the lines in order again."""
    chance, step = Chance(seed), amount // MICROSECOND
    moved: list[tuple[int, int, str]] = []
    last = 0
    for i, line in enumerate(lines):
        told = parts(line)
        if told is None:
            moved.append((last, i, line))
            continue
        last = told.t + chance.between("jitter", -step, step) * MICROSECOND
        moved.append((last, i, told._replace(t=last).line))
    return [line for _, _, line in sorted(moved)]


def cut(lines: Lines, start: int | None = None, end: int | None = None) -> list[str]:
    """Keep the lines from `start` to `end` (nanoseconds, both included)."""
    kept, t = [], None
    for line in lines:
        told = parts(line)
        t = told.t if told else t
        if t is not None and (start is None or t >= start) and (end is None or t <= end):
            kept.append(line)
    return kept


def gap(lines: Lines, start: int, end: int, *, noted: bool = True, channel: str | None = None) -> list[str]:
    """Take all frames of [start, end) away, of one channel or all; with the recorder's note where they went."""
    result: list[str] = []
    lost: dict[str, int] = {}
    for line in lines:
        told = parts(line)
        if told and start <= told.t < end and channel in {None, told.channel}:
            lost[told.channel] = lost.get(told.channel, 0) + 1
            continue
        if told and told.t >= end and told.channel in lost:
            count = lost.pop(told.channel)
            if noted:
                note = f"DROPCOUNT: dropped {count} CAN frame{'s' * (count != 1)} on '{told.channel}' socket"
                result.append(f"{note} (total drops {count})")
        result.append(line)
    return result


def rename(
    lines: Lines, ids: Mapping[tuple[str, str], str] | None = None, channels: Mapping[str, str] | None = None
) -> list[str]:
    """Give other ids, by (channel, id text), and other channel names; what is not listed stays."""
    ids, channels = ids or {}, channels or {}
    result = []
    for line in lines:
        told = parts(line)
        if told is None:
            result.append(line)
            continue
        id_text = ids.get((told.channel, told.id_text), told.id_text)
        result.append(told._replace(id_text=id_text, channel=channels.get(told.channel, told.channel)).line)
    return result


def rewrite(lines: Lines, channel: str, id_text: str, change: Callable[[Parts], bytes | None]) -> list[str]:
    """Give the frames of one id other data; None takes the frame away."""
    result: list[str] = []
    for line in lines:
        told = parts(line)
        if told and (told.channel, told.id_text) == (channel, id_text):
            data = change(told)
            if data is not None:
                result.append(told._replace(data=data).line)
        else:
            result.append(line)
    return result
