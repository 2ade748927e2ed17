"""Candump text, line by line."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
import zstandard

from latchtrace.capture.contract import Block
from latchtrace.capture.reader import find_captures
from latchtrace.model.frames import Drop, Frame, FrameFlags, Skip


def records(tmp_path: Path, content: bytes | str, name: str = "x.log") -> list[Frame | Skip | Drop]:
    """Everything a file of this content reads as, in file order."""
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    (source,) = find_captures([str(path)])
    found: list[Frame | Skip | Drop] = []
    for block in source.format.read(source.open()):
        found += in_order(block)
    return found


def in_order(block: Block) -> list[Frame | Skip | Drop]:
    """A block's records in file order."""
    found: list[Frame | Skip | Drop] = []
    done = 0
    for at, note in block.notes:
        found += [*block.frames[done:at], note]
        done = at
    return found + block.frames[done:]


def frame(tmp_path: Path, line: str) -> Frame:
    """The one frame of a line."""
    (found,) = records(tmp_path, line + "\n")
    assert isinstance(found, Frame), found
    return found


def test_six_decimals_are_read_to_the_nanosecond(tmp_path: Path) -> None:
    assert frame(tmp_path, "(1700000000.123457) can0 123#11").t == 1_700_000_000_123_457_000


def test_nine_decimals_are_read_to_the_nanosecond(tmp_path: Path) -> None:
    lines = (
        "(1700000000.123456789) can0 123#11\n(1700000000.123456790) can0 123#11\n(1700000001.000000001) can0 123#11\n"
    )
    times = [found.t for found in records(tmp_path, lines) if isinstance(found, Frame)]
    assert times == [1_700_000_000_123_456_789, 1_700_000_000_123_456_790, 1_700_000_001_000_000_001]


def test_relative_times_count_from_zero(tmp_path: Path) -> None:
    assert frame(tmp_path, "(0000000012.500000) can0 123#11").t == 12_500_000_000


def test_six_and_nine_decimals_may_take_turns(tmp_path: Path) -> None:
    lines = ["(0000000001.000001) a 1A0#", "(0000000001.000001001) a 1A0#", "(0000000001.000002) a 1A0#"] * 2
    times = [found.t for found in records(tmp_path, "\n".join(lines) + "\n") if isinstance(found, Frame)]
    assert times == [1_000_001_000, 1_000_001_001, 1_000_002_000] * 2


def test_line_and_offset_point_at_the_line(tmp_path: Path) -> None:
    content = "(1.000000) can0 123#11\r\n# note\r\n(2.000000) can0 123#1122\r\n(3.000000) can0 123#1122\r\n"
    frames = [found for found in records(tmp_path, content) if isinstance(found, Frame)]
    assert [found.line for found in frames] == [1, 3, 4]
    for found in frames:
        assert content[found.offset :].startswith(f"({found.line if found.line == 1 else found.line - 1}.000000)")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", " R", " T"])
def test_line_ends_and_direction_marks_change_nothing_else(tmp_path: Path, end: str, mark: str) -> None:
    content = "".join(f"({i}.000000) can0 123#1{i}{mark}{end}" for i in range(1, 5))
    found = [one for one in records(tmp_path, content) if isinstance(one, Frame)]
    assert [one.data for one in found] == [bytes([0x10 + i]) for i in range(1, 5)]
    assert {one.flags for one in found} == {FrameFlags.SENT.value if mark == " T" else 0}


def test_padded_interface_names_are_the_same_channel(tmp_path: Path) -> None:
    content = "(1.000000)  can0 123#11\n(2.000000) vcan0 123#11\n"
    assert [one.channel for one in records(tmp_path, content) if isinstance(one, Frame)] == ["can0", "vcan0"]


def test_a_name_with_a_sharp_sign_is_read(tmp_path: Path) -> None:
    content = "(1.000000) c#1 123#11\n(2.000000) c#1 123#1122\n"
    found = [one for one in records(tmp_path, content) if isinstance(one, Frame)]
    assert [(one.channel, one.can_id, one.data) for one in found] == [
        ("c#1", 0x123, b"\x11"),
        ("c#1", 0x123, b"\x11\x22"),
    ]


def test_same_number_standard_and_extended_are_two_ids(tmp_path: Path) -> None:
    found = records(tmp_path, "(1.000000) can0 123#11\n(2.000000) can0 00000123#11\n")
    assert [one.flags for one in found if isinstance(one, Frame)] == [0, FrameFlags.EXTENDED.value]


def test_drop_note_names_its_channel_and_how_many(tmp_path: Path) -> None:
    content = "(1.000000) can0 123#11\nDROPCOUNT: dropped 1 CAN frame on 'can1' socket (total drops 8)\n"
    assert records(tmp_path, content)[1] == Drop(2, "can1", 1)


@pytest.mark.parametrize("comment", ["", "   ", "# a comment with (brackets)", "// more", "; and more"])
def test_comments_and_blank_lines_are_no_skips(tmp_path: Path, comment: str) -> None:
    assert len(records(tmp_path, f"(1.000000) can0 123#11\n{comment}\n(2.000000) can0 123#11\n")) == 2


@pytest.mark.parametrize("line", ["can0 123#11", " vcan0  1F334455#", "can0  123   [2]  11 22"])
def test_a_frame_without_a_time_is_skipped_as_such(tmp_path: Path, line: str) -> None:
    found = records(tmp_path, f"(1.000000) can0 123#11\n{line}\n")
    assert found[1] == Skip(2, "no timestamp; record with candump -L")


def test_screen_output_is_skipped_with_the_way_to_record(tmp_path: Path) -> None:
    found = records(tmp_path, "(1.000000) can0 123#11\n (002.000000)  can0  123   [2]  11 22\n".replace("\n ", "\n"))
    assert isinstance(found[1], Skip)
    assert "candump -L" in found[1].reason


BAD = {
    "no id sign": "(1.000000) can0 123",
    "odd digits": "(1.000000) can0 123#112",
    "not hexadecimal": "(1.000000) can0 123#1g",
    "four digits of id": "(1.000000) can0 1234#11",
    "no id": "(1.000000) can0 #11",
    "standard id above 7FF": "(1.000000) can0 800#11",
    "extended id above all": "(1.000000) can0 40000000#11",
    "nine bytes classic": "(1.000000) can0 123#112233445566778899",
    "65 bytes flexible": "(1.000000) can0 123##0" + "00" * 65,
    "flexible without flags": "(1.000000) can0 123##",
    "flexible remote": "(1.000000) can0 123##0R",
    "raw length after seven bytes": "(1.000000) can0 123#11223344556677_9",
    "raw length 8": "(1.000000) can0 123#1122334455667788_8",
    "remote of nine": "(1.000000) can0 123#R9",
    "remote error": "(1.000000) can0 20000004#R",
    "blank in the data": "(1.000000) can0 123#11 22",
    "form feed in the data": "(1.000000) can0 123#11\f22",
    "dot at the end": "(1.000000) can0 123#11.",
    "two dots": "(1.000000) can0 123#11..22",
    "more after it": "(1.000000) can0 123#11 R R",
    "lower case mark": "(1.000000) can0 123#11 r",
    "five decimals": "(1.00000) can0 123#11",
    "seven decimals": "(1.0000000) can0 123#11",
    "no seconds": "(.000000) can0 123#11",
    "sign": "(+1.000000) can0 123#11",
    "minus": "(-1.000000) can0 123#11",
    "underscore": "(1.00_000) can0 123#11",
    "other digits": "(1.00000²) can0 123#11",
    "too many seconds": "(99999999999999999999999.000000) can0 123#11",
    "just too many seconds": "(9223372037.000000) can0 123#11",
    "control character in the name": "(1.000000) ca\x07n0 123#11",
    "escape as separator": "(1.000000)\x1fcan0 123#11",
    "no bracket": "1.000000) can0 123#11",
    "bracket not closed": "(1.000000 can0 123#11",
    "no name": "(1.000000) 123#11",
    "zero byte": "(1.000000) can0 123#11\0",
}


@pytest.mark.parametrize("bad", BAD.values(), ids=BAD)
def test_a_bad_line_is_skipped_wherever_it_stands(tmp_path: Path, bad: str) -> None:
    good = "(1.000000) can0 123#11"
    lines = [good, bad, good, bad, good]
    found = records(tmp_path, "\n".join(lines) + "\n")
    assert [type(one) for one in found] == [Frame, Skip, Frame, Skip, Frame]
    assert [one.line for one in found] == [1, 2, 3, 4, 5]


def test_a_bad_first_line_is_skipped_by_its_number(tmp_path: Path) -> None:
    found = records(tmp_path, "(1.00000) can0 123#11\n(1.000000) can0 123#11\n")
    assert [type(one) for one in found] == [Skip, Frame]


def test_nothing_is_learned_from_a_bad_line(tmp_path: Path) -> None:
    """A line begun like a known one but without bracket, after the very same id."""
    lines = ["(1.000000) can0 123#11", "000002) can0 123#11", "(000003) can0 123#11", "\n000001) can0 123#11"]
    found = records(tmp_path, "\n".join(lines) + "\n")
    assert [type(one) for one in found] == [Frame, Skip, Skip, Skip]


@pytest.mark.parametrize("packed", ["plain", "gz", "zst", "gz twice"])
def test_compressed_text_reads_the_same(tmp_path: Path, packed: str) -> None:
    content = b"".join(b"(%d.000000) can0 123#%02X\n" % (i, i % 256) for i in range(1, 3000))
    made = {
        "plain": content,
        "gz": gzip.compress(content),
        "zst": zstandard.compress(content),
        "gz twice": gzip.compress(content[:1000]) + gzip.compress(content[1000:]),
    }
    name = {"plain": "x.log", "zst": "x.log.zst"}.get(packed, "x.log.gz")
    assert records(tmp_path, made[packed], name) == records(tmp_path, content, "y.log")


@pytest.mark.parametrize("packed", ["gz", "zst"])
def test_a_cut_compressed_file_gives_what_came_before_and_says_so(tmp_path: Path, packed: str) -> None:
    content = b"".join(b"(%d.%06d) can0 123#%016X\n" % (i, i * 7 % 10**6, i * i * 977) for i in range(1, 9000))
    whole = gzip.compress(content) if packed == "gz" else zstandard.compress(content)
    found = records(tmp_path, whole[: len(whole) // 2], f"x.log.{packed}")
    frames = [one for one in found if isinstance(one, Frame)]
    assert 10 < len(frames) < 8999
    assert [one.t // 10**9 for one in frames] == list(range(1, len(frames) + 1))
    reasons = [one.reason for one in found if isinstance(one, Skip)]
    assert reasons[-1] == "the compressed file is cut off at its end; what came before is read"
    assert len(reasons) <= 2


def test_a_damaged_compressed_file_gives_what_came_before_and_says_so(tmp_path: Path) -> None:
    content = b"".join(b"(%d.%06d) can0 123#%016X\n" % (i, i * 7 % 10**6, i * i * 977) for i in range(1, 9000))
    whole = bytearray(gzip.compress(content))
    whole[len(whole) // 2 : len(whole) // 2 + 40] = b"\xff" * 40
    found = records(tmp_path, bytes(whole), "x.log.gz")
    assert any(isinstance(one, Frame) for one in found)
    assert isinstance(found[-1], Skip)
    assert "damaged" in found[-1].reason


def test_a_cut_last_line_does_not_pass_for_a_shorter_frame(tmp_path: Path) -> None:
    found = records(tmp_path, "(1.000000) can0 123#1122334455667788\n(2.000000) can0 123#1122")
    assert found[1] == Skip(2, "the last line is cut off")


def test_a_last_line_without_its_end_counts_if_it_is_whole(tmp_path: Path) -> None:
    found = records(tmp_path, "(1.000000) can0 123#1122\n(2.000000) can0 123#1123")
    assert [type(one) for one in found] == [Frame, Frame]


def test_a_byte_order_mark_is_no_part_of_the_first_line(tmp_path: Path) -> None:
    assert [type(one) for one in records(tmp_path, b"\xef\xbb\xbf(1.000000) can0 123#11\n")] == [Frame]


def test_an_endless_line_is_one_skip_and_what_follows_is_found(tmp_path: Path) -> None:
    good = b"(1.000000) can0 123#11\n"
    found = records(tmp_path, good + b"A" * (1 << 20) + b"\n" + good)
    assert [type(one) for one in found] == [Frame, Skip, Frame]
    assert found[2].line == 3
    assert isinstance(found[2], Frame)
    assert found[2].offset == len(good) + (1 << 20) + 1


def test_pieces_meet_in_the_middle_of_lines(tmp_path: Path) -> None:
    """Longer than several reads of the file, with lines of many lengths."""
    content = "".join(f"({i // 7}.{i:06d}) can{i % 3} {i % 2048:03X}#{'AB' * (i % 9)}\n" for i in range(30_000))
    found = records(tmp_path, content)
    assert len(found) == 30_000
    assert all(isinstance(one, Frame) and len(one.data) == i % 9 for i, one in enumerate(found))
    offsets = [one.offset for one in found if isinstance(one, Frame)]
    assert all(content[offset] == "(" for offset in offsets)
