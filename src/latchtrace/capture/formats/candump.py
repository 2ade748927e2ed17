"""Candump text (`candump -l`, `candump -L`), read line by line, exact to the nanosecond.

Two paths with one result: lines whose beginning and end were seen before go through look-ups only; all others
through the grammar. Nothing enters the look-ups that the grammar has not accepted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from latchtrace.capture.contract import Block, Format
from latchtrace.capture.formats import candump_grammar as grammar
from latchtrace.capture.formats.candump_grammar import RejectError
from latchtrace.capture.stream import Opening
from latchtrace.model.frames import Drop, Frame, FrameFlags, Skip

_MOST_HEADS = 1 << 16
_BOM = "\xef\xbb\xbf"
_ERROR = FrameFlags.ERROR.value
_BEFORE = re.compile(r"\(([0-9]{1,20})\.([0-9]{3})?", re.ASCII)


class _Head:
    """A channel and id as they stand in the text, with what followed them last time."""

    __slots__ = ("can_id", "channel", "data", "dlc", "flags", "kind", "text")

    def __init__(self, channel: str, can_id: int, kind: int) -> None:
        self.channel, self.can_id, self.kind = channel, can_id, kind
        self.text: str | None = None
        self.data, self.flags, self.dlc = b"", kind, 0

    def read(self, text: str) -> None:
        """What follows the "#", by the grammar; RejectError leaves the head as it was."""
        tail = grammar.tail(text, error=bool(self.kind & _ERROR))
        self.text, self.data, self.flags, self.dlc = text, tail.data, self.kind | tail.flags, tail.dlc


class _Parser:
    """Turns lines into blocks; remembers what the next lines will probably repeat."""

    def __init__(self) -> None:
        self.lines = 0
        self.offset = 0
        self._heads: dict[str, _Head] = {}
        self._channels: dict[str, str] = {}
        self._before = "\n"  # text up to the last six decimals of the last timestamp, its value, and their unit
        self._base, self._unit = 0, 1000

    def block(self, lines: list[str]) -> Block:
        """The block of these whole lines (without their ends)."""
        block = Block(lines=len(lines))
        keep, build, heads = block.frames.append, tuple.__new__, self._heads
        number, offset = self.lines, self.offset
        before, base, unit = self._before, self._base, self._unit
        at, close = len(before), len(before) + 6
        for line in lines:
            number += 1
            left, sharp, text = line.partition("#")
            end = left[at:close]
            head = heads.get(left[close:])
            if head is None or not (sharp and left.startswith(before) and end.isdecimal()):
                head, end = self._turn(left) if sharp else (None, "")
                before, base, unit = self._before, self._base, self._unit
                at, close = len(before), len(before) + 6
            if head is None:
                self._odd(line, block, number, offset)
            elif text == head.text or self._follow(head, text, block, number):
                t = base + int(end) * unit
                row = (t, head.channel, head.can_id, head.flags, head.data, head.dlc, number, offset)
                keep(build(Frame, row))
            offset += len(line) + 1
        self.lines, self.offset = number, offset
        return block

    def last(self, line: str, trouble: str) -> Block:
        """The block of a last line without an end: shorter than usual it was cut, and may not pass for a frame."""
        left = line.partition("#")[0]
        head = self._heads.get(left[left.find(")") :])
        usual = len(head.data) if head else 0
        block = self.block([line])
        shorter = any(len(frame.data) < usual for frame in block.frames)
        odd = any(isinstance(note, Skip) and note.reason != grammar.NO_TIMESTAMP for _, note in block.notes)
        return self.missing(trouble or "the last line is cut off") if trouble or shorter or odd else block

    def missing(self, why: str) -> Block:
        """The block of the last line, of which nothing, or not all, is there."""
        return Block(notes=[(0, Skip(self.lines, why))], lines=1)

    def _turn(self, left: str) -> tuple[_Head | None, str]:
        """Another second (of nine decimals: another millisecond) before a known head; None where it is no such line.

        Gives the head and the last six decimals.
        """
        close = left.find(")")
        head, end = self._heads.get(left[close:]), left[close - 6 : close]
        match = _BEFORE.fullmatch(left[: close - 6]) if head else None
        if not match or not end.isdecimal() or int(match[1]) > grammar.MOST_SECONDS:
            return None, ""
        self._before, self._unit = match[0], 1 if match[2] else 1000
        self._base = int(match[1]) * 1_000_000_000 + int(match[2] or "0") * 1_000_000
        return head, end

    def _follow(self, head: _Head, text: str, block: Block, number: int) -> bool:
        """Read what follows a known head into it; a Skip and False where that is no frame."""
        try:
            data = bytes.fromhex(text)
        except ValueError:
            data = b""
        if 2 * len(data) == len(text) <= 16:  # fromhex lets blanks pass, the length does not
            head.text, head.data, head.flags, head.dlc = text, data, head.kind, len(data)
            return True
        try:
            head.read(text)
        except RejectError as reject:
            block.notes.append((len(block.frames), Skip(number, str(reject))))
            return False
        return True

    def _odd(self, line: str, block: Block, number: int, offset: int) -> None:
        """A line that is new in some way: by the grammar, step by step."""
        if number == 1:
            line = line.removeprefix(_BOM)
        try:
            if len(line) > grammar.LONGEST_LINE:
                raise RejectError("the line is longer than 64 KiB")
            if line[:1] == "(":
                block.frames.append(self._frame(line, number, offset))
            elif (drop := grammar.other(line)) is not None:
                block.notes.append((len(block.frames), Drop(number, drop.channel, drop.lost)))
        except RejectError as reject:
            block.notes.append((len(block.frames), Skip(number, str(reject))))

    def _frame(self, line: str, number: int, offset: int) -> Frame:
        stamp, name, digits, text = grammar.parts(line)
        when, name = grammar.stamp(stamp), grammar.channel(name)
        head = _Head(self._channels.setdefault(name, name), *grammar.identifier(digits))
        head.read(text)
        left = line.partition("#")[0]
        key = left[left.find(")") :]
        if key[1:].split() == [name, digits]:  # else a "#" in the interface's name: always by the grammar
            if len(self._heads) >= _MOST_HEADS:
                self._heads.clear()
                self._channels.clear()
            self._heads[key] = head
        return Frame(when, head.channel, head.can_id, head.flags, head.data, head.dlc, number, offset)


def _read(opening: Opening) -> Iterator[Block]:
    parser, rest, dropped = _Parser(), "", 0
    for piece in opening.pieces():
        lines = piece.decode("latin-1").split("\n")
        lines[0] = rest + lines[0]
        rest = lines.pop()
        if lines and dropped:  # the rest of a line that is too long anyway
            yield parser.block([lines.pop(0)])
            parser.offset, dropped = parser.offset + dropped, 0
        if lines:
            yield parser.block(lines)
        if len(rest) > 2 * grammar.LONGEST_LINE:
            dropped += len(rest) - grammar.LONGEST_LINE - 1
            rest = rest[: grammar.LONGEST_LINE + 1]
    if rest:
        yield parser.last(rest, opening.trouble)
    elif opening.trouble:
        parser.lines += 1
        yield parser.missing(opening.trouble)


def _recognise(head: bytes) -> bool:
    lines = head.decode("latin-1").removeprefix(_BOM).split("\n")[:50]
    return any(grammar.is_line(line) for line in lines)


FORMAT = Format("candump text", (".log", ".candump"), _recognise, _read)
