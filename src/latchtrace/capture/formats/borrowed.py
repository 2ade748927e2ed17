"""Formats read through python-can: its readers find the frames, here they are checked and made exact.

What those readers give away is kept: lines are counted and located while they read, a line they stumble over is
skipped instead of ending the read, times are taken from the text where the file has text, and a frame that cannot
be on a bus (id out of range, fewer bytes than its length says) is no frame.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from latchtrace.capture.stream import Opening
from latchtrace.model.frames import EXTENDED_MAX, STANDARD_MAX, Frame, FrameFlags, Record, Skip

if TYPE_CHECKING:
    from pathlib import Path

    from can import Message
    from can.io.generic import MessageReader

UNNAMED = "unnamed"
"""The channel of formats that name none."""

_LONGEST_LINE = 1 << 16
_MOST_LOST = 1000
_LAST_SECOND = 9_223_372_035

Counted = Iterator[tuple[int, Record | None]]
"""Records with the number of lines (records of binary formats) read so far."""


def quiet() -> None:
    """Keep python-can's own warnings off the screen: what they tell is counted here."""
    logger = logging.getLogger("can")
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())


def decimal_ns(text: str) -> int | None:
    """Seconds as written, in nanoseconds (nearest); None where the text is no such number."""
    try:
        seconds = Decimal(text)
    except InvalidOperation:
        return None
    if not seconds.is_finite() or abs(seconds) > _LAST_SECOND:
        return None
    return round(seconds * 1_000_000_000)


def float_ns(seconds: float, resolution: int) -> int | None:
    """Seconds as a float, in nanoseconds, rounded to the format's own resolution; None where out of range."""
    if not abs(seconds) <= _LAST_SECOND:  # also not a number
        return None
    return round(seconds * 1_000_000_000 / resolution) * resolution


@dataclass(frozen=True, slots=True)
class Placed:
    """Where and when a message stands."""

    t: int | None
    channel: str
    line: int
    offset: int = -1
    fd_lost: bool = False  # the format does not say which frames are CAN FD
    wide: bool = False  # the format's extended bit may be missing: an id above 7FF is an extended one all the same


def record_of(message: Message, at: Placed) -> Record:
    """The message as a frame, or a Skip with what is wrong with it."""
    wrong = _wrong(message, at)
    if wrong or at.t is None:
        return Skip(at.line, wrong or "the timestamp is no usable number")
    data, flags, dlc = bytes(message.data or b""), _flags(message), message.dlc
    if message.is_error_frame:
        return Frame(at.t, at.channel, message.arbitration_id, flags, data, len(data), at.line, at.offset)
    if at.fd_lost and len(data) > 8:
        flags |= FrameFlags.FD.value
    if message.arbitration_id > STANDARD_MAX:
        flags |= FrameFlags.EXTENDED.value
    if dlc > 8 and not flags & FrameFlags.FD.value:
        dlc = _raw_code(dlc)
    return Frame(at.t, at.channel, message.arbitration_id, flags, data, dlc, at.line, at.offset)


def _raw_code(dlc: int) -> int:
    """The length code 9 to 15 of a classic frame, which some readers turn into a CAN FD length."""
    from can.util import len2dlc

    return len2dlc(min(dlc, 64)) if dlc > 15 else dlc


def _wrong(message: Message, at: Placed) -> str:
    """Why it can be no frame, or ""."""
    number, size = message.arbitration_id, len(message.data or b"")
    most = 64 if message.is_fd or at.fd_lost else 8
    if (
        not 0
        <= number
        <= (EXTENDED_MAX if message.is_extended_id or message.is_error_frame or at.wide else STANDARD_MAX)
    ):
        return "the id is out of range"
    if size > most:
        return "more bytes than a frame holds"
    if message.is_error_frame:
        return ""
    if not 0 <= message.dlc <= 64:
        return "the length is out of range"
    if not message.is_remote_frame and size < min(message.dlc, most):
        return "fewer data bytes than its length says"
    return ""


def _flags(message: Message) -> int:
    extended = message.is_extended_id and not message.is_error_frame
    flags = FrameFlags.EXTENDED if extended else FrameFlags.NONE
    flags |= FrameFlags.FD if message.is_fd else FrameFlags.NONE
    flags |= FrameFlags.BRS if message.bitrate_switch else FrameFlags.NONE
    flags |= FrameFlags.ESI if message.error_state_indicator else FrameFlags.NONE
    flags |= FrameFlags.REMOTE if message.is_remote_frame else FrameFlags.NONE
    flags |= FrameFlags.ERROR if message.is_error_frame else FrameFlags.NONE
    flags |= FrameFlags.NONE if message.is_rx else FrameFlags.SENT
    return flags.value


class _Enough(Exception):  # noqa: N818
    """Gets control back from a reader that finds nothing but bad lines."""


class Lines:
    """A text file as python-can's readers want it, which counts, locates and remembers its lines."""

    def __init__(self, opening: Opening, frame_like: Callable[[str], bool], watch: Callable[[str], None]) -> None:
        self._opening = opening
        self._source = opening.binary()
        self._frame_like, self._watch = frame_like, watch
        self.number = 0
        self.offset = 0
        self._end = 0
        self._open: str | None = None  # the last line handed out, as long as nothing came of it
        self._again: list[str] = []
        self.lost: list[Skip] = []

    @property
    def text(self) -> str:
        """The line that is being read."""
        return self._open or ""

    def __iter__(self) -> Lines:
        return self

    def __next__(self) -> str:
        if self._again:
            return self._again.pop()
        self.settle()
        if len(self.lost) >= _MOST_LOST:
            raise _Enough
        while raw := self._line():
            line = raw.decode("utf-8", "replace")
            if self._opening.trouble and not raw.endswith(b"\n"):
                self.lose(self._opening.trouble)
            elif len(raw) > _LONGEST_LINE:
                self.lose("the line is longer than 64 KiB")
            elif line.strip():
                self._open = line
                self._watch(line)
                return line
        raise StopIteration

    def _line(self) -> bytes:
        """The next line, counted and located; of one that is too long only so much that this shows."""
        raw = self._source.readline(_LONGEST_LINE + 1)
        if raw:
            self.number += 1
            self.offset, self._end = self._end, self._end + len(raw)
        piece = raw
        while len(piece) > _LONGEST_LINE and not piece.endswith(b"\n"):
            piece = self._source.readline(_LONGEST_LINE + 1)
            self._end += len(piece)
        return raw

    def lose(self, why: str) -> None:
        """Skip the line that is being read."""
        self.lost.append(Skip(self.number, why))

    def settle(self) -> None:
        """Nothing came of the last line: a Skip if it looks like a frame."""
        if self._open is not None and self._frame_like(self._open):
            self.lose("not a frame as this format writes them")
        self._open = None

    def claim(self) -> None:
        """Something came of the last line."""
        self._open = None

    def resume(self, first: str) -> None:
        """A reader starts anew in the middle; `first` is what it wants to see before it goes on."""
        if first:
            self._again.append(first)

    def close(self) -> None:
        """Readers close their file at the end."""
        self._source.close()


def no_trouble() -> str:
    """For formats that have no end of their own."""
    return ""


def text_records(
    opening: Opening,
    lines: Lines,
    reader: Iterable[Message],
    place: Callable[[Message], Placed],
    first: str = "",
    trouble: Callable[[], str] = no_trouble,
) -> Counted:
    """The records of a text format; the reader starts anew, at the line `first`, after one it stumbles over.

    `trouble` says after the last line whether the file ended before its content does.
    """
    quiet()
    going = True
    while going:
        going = False
        try:
            for message in reader:
                at = place(message)
                lines.claim()
                yield from _drain(lines)
                yield lines.number, record_of(message, at)
        except _Enough:
            going = True
        except Exception as error:  # whatever the library stumbles over in this line
            lines.claim()
            lines.lose(_reason(error))
            going = True
        if going:
            lines.resume(first)
            yield from _drain(lines)
    lines.settle()
    cut = any(skip.reason == opening.trouble for skip in lines.lost)  # inside a line, and that line tells of it
    yield from _drain(lines)
    lines.close()
    why = "" if cut else opening.trouble or trouble()
    missing = lines.number + 1
    yield (missing, Skip(missing, why)) if why else (lines.number, None)


def _drain(lines: Lines) -> Counted:
    for skip in lines.lost:
        yield lines.number, skip
    lines.lost = []


def _reason(error: Exception) -> str:
    """A reason that is the same for all lines of one kind, without the line's own text."""
    return f"cannot be read as a frame ({type(error).__name__})"


def from_file(opening: Opening, open_reader: Callable[[Path], MessageReader]) -> Iterator[Message]:
    """The messages of a reader that wants a whole file by its path."""
    with opening.unpacked() as path:
        reader = open_reader(path)
        try:
            yield from reader
        finally:
            reader.stop()


def binary_records(
    messages: Iterable[Message], place: Callable[[Message, int], Placed], trouble: Callable[[], str]
) -> Counted:
    """The records of a binary format; what the reader stumbles over ends it, what came before counts."""
    quiet()
    number = 0
    try:
        for number, message in enumerate(messages, 1):
            yield number, record_of(message, place(message, number))
    except Exception as error:  # whatever the library stumbles over in the file
        yield number + 1, Skip(number + 1, f"the file is damaged here and not read further ({type(error).__name__})")
        return
    why = trouble()
    if why:
        yield number + 1, Skip(number + 1, why)


def nothing(_: Any) -> None:
    """For formats whose lines need no watching."""
