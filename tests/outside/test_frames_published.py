"""CAN frames, candump text and bits on the bus, against published texts and independent libraries."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from can import Message
from can.util import dlc2len, len2dlc

from latchtrace.capture.bits import crc15, exact_bits, most_bits, nominal_bits
from latchtrace.capture.reader import find_captures, scan
from latchtrace.model.frames import ERROR_BIT, EXTENDED_MAX, STANDARD_MAX, Drop, Frame, FrameFlags, Skip

EXT, REMOTE, ERROR, FD, BRS, ESI, SENT = (
    FrameFlags.EXTENDED.value,
    FrameFlags.REMOTE.value,
    FrameFlags.ERROR.value,
    FrameFlags.FD.value,
    FrameFlags.BRS.value,
    FrameFlags.ESI.value,
    FrameFlags.SENT.value,
)


def records(tmp_path: Path, *lines: str) -> list[Frame | Skip | Drop]:
    """What candump lines read as."""
    path = tmp_path / "x.log"
    path.write_text("".join(line + "\n" for line in lines))
    (source,) = find_captures([str(path)])
    found: list[Frame | Skip | Drop] = []
    for block in source.format.read(source.open()):
        found += [*block.frames, *(note for _, note in block.notes)]
    return sorted(found, key=lambda one: one.line)


def frame(tmp_path: Path, text: str) -> Frame:
    """The frame of a line with this frame text."""
    (found,) = records(tmp_path, f"(1700000000.000000) can0 {text}")
    assert isinstance(found, Frame), found
    return found


# ISO 11898-1, table of data length codes of CAN FD (clause from memory); python-can 4.6.1 `dlc2len`, `len2dlc`.
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def test_every_length_of_the_flexible_data_rate_is_read(tmp_path: Path) -> None:
    for code, length in enumerate(FD_LENGTHS):
        assert dlc2len(code) == length
        found = frame(tmp_path, "123##0" + "5A" * length)
        assert (len(found.data), found.dlc, found.flags) == (length, length, FD)


@pytest.mark.parametrize(
    ("length", "code"),
    [(9, 9), (12, 9), (13, 10), (17, 11), (21, 12), (25, 13), (33, 14), (49, 15), (64, 15)],
)
def test_lengths_round_up_to_the_next_code_as_in_python_can(length: int, code: int) -> None:
    """python-can 4.6.1 `len2dlc`, which turns lengths back into the raw codes of .asc files."""
    assert len2dlc(length) == code


@pytest.mark.parametrize("code", "9ABCDEF")
def test_raw_codes_above_eight_of_a_classic_frame_mean_eight_bytes(tmp_path: Path, code: str) -> None:
    """ISO 11898-1 ch. 8.4.2.3, as quoted in Linux "can: add optional DLC element to Classical CAN frame structure"."""
    found = frame(tmp_path, f"123#1122334455667788_{code}")
    assert (len(found.data), found.dlc) == (8, int(code, 16))


def test_id_ranges_and_flags_are_those_of_linux() -> None:
    """linux/can.h: CAN_SFF_MASK, CAN_EFF_MASK, CAN_ERR_FLAG."""
    assert (STANDARD_MAX, EXTENDED_MAX, ERROR_BIT) == (0x7FF, 0x1FFFFFFF, 0x20000000)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("800#", {"arbitration_id": 0x800, "is_extended_id": False}),
        ("40000000#", {"arbitration_id": 0x20000000}),
        ("123#112233445566778899", {"is_extended_id": False, "data": bytes(9), "dlc": 9}),
        ("123##0" + "00" * 65, {"is_extended_id": False, "data": bytes(65), "dlc": 65, "is_fd": True}),
        ("123##0R", {"is_extended_id": False, "is_fd": True, "is_remote_frame": True}),
    ],
)
def test_what_linux_and_python_can_refuse_is_refused(tmp_path: Path, text: str, message: dict[str, object]) -> None:
    """linux/can.h masks; python-can 4.6.1 `Message(check=True)`."""
    with pytest.raises(ValueError):
        Message(check=True, **message)  # type: ignore[arg-type]
    (found,) = records(tmp_path, f"(1700000000.000000) can0 {text}")
    assert isinstance(found, Skip)


@pytest.mark.parametrize("text", ["7FF#", "1FFFFFFF#"])
def test_the_highest_ids_are_read(tmp_path: Path, text: str) -> None:
    """linux/can.h masks."""
    assert frame(tmp_path, text).can_id == int(text[:-1], 16)


# can-utils candump.c (what -l and -x write), canplayer.c (6 or 9 decimals, else refused; comments), git head.
@pytest.mark.parametrize(
    ("line", "t"),
    [
        ("(1700000000.123456) can0 123#11", 1_700_000_000_123_456_000),
        ("(0000000001.000001) can0 123#11", 1_000_001_000),
        ("(1700000000.123456789) can0 123#11", 1_700_000_000_123_456_789),
        ("(1700000000.123456) can0 123#11 R", 1_700_000_000_123_456_000),
        ("(1700000000.123456) can0 123#11 T", 1_700_000_000_123_456_000),
        ("(1700000000.12345) can0 123#11", None),
        ("(1700000000.1234567) can0 123#11", None),
    ],
)
def test_a_log_line_is_read_as_candump_writes_and_canplayer_reads_it(tmp_path: Path, line: str, t: int | None) -> None:
    (found,) = records(tmp_path, line)
    assert (found.t if isinstance(found, Frame) else None) == t


def test_lines_that_do_not_begin_with_a_bracket_are_no_frames(tmp_path: Path) -> None:
    """can-utils canplayer.c skips them as comments; so do we, but say so where they look like frames."""
    found = records(tmp_path, "# can0 123#11", "", "can0 123#11", "(1700000000.000000) can0 123#11")
    assert [type(one) for one in found] == [Skip, Frame]


# can-utils lib.h, comment on the ASCII form of frames (git head).
@pytest.mark.parametrize(
    ("text", "can_id", "flags", "data", "dlc"),
    [
        ("123#", 0x123, 0, "", 0),
        ("123#R7", 0x123, REMOTE, "", 7),
        ("7A1#r", 0x7A1, REMOTE, "", 0),
        ("123#1122334455667788_E", 0x123, 0, "1122334455667788", 14),
        ("123#11.2233.44556677.88", 0x123, 0, "1122334455667788", 8),
        ("123##0112233", 0x123, FD, "112233", 3),
        ("123##1112233", 0x123, FD | BRS, "112233", 3),
        ("123##2112233", 0x123, FD | ESI, "112233", 3),
        ("123##3", 0x123, FD | BRS | ESI, "", 0),
        ("00000123#00", 0x123, EXT, "00", 1),
        ("32345678#112233", 0x12345678, ERROR, "112233", 3),
        # cantools 45.1.0 tests/test_logreader.py
        ("1FFFFFFF#F0", 0x1FFFFFFF, EXT, "F0", 1),
        ("20000004#0000000000000000", 4, ERROR, "0000000000000000", 8),
        ("20000080#0000000000000000", 0x80, ERROR, "0000000000000000", 8),
    ],
)
def test_frame_text_means_what_can_utils_says(
    tmp_path: Path, text: str, can_id: int, flags: int, data: str, dlc: int
) -> None:
    found = frame(tmp_path, text)
    assert (found.can_id, found.flags, found.data, found.dlc) == (can_id, flags, bytes.fromhex(data), dlc)


@pytest.mark.parametrize("text", ["123#112", "1234#11", "x", "123#112233445566778899"])
def test_malformed_frames_are_reported_with_their_line(tmp_path: Path, text: str) -> None:
    """The grammar above; can-utils 2020.11 log2long refuses the first two."""
    good = "(1700000000.000000) can0 123#11"
    found = records(tmp_path, good, f"(1700000000.000000) can0 {text}")
    assert isinstance(found[1], Skip)
    assert found[1].line == 2


def test_dropped_frames_make_a_gap_on_their_channel(tmp_path: Path) -> None:
    """can-utils candump.c writes exactly this line into the log (-d with -l)."""
    path = tmp_path / "x.log"
    path.write_text(
        "(1700000000.000000) can0 123#11\n(1700000000.000000) can1 123#11\n"
        "DROPCOUNT: dropped 5 CAN frames on 'can0' socket (total drops 5)\n"
        "(1700000001.000000) can0 123#11\n(1700000001.000000) can1 123#11\n"
    )
    (gap,) = scan(find_captures([str(path)])).gaps
    assert (gap.channel, gap.frames_lost, gap.span.width) == ("can0", 5, 10**9)


def test_cantools_own_log_lines_read_as_its_tests_say(cantools_sdist: Path, tmp_path: Path) -> None:
    """Each candump log line in cantools 45.1.0 tests/test_logreader.py that has an absolute time.

    Some of them have more than 8 bytes in a classic frame, which no bus carries: refused here.
    """
    text = (cantools_sdist / "tests" / "test_logreader.py").read_text()
    lines = re.findall(r"\(\d{10}\.\d{6}\) \S+ [0-9A-Fa-f]+#[^\s\"'\\]*", text)
    assert len(lines) > 10
    found = records(tmp_path, *lines)
    assert len(found) == len(lines)
    for one, line in zip(found, lines, strict=True):
        digits, data = line.split()[2].split("#", 1)
        if re.fullmatch("[0-9A-Fa-f]{17,}", data):
            assert isinstance(one, Skip)
            continue
        assert isinstance(one, Frame), line
        assert one.channel == line.split()[1]
        assert one.can_id == int(digits, 16) & EXTENDED_MAX
        if re.fullmatch("(?:[0-9A-Fa-f]{2})*", data):
            assert one.data == bytes.fromhex(data)


# Linux include/linux/can/length.h, field table; can-utils canframelen.c (interframe space included).
def test_bits_without_stuffing() -> None:
    assert [nominal_bits(n, extended=False) for n in (0, 8)] == [47, 111]
    assert [nominal_bits(n, extended=True) for n in (0, 8)] == [67, 131]


# Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007) 239-272, equations (1) to (3), as cited with both
# formulas in can-utils canframelen.h.
def test_most_bits() -> None:
    assert [most_bits(n, extended=False) for n in range(9)] == [55, 65, 75, 85, 95, 105, 115, 125, 135]
    assert [most_bits(n, extended=True) for n in range(9)] == [80, 90, 100, 110, 120, 130, 140, 150, 160]


def bits(text: str) -> int:
    """The exact bits of a data frame written as id#data."""
    digits, data = text.split("#")
    return exact_bits(int(digits, 16), len(digits) == 8, bytes.fromhex(data))


# Values of an own model that agreed with can-utils canframelen.c CFL_EXACT on 1500 random frames.
@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("000#0000000000000000", 127),
        ("7FF#FFFFFFFFFFFFFFFF", 126),
        ("123#1122334455667788", 112),
        ("7DF#02010D5555555555", 115),
        ("7E8#03410D32AAAAAAAA", 115),
        ("000#", 53),
        ("18DB33F1#02010D5555555555", 135),
        ("18DAF110#03410D32AAAAAAAA", 134),
        ("00000000#0000000000000000", 150),
    ],
)
def test_exact_bits_are_those_of_can_utils(text: str, want: int) -> None:
    assert bits(text) == want
    digits, data = text.split("#")
    extended, length = len(digits) == 8, len(data) // 2
    assert nominal_bits(length, extended) <= want <= most_bits(length, extended)


@pytest.mark.parametrize("name", ["logfile.asc", "issue_1299.asc"])
def test_exact_bits_are_those_a_recorder_counted(python_can_sdist: Path, name: str) -> None:
    """`BitCount` of the frames in python-can 4.6.1 test/data; the file's own 6F9 differs from every model."""
    pattern = re.compile(r"\s([0-9A-F]+)(x?)\s+[RT]x\s+d ([0-9A-F]) ((?:[0-9A-F]{2} ){8}).*BitCount = (\d+)")
    counted = {}
    for line in (python_can_sdist / "test" / "data" / name).read_text().splitlines():
        if found := pattern.search(line):
            counted[found[1], bool(found[2]), found[3], bytes.fromhex(found[4])] = int(found[5])
    counted = {key: value for key, value in counted.items() if key[0] != "6F9"}
    assert len(counted) >= 4
    for (digits, extended, code, data), want in counted.items():
        assert exact_bits(int(digits, 16), extended, data, dlc=int(code, 16)) == want


def test_crc15_of_the_usual_check_string() -> None:
    """crccheck 1.3.1 `Crc15Can` (polynomial 0x4599) gives 0x059E."""
    assert crc15(b"123456789") == 0x059E


def test_crc15_is_that_of_an_independent_library() -> None:
    crc = pytest.importorskip("crccheck.crc")
    for data in (b"", b"\x00", b"\xff" * 12, bytes(range(100))):
        assert crc15(data) == crc.Crc15Can.calc(data)


def test_bus_load_of_a_hundred_frames_a_second(tmp_path: Path) -> None:
    """By arithmetic from the rows above: 115 of 5000 bits a frame at 500 kbit/s is 2.30 %, at least 2.22 %."""
    path = tmp_path / "x.log"
    path.write_text("".join(f"({n // 100}.{n % 100:02d}0000) can0 7DF#02010D5555555555\n" for n in range(10_001)))
    ((_, load),) = scan(find_captures([str(path)]), bit_rates={"can0": 500_000}).bus_load
    assert load == pytest.approx(0.0230, abs=0.00001)
    assert nominal_bits(8, extended=False) * 100 / 500_000 == pytest.approx(0.0222)
    assert most_bits(8, extended=False) * 100 / 500_000 == pytest.approx(0.0270)
