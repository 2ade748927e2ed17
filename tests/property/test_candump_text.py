"""Candump text: every spelling of a frame is read, every other line is skipped, and nothing is miscounted.

The reference here is written from the grammar of checks.md §1 (can-utils `lib.h`, `candump.c`) with one regular
expression for a whole line, apart from the reader's own.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from latchtrace.capture.contract import Block
from latchtrace.capture.formats.candump import FORMAT
from latchtrace.capture.stream import Opening
from latchtrace.model.frames import Drop, Frame, FrameFlags, Skip

LONG = bool(os.environ.get("LATCHTRACE_LONG"))
EXAMPLES = 20_000 if LONG else 100

_LINE = re.compile(
    r"""
    \((?P<sec>[0-9]+)\.(?P<frac>[0-9]{6}(?:[0-9]{3})?)\)[ ]+
    (?P<name>[\x21-\x7e]+)[ ]+
    (?:(?P<std>[0-7][0-9A-Fa-f]{2})|(?P<ext>[01][0-9A-Fa-f]{7})|(?P<err>[23][0-9A-Fa-f]{7}))
    \#
    (?:
        (?P<data>(?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,7})?)
      | (?P<full>[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){7})_(?P<raw>[9A-Fa-f])
      | [Rr](?P<rtr>[0-8]?)
      | [Rr]8_(?P<rawrtr>[9A-Fa-f])
      | \#(?P<fd>[0-9A-Fa-f])(?P<fddata>(?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2}){0,63})?)
    )
    (?:[ ]+(?P<dir>[RT]))?[ \t\r]*
    """,
    re.VERBOSE | re.ASCII,
)
_DROP = re.compile(r"\s*DROPCOUNT: dropped ([0-9]{1,18}) CAN frames? on '([\x21-\x7e]+)' socket.*", re.ASCII)


def reference(line: str) -> tuple[object, ...] | None:
    """(t, channel, id, flags, data, dlc) of a frame, ("drop", channel, lost), ("comment",), or None for a skip."""
    if not line.startswith("("):
        if drop := _DROP.fullmatch(line.rstrip()):
            return ("drop", drop[2], int(drop[1]))
        text = line.strip()
        return ("comment",) if not text or text.startswith(("#", ";", "//")) else None
    match = _LINE.fullmatch(line)
    if not match:
        return None
    remote = match["rtr"] is not None or match["rawrtr"] is not None
    if match["err"] and (remote or match["fd"]):
        return None
    t = int(match["sec"]) * 10**9 + int(match["frac"]) * 10 ** (9 - len(match["frac"]))
    if int(match["sec"]) > 9_223_372_035:
        return None
    can_id = int(match["std"] or match["ext"] or match["err"], 16) & 0x1FFFFFFF
    flags = FrameFlags.EXTENDED if match["ext"] else FrameFlags.ERROR if match["err"] else FrameFlags.NONE
    flags |= FrameFlags.SENT if match["dir"] == "T" else FrameFlags.NONE
    flags |= FrameFlags.REMOTE if remote else FrameFlags.NONE
    if match["fd"]:
        digit = int(match["fd"], 16)
        flags |= FrameFlags.FD
        flags |= FrameFlags.BRS if digit & 1 else FrameFlags.NONE
        flags |= FrameFlags.ESI if digit & 2 else FrameFlags.NONE
    data = bytes.fromhex((match["data"] or match["full"] or match["fddata"] or "").replace(".", ""))
    dlc = len(data)
    if remote:
        dlc = int(match["rawrtr"] or match["rtr"] or "0", 16)
    elif match["raw"]:
        dlc = int(match["raw"], 16)
    return (t, match["name"], can_id, flags.value, data, dlc)


def blocks_of(content: bytes, piece: int = 1 << 16) -> list[Block]:
    """The file's blocks, read in pieces of this size."""
    handle, name = tempfile.mkstemp()
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        opening = Opening(Path(name), "x")
        opening.piece = piece
        return list(FORMAT.read(opening))
    finally:
        Path(name).unlink()


def by_line(blocks: list[Block]) -> dict[int, Frame | Skip | Drop]:
    """All records by their line."""
    found: dict[int, Frame | Skip | Drop] = {frame.line: frame for block in blocks for frame in block.frames}
    for block in blocks:
        for _, note in block.notes:
            assert note.line not in found
            found[note.line] = note
    return found


def hold(lines: list[str], piece: int = 1 << 16) -> None:
    """Hold the reader against the reference on these lines."""
    content = "".join(line + "\n" for line in lines).encode("latin-1")
    blocks = blocks_of(content, piece)
    found = by_line(blocks)
    assert sum(block.lines for block in blocks) == len(lines)
    for number, line in enumerate(lines, 1):
        want, have = reference(line), found.get(number)
        if want is None:
            assert isinstance(have, Skip), (line, have)
        elif want == ("comment",):
            assert have is None, (line, have)
        elif want[0] == "drop":
            assert have == Drop(number, str(want[1]), int(str(want[2])))
        else:
            assert isinstance(have, Frame), (line, have)
            assert tuple(have[:6]) == want, line
            assert content[have.offset :].startswith(line.encode("latin-1"))


HEX = "0123456789ABCDEFabcdef"


def _bytes_text(most: int) -> st.SearchStrategy[str]:
    pairs = st.lists(st.text(HEX, min_size=2, max_size=2), max_size=most)
    dots = st.lists(st.sampled_from(["", "", "."]), min_size=most, max_size=most)
    return st.tuples(pairs, dots).map(
        lambda both: "".join(("" if at == 0 else both[1][at]) + pair for at, pair in enumerate(both[0]))
    )


_STANDARD = st.integers(0, 0x7FF).map(lambda number: f"{number:03X}")
_EXTENDED = st.integers(0, 0x1FFFFFFF).map(lambda number: f"{number:08x}")
_ERROR = st.integers(0x20000000, 0x3FFFFFFF).map(lambda number: f"{number:08X}")
_PAYLOAD = st.one_of(
    _bytes_text(8),
    st.tuples(st.binary(min_size=8, max_size=8), st.sampled_from("9ABCDEFabcdef")).map(
        lambda both: f"{both[0].hex()}_{both[1]}"
    ),
    st.sampled_from(["R", "r", "R0", "R4", "R8", "R8_9", "r8_f"]),
    st.tuples(st.sampled_from(HEX), _bytes_text(64)).map(lambda both: f"#{both[0]}{both[1]}"),
)
_STAMP = st.one_of(
    st.tuples(st.integers(0, 9_223_372_035), st.integers(0, 10**6 - 1)).map(
        lambda both: f"{both[0]:010d}.{both[1]:06d}"
    ),
    st.tuples(st.integers(0, 10**6), st.integers(0, 10**9 - 1)).map(lambda both: f"{both[0]}.{both[1]:09d}"),
    st.integers(0, 3 * 10**6).map(lambda micro: f"17000000{micro // 10**6:02d}.{micro % 10**6:06d}"),
)
_NAMES = st.sampled_from(["can0", "can1", "vcan0", "slcan_with_a_long_name", "c#n", "a)b", "x"])
_VALID = st.tuples(
    _STAMP,
    st.sampled_from([" ", " ", "  "]),
    _NAMES,
    st.one_of(
        st.tuples(st.one_of(_STANDARD, _EXTENDED), _PAYLOAD),
        st.tuples(_ERROR, _bytes_text(8)),
    ),
    st.sampled_from(["", "", " R", " T", "\r", " R\r", "  T "]),
).map(lambda parts: f"({parts[0]}){parts[1]}{parts[2]} {parts[3][0]}#{parts[3][1]}{parts[4]}")


@given(st.lists(_VALID, min_size=1, max_size=30), st.sampled_from([7, 64, 1 << 16]))
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_every_spelling_of_a_frame_is_read(lines: list[str], piece: int) -> None:
    assert all(reference(line) not in (None, ("comment",)) for line in lines)
    hold(lines, piece)


_CHARACTERS = st.sampled_from(list("0123456789ABCDEFabcdefgGRrTt#_. ()\t\r\x00\x07\x1f\x85\xa0²+-"))


@st.composite
def _spoiled(draw: st.DrawFn) -> str:
    """A valid line with a few characters changed, left out or put in."""
    line = draw(_VALID)
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(line)))
        how = draw(st.integers(0, 2))
        line = line[:at] + ("" if how == 0 else draw(_CHARACTERS)) + line[at + (how < 2) :]
    return line


@given(st.lists(st.one_of(_VALID, _spoiled()), min_size=1, max_size=30))
@settings(max_examples=EXAMPLES * 3, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_spoiled_line_is_read_as_the_reference_reads_it_or_skipped(lines: list[str]) -> None:
    hold([line.removeprefix("\xef\xbb\xbf") for line in lines])


@given(st.lists(st.one_of(_VALID, _spoiled()), min_size=1, max_size=8), st.data())
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_lines_that_repeat_others_are_read_alike(lines: list[str], data: st.DataObject) -> None:
    """The reader remembers what it has seen: any mixture of repeats must not change what a line means."""
    picks = data.draw(st.lists(st.integers(0, len(lines) - 1), min_size=1, max_size=40))
    hold([lines[pick] for pick in picks])


@given(st.binary(max_size=2000))
@settings(max_examples=EXAMPLES, deadline=None)
def test_any_bytes_are_read_without_error_and_counted(content: bytes) -> None:
    blocks = blocks_of(content)
    found = by_line(blocks)
    lines = content.count(b"\n") + (1 if content and not content.endswith(b"\n") else 0)
    assert sum(block.lines for block in blocks) == lines
    assert all(1 <= number <= lines for number in found)


@given(st.lists(_VALID, min_size=1, max_size=20), st.integers(1, 200))
@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_the_size_of_the_pieces_changes_nothing(lines: list[str], piece: int) -> None:
    content = "".join(line + "\n" for line in lines).encode("latin-1")
    assert by_line(blocks_of(content, piece)) == by_line(blocks_of(content))


@pytest.mark.long
@pytest.mark.skipif(not LONG, reason="the long run only (LATCHTRACE_LONG=1)")
def test_no_wrong_line_in_a_million_is_accepted() -> None:
    """One million mutated lines, in files of a thousand (performance.md, gates)."""
    import random

    rng = random.Random(20)
    alphabet = "0123456789ABCDEFabcdefgGRrTt#_. ()\t\r\x00\x1f\xa0²+-"
    names, ids = ["can0", "vcan0", "c#n"], ["123", "7FF", "1ABCDEF0", "20000004"]
    tails = ["1122334455667788", "", "R4", "#1112233", "1122334455667788_E", "11.22 R"]
    for _ in range(1000):
        lines = []
        for number in range(1000):
            line = (
                f"(17000000{number // 500:02d}.{number:06d}) {rng.choice(names)} {rng.choice(ids)}#{rng.choice(tails)}"
            )
            for _ in range(rng.randrange(0, 4)):
                at = rng.randrange(len(line) + 1)
                line = line[:at] + rng.choice(["", *alphabet]) + line[at + rng.randrange(2) :]
            lines.append(line)
        hold(lines)
