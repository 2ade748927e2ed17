""".asc text: absolute dates are taken from its header, as UTC since it names no zone; times as written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from latchtrace.capture.contract import Block, Format, in_blocks
from latchtrace.capture.formats.borrowed import UNNAMED, Lines, Placed, decimal_ns, text_records
from latchtrace.capture.stream import Opening

if TYPE_CHECKING:
    from can import Message

_DATE = re.compile(r"\s*(?:date|begin\s+triggerblock)\s+\w+\s+(.+?)\s*$", re.IGNORECASE)
_BASE = re.compile(r"\s*base\s+(?:hex|dec)\s+timestamps\s+(absolute|relative)", re.IGNORECASE)
_STAMP = re.compile(r"\s*([0-9]+\.[0-9]+)\s", re.ASCII)
_DIRECTION = re.compile(r"\s(?:Rx|Tx)\b", re.IGNORECASE)
_BLOCK = re.compile(r"\s*(begin|end)\s+triggerblock", re.IGNORECASE)
_HEADER = re.compile(
    rb"\s*(?:date\s+\w+\s+.*[0-9]{1,2}:[0-9]{2}|base\s+(?:hex|dec)\b|begin\s+triggerblock)", re.IGNORECASE
)
_LINE = re.compile(
    rb"\s*[0-9]+\.[0-9]+\s+(?:[0-9]+\s+(?:[0-9A-Fa-f]+x?\s+(?:Rx|Tx)\s|ErrorFrame)|CANFD\s+[0-9]+\s)", re.IGNORECASE
)
_ENGLISH = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS = {name: number for number, name in enumerate(_ENGLISH, 1)} | {"mär": 3, "mai": 5, "okt": 10, "dez": 12}
_FORMS = ("%m %d %I:%M:%S.%f %p %Y", "%m %d %I:%M:%S %p %Y", "%m %d %H:%M:%S.%f %Y", "%m %d %H:%M:%S %Y")


def date_ns(text: str) -> int | None:
    """A date such as `Sep 30 15:06:13.191 2017` or `Apr 28 10:44:52.480 am 2022` in nanoseconds; None if unknown."""
    month, _, rest = text.partition(" ")
    number = _MONTHS.get(month.lower())
    if number is None:
        return None
    for form in _FORMS:
        try:
            date = datetime.strptime(f"{number} {rest}", form).replace(tzinfo=UTC)
        except ValueError:
            continue
        since = date - datetime(1970, 1, 1, tzinfo=UTC)
        return (since.days * 86_400 + since.seconds) * 1_000_000_000 + since.microseconds * 1000
    return None


class _Clock:
    """Follows the dates and times of the lines."""

    def __init__(self) -> None:
        self._date = 0
        self._relative = False
        self._sum = 0
        self._unfinished = False
        self.now: int | None = None

    def trouble(self) -> str:
        """Whether the file ends before its measurement does."""
        return "the file is cut off before the end of its measurement" if self._unfinished else ""

    def watch(self, line: str) -> None:
        """Take the next line, of whatever kind."""
        if stamp := _STAMP.match(line):
            value = decimal_ns(stamp[1])
            self._sum = self._sum + (value or 0) if self._relative else (value or 0)
            self.now = None if value is None else self._date + self._sum
            return
        if block := _BLOCK.match(line):
            self._unfinished = block[1].lower() == "begin"
        if date := _DATE.match(line):
            self._date = date_ns(date[1]) or self._date
        elif base := _BASE.match(line):
            self._relative = base[1].lower() == "relative"


def _channel(line: str) -> str:
    """The channel as the file names it."""
    words = line.split(maxsplit=3)
    number = words[2] if words[1].upper() == "CANFD" else words[1]
    return str(int(number)) if number.isdecimal() else UNNAMED


def _read(opening: Opening) -> Iterator[Block]:
    from can import ASCReader

    clock = _Clock()
    lines = Lines(opening, _frame_like, clock.watch)
    reader = ASCReader(lines)  # type: ignore[arg-type]

    def place(_: Message) -> Placed:
        return Placed(clock.now, _channel(lines.text), lines.number, lines.offset)

    return in_blocks(text_records(opening, lines, reader, place, "internal events logged\n", clock.trouble))


def _frame_like(line: str) -> bool:
    """Whether a line of which nothing came speaks of a frame; other events and comments do not."""
    words = line.split(maxsplit=3)
    other = len(words) < 3 or words[0].startswith("//") or words[2].upper() == "J1939TP"
    bus = len(words) > 1 and len(words[1]) > 1 and words[1].isalpha() and words[1].upper() != "CANFD"
    return bool(_DIRECTION.search(line)) and not other and not bus


def _recognise(head: bytes) -> bool:
    return any(_HEADER.match(line) or _LINE.match(line) for line in head.split(b"\n")[:20])


FORMAT = Format(".asc", (".asc",), _recognise, _read)
