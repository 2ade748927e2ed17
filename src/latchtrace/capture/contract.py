"""The contract of a format reader: what recognises a file, and what reading one yields.

A format is one file in `formats/` with one `Format` value, and one line in `formats/__init__.py`. Its `read` takes
an `Opening` and yields `Block`s in file order, in bounded memory. What cannot be read becomes a `Skip` in the
block, never an exception; what ends the file early (a cut compressed stream, a broken container) becomes a last
`Skip`, as a line of its own where no line was cut, and what was read before it counts. Every line is one of four
things: a frame, a `Skip`, a `Drop`, or no frame by its kind (blank, comment, header), of which nothing comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from latchtrace.capture.stream import Opening
from latchtrace.model.frames import Drop, Frame, Record, Skip

BLOCK_RECORDS = 4096


@dataclass(slots=True)
class Block:
    """Some records in file order: the frames, and between them what is no frame.

    `notes` holds (number of this block's frames before it, the note). `lines` counts the lines (records) this
    block was read from, comments and blank lines included.
    """

    frames: list[Frame] = field(default_factory=list)
    notes: list[tuple[int, Skip | Drop]] = field(default_factory=list)
    lines: int = 0


@dataclass(frozen=True, slots=True)
class Format:
    """One capture format: its name for people, its extensions, how its content is known, how it is read.

    `recognise` gets up to 4096 bytes of the (uncompressed) beginning and says whether they are of this format;
    formats are asked in the order of the registry, and only then the extension counts. `text` says whether the
    content has lines a person can read.
    """

    name: str
    extensions: tuple[str, ...]
    recognise: Callable[[bytes], bool]
    read: Callable[[Opening], Iterator[Block]]
    text: bool = True


def in_blocks(records: Iterable[tuple[int, Record | None]], size: int = BLOCK_RECORDS) -> Iterator[Block]:
    """Blocks from single records, for formats whose speed comes from elsewhere.

    Takes (lines read up to and with this record, record); None for a last line count without a record.
    """
    block, counted = Block(), 0
    for lines, record in records:
        block.lines, counted = block.lines + lines - counted, lines
        if isinstance(record, Frame):
            block.frames.append(record)
        elif record is not None:
            block.notes.append((len(block.frames), record))
        if len(block.frames) + len(block.notes) >= size:
            yield block
            block = Block()
    if block.frames or block.notes or block.lines:
        yield block
