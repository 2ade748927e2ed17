"""Counts add up: every line of a text capture is a frame, is skipped, or is no frame by its kind, and just one of them.

A line ends with a line feed; what follows the last one is a line too, if it is anything. Blank lines, comments,
headers and notes are no frames by their kind: neither read nor skipped. An end that is missing (a packed file cut
short) counts as one more line, skipped.
"""

from __future__ import annotations

import os
import tempfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from latchtrace.capture.contract import Block
from latchtrace.capture.formats import FORMATS
from latchtrace.capture.reader import find_captures, scan
from latchtrace.capture.stream import Opening
from latchtrace.model.frames import Drop, FrameFlags, Skip

EXAMPLES = 1_000 if os.environ.get("LATCHTRACE_LONG") else 60
LONG = "x" * 70_000
"""Longer than any line a reader keeps whole."""


@dataclass(frozen=True)
class Kinds:
    """How a format writes a frame at a second, what it must skip, and what is no frame by its kind."""

    extension: str
    frame: str
    bad: tuple[str, ...]
    other: tuple[str, ...]
    head: tuple[str, ...] = ()
    tail: tuple[str, ...] = ()


BLANK = ("", "   ", "\t")
KINDS = {
    kinds.extension: kinds
    for kinds in (
        Kinds(
            ".log",
            "({:010d}.250000) can0 123#1122334455667788",
            ("can0 123#1122", "(1.0) can0 123#11", "nonsense", "\0\0", "a\0b", LONG),
            (*BLANK, "# remark", "; remark", "// remark"),
        ),
        Kinds(
            ".asc",
            "   {}.250000 1  123             Rx   d 2 11 22",
            ("   0.6 1 123 Rx q", "   0.6 1 123 Rx d 8 11 22", "   0.6 1 12\0 Rx d 1 11", LONG),
            (*BLANK, "// Rx", "   1.0 1  Statistic: D 2 R 0 XD 0 XR 0 E 0 O 0 B 0.04%", "\0"),
            head=("date Sat Sep 30 15:06:13.191 2017", "base hex  timestamps absolute", "internal events logged"),
        ),
        Kinds(
            ".trc",
            "     1)  {}000.5  Rx     00000123  2  11 22 ",
            ("     4)     17701.3", "     4)  17701.3  Rx  00000123  8  11", "\0", LONG),
            (*BLANK, "; remark", "     2)     17540.3  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY "),
            head=(";$FILEVERSION=1.1", ";$STARTTIME=44548.6028595139"),
        ),
        Kinds(
            ".csv",
            "{}.5,0x123,0,0,0,2,ESI=",
            ("nonsense", "nan,0x1,0,0,0,1,EQ==", "1.0;0x1;0;0;0;1;EQ==", "\0", LONG),
            BLANK,
            head=("timestamp,arbitration_id,extended,remote,error,dlc,data",),
        ),
    )
}


def test_every_text_format_is_counted() -> None:
    assert {extension for one in FORMATS if one.text for extension in one.extensions[:1]} == set(KINDS)


@contextmanager
def written(content: bytes, extension: str) -> Iterator[Path]:
    """A file for now."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"x{extension}"
        path.write_bytes(content)
        yield path


def blocks_of(path: Path, extension: str, packing: str = "", piece: int = 1 << 16) -> list[Block]:
    (entry,) = (one for one in FORMATS if extension in one.extensions)
    opening = Opening(path, path.name, packing)
    opening.piece = piece
    return list(entry.read(opening))


def counted(blocks: Sequence[Block]) -> tuple[int, list[int], list[int], list[int]]:
    """How many lines, and the numbers of those that are frames, skips and drop notes."""
    notes = [note for block in blocks for _, note in block.notes]
    return (
        sum(block.lines for block in blocks),
        [frame.line for block in blocks for frame in block.frames],
        sorted(note.line for note in notes if isinstance(note, Skip)),
        [note.line for note in notes if isinstance(note, Drop)],
    )


LAYOUT = st.lists(
    st.tuples(st.sampled_from(["frame", "frame", "frame", "bad", "other"]), st.integers(0, 9)), max_size=40
)


@pytest.mark.parametrize("extension", KINDS)
@given(layout=LAYOUT, crlf=st.booleans(), ended=st.booleans(), piece=st.sampled_from([7, 4096, 1 << 16]))
@settings(max_examples=EXAMPLES, deadline=None)
def test_read_and_skipped_and_other_lines_are_all_lines(
    extension: str, layout: list[tuple[str, int]], crlf: bool, ended: bool, piece: int
) -> None:
    kinds = KINDS[extension]
    made = [("other", text) for text in kinds.head]
    for at, (kind, pick) in enumerate(layout, 1):
        choice = {"frame": (kinds.frame.format(at),), "bad": kinds.bad, "other": kinds.other}[kind]
        made.append((kind, choice[pick % len(choice)]))
    made += [("other", text) for text in kinds.tail]
    end = "\r\n" if crlf else "\n"
    content = end.join(text for _, text in made) + (end if ended and made else "")
    if not ended and made and not made[-1][1]:
        made.pop()  # nothing after the last line feed is no line
    raw = content.encode()
    with written(raw, extension) as path:
        lines, frames, skips, drops = counted(blocks_of(path, extension, piece=piece))
    assert lines == len(made) == raw.count(b"\n") + (not raw.endswith(b"\n") and bool(raw))
    assert frames == [number for number, (kind, _) in enumerate(made, 1) if kind == "frame"]
    assert skips == [number for number, (kind, _) in enumerate(made, 1) if kind == "bad"]
    assert drops == []


@pytest.mark.parametrize("extension", KINDS)
@given(content=st.binary(max_size=400), crlf=st.booleans(), ended=st.booleans(), at=st.integers(0, 5))
@settings(max_examples=EXAMPLES, deadline=None)
def test_no_line_of_any_content_counts_twice_or_not_at_all(
    extension: str, content: bytes, crlf: bool, ended: bool, at: int
) -> None:
    kinds, end = KINDS[extension], b"\r\n" if crlf else b"\n"
    lines = [text.encode() for text in kinds.head] + [kinds.frame.format(n).encode() for n in range(1, 6)]
    lines.insert(len(kinds.head) + at, content)
    raw = end.join(lines) + (end if ended else b"")
    with written(raw, extension) as path:
        total, frames, skips, drops = counted(blocks_of(path, extension))
    assert total == raw.count(b"\n") + (not raw.endswith(b"\n"))
    once = sorted(frames + skips + drops)
    assert once == sorted(set(once))
    assert all(1 <= number <= total for number in once)


@pytest.mark.parametrize("extension", KINDS)
@given(cut=st.integers(1, 4000))
@settings(max_examples=EXAMPLES, deadline=None)
def test_a_missing_end_is_one_line_that_was_not_read(extension: str, cut: int) -> None:
    """Cut inside a line, that line is it; cut at the end of a line, the line after."""
    kinds = KINDS[extension]
    text = "\n".join((*kinds.head, *(kinds.frame.format(n) for n in range(1, 400)))) + "\n"
    packer = zlib.compressobj(level=0, wbits=31)
    packed = packer.compress(text.encode()) + packer.flush()
    kept = packed[:-cut]
    raw = zlib.decompressobj(wbits=31).decompress(kept)
    with written(kept, f"{extension}.gz") as path:
        total, frames, skips, _ = counted(blocks_of(path, extension, packing="gz"))
    assert total == raw.count(b"\n") + 1
    assert skips == [total]
    assert [number for number in frames if number < total] == frames
    assert len(frames) + len(skips) + len(kinds.head) == total


@pytest.mark.parametrize("end", ["", "\n"])
def test_all_lines_of_a_capture_without_times_are_told_as_skipped(end: str, tmp_path: Path) -> None:
    path = tmp_path / "bare.log"
    path.write_text("\n".join(["can0 123#1122334455667788"] * 500) + end)
    with pytest.raises(Exception, match="500 lines skipped, all as line 1: no timestamp"):
        scan(find_captures([str(path)]))


def test_a_line_too_long_to_be_a_frame_is_one_line(tmp_path: Path) -> None:
    kinds = KINDS[".asc"]
    path = tmp_path / "x.asc"
    path.write_text("\n".join((*kinds.head, kinds.frame.format(1), LONG * 5, kinds.frame.format(2), "")))
    (entry,) = (one for one in FORMATS if ".asc" in one.extensions)
    frames = [frame for block in entry.read(Opening(path, "x.asc")) for frame in block.frames]
    assert [(frame.line, frame.flags) for frame in frames] == [(4, FrameFlags.NONE), (6, FrameFlags.NONE)]
    assert path.read_bytes()[frames[1].offset :].decode().startswith(kinds.frame.format(2))
