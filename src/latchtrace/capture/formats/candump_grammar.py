"""The grammar of one line of candump text, strictly.

Sources: can-utils `candump.c` (what is written with `-l` and `-L`), `canplayer.c` (6 or 9 decimals; lines not
beginning with "(" are comments) and the comment on the ASCII frame form in its `lib.h`. Ids and flags as in
linux/can.h. Where its own readers are lenient (odd digits, `800` as a standard id) this one is not.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from latchtrace.model.frames import ERROR_BIT, EXTENDED_MAX, STANDARD_MAX, Drop, FrameFlags

LONGEST_LINE = 1 << 16
MOST_SECONDS = 9_223_372_035  # so that nanoseconds stay within 64 bits

_LINE = re.compile(r"(\([^ ]*\)) +([^ ]+) +([^ #]*)#(.*)", re.DOTALL)
_END = re.compile(r"([!-~]*)(?: +([RT]))?[ \t\r]*", re.ASCII)
_STAMP = re.compile(r"\(([0-9]+)\.([0-9]{6}|[0-9]{9})\)", re.ASCII)
_ID = re.compile(r"[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8}", re.ASCII)
_HEX = re.compile(r"(?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2})*)?", re.ASCII)
_REMOTE = re.compile(r"[Rr](?:([0-7])|8(?:_([9A-Fa-f]))?)?", re.ASCII)
_NAME = re.compile(r"[!-~]+", re.ASCII)
_DROP = re.compile(r"DROPCOUNT: dropped ([0-9]{1,18}) CAN frames? on '([!-~]+)' socket.*", re.ASCII)
_BARE = re.compile(r"\S+\s+(?:[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})(?:#|\s+\[[0-9]{1,2}\])", re.ASCII)
_SCREEN = re.compile(r"\(.*\)\s+\S+\s+(?:(?:TX|RX)\s.*\s)?[0-9A-Fa-f]{3,8}\s+\[[0-9]{1,2}\]", re.ASCII)
_COMMENT = ("#", "//", ";")

NO_TIMESTAMP = "no timestamp; record with candump -L"


class RejectError(Exception):
    """A line is not a frame; the text says why."""


class Tail(NamedTuple):
    """What stands after the id and its "#": flags to add, payload, length code."""

    flags: int
    data: bytes
    dlc: int


def parts(line: str) -> tuple[str, str, str, str]:
    """Timestamp, interface, id and what follows the "#", as they stand in the line."""
    match = _LINE.fullmatch(line)
    if not match:
        raise RejectError("written for the screen; record with candump -L" if _SCREEN.match(line) else "not a frame")
    return match[1], match[2], match[3], match[4]


def stamp(text: str) -> int:
    """A timestamp such as "(1700000000.123456)" in nanoseconds."""
    match = _STAMP.fullmatch(text)
    if not match:
        raise RejectError("the timestamp is not seconds with 6 or 9 decimals in brackets")
    seconds = int(match[1]) if len(match[1]) <= 20 else MOST_SECONDS + 1
    if seconds > MOST_SECONDS:
        raise RejectError("the timestamp is too large")
    return seconds * 1_000_000_000 + int(match[2].ljust(9, "0"))


def channel(text: str) -> str:
    """The interface's name: printable, without blanks."""
    if not _NAME.fullmatch(text):
        raise RejectError("the interface name has characters that none has")
    return text


def identifier(text: str) -> tuple[int, int]:
    """Id and flags: three digits are a standard id, eight an extended one or an error frame's class."""
    if not _ID.fullmatch(text):
        raise RejectError("the id has neither 3 nor 8 hexadecimal digits")
    number = int(text, 16)
    if len(text) == 3:
        if number > STANDARD_MAX:
            raise RejectError("the id is above 7FF and has only 3 digits")
        return number, FrameFlags.NONE.value
    if number <= EXTENDED_MAX:
        return number, FrameFlags.EXTENDED.value
    if number < 2 * ERROR_BIT:
        return number & EXTENDED_MAX, FrameFlags.ERROR.value
    raise RejectError("the id is above 1FFFFFFF and not an error frame's")


def tail(text: str, error: bool = False) -> Tail:
    """What stands after "id#": the payload in one of its forms, then perhaps R or T for received or sent."""
    match = _END.fullmatch(text)
    if not match:
        raise RejectError("there is more on the line than a frame")
    found = _payload(match[1], error)
    return found._replace(flags=found.flags | FrameFlags.SENT.value) if match[2] == "T" else found


def _payload(text: str, error: bool) -> Tail:
    if text[:1] == "#":
        return _flexible(text, error)
    if text[:1] in ("R", "r"):
        return _remote(text, error)
    body, mark, code = text.partition("_")
    data = _bytes(body)
    if len(data) > 8:
        raise RejectError("more than 8 bytes in a classic frame")
    if not mark:
        return Tail(0, data, len(data))
    if len(data) != 8 or not re.fullmatch("[9A-Fa-f]", code):
        raise RejectError("a raw length code is 9 to F and comes after 8 bytes")
    return Tail(0, data, int(code, 16))


def _bytes(text: str) -> bytes:
    if not _HEX.fullmatch(text):
        raise RejectError("the data are not whole bytes of two hexadecimal digits")
    return bytes.fromhex(text.replace(".", ""))


def _flexible(text: str, error: bool) -> Tail:
    if error:
        raise RejectError("an error frame cannot be a CAN FD frame")
    if not re.fullmatch("[0-9A-Fa-f]", text[1:2]):
        raise RejectError("a CAN FD frame needs one digit of flags after ##")
    data, given = _bytes(text[2:]), int(text[1:2], 16)
    if len(data) > 64:
        raise RejectError("more than 64 bytes in a CAN FD frame")
    flags = FrameFlags.FD.value
    flags |= FrameFlags.BRS.value if given & 1 else 0
    flags |= FrameFlags.ESI.value if given & 2 else 0
    return Tail(flags, data, len(data))


def _remote(text: str, error: bool) -> Tail:
    match = _REMOTE.fullmatch(text)
    if error or not match:
        raise RejectError(
            "an error frame cannot be a remote frame" if error else "the remote frame's length is no 0 to 8"
        )
    length = int(match[2], 16) if match[2] else int(match[1] or (text[1:2] or "0"))
    return Tail(FrameFlags.REMOTE.value, b"", length)


def other(line: str) -> Drop | None:
    """What a line that does not begin with "(" is: None for comments and blank lines, a drop note, else RejectError.

    The drop note's line number is left 0 for the caller to fill in.
    """
    text = line.strip()
    if not text or text.startswith(_COMMENT):
        return None
    if drop := _DROP.fullmatch(text):
        return Drop(0, drop[2], int(drop[1]))
    raise RejectError(NO_TIMESTAMP if _BARE.match(text) else "not a frame")


def is_line(line: str) -> bool:
    """Whether a line has the shape of candump text, whatever is wrong in its details."""
    return bool(re.match(r"\([0-9]+\.[0-9]+\)\s+\S+\s+[0-9A-Fa-f]+#", line)) or line.startswith("DROPCOUNT: ")
