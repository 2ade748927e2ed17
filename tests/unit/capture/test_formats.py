"""Each capture format, held to what every format reader must do, and to what is its own."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import can
import pytest
from can import Message

from latchtrace.capture.formats import FORMATS
from latchtrace.capture.formats.asc import date_ns
from latchtrace.capture.reader import find_captures, scan
from latchtrace.errors import CaptureError, MissingExtraError
from latchtrace.model.frames import FrameFlags
from support.format_reader import START, FormatReaderTest, message, read_all, some


class TestCandumpText(FormatReaderTest):
    """Candump text, written by python-can."""

    extension = ".log"
    channel = "vcan0"

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.CanutilsLogWriter(path, channel="vcan0") as writer:
            for one in messages:
                one.channel = None
                writer.on_message_received(one)


class TestAsc(FormatReaderTest):
    """.asc text."""

    extension = ".asc"
    channel = "1"
    error = True
    resolution = 1_000_000  # the header's date has milliseconds, the writer cuts them

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.ASCWriter(path) as writer:
            for one in messages:
                writer.on_message_received(one)


class TestTrc(FormatReaderTest):
    """.trc text."""

    extension = ".trc"
    channel = "1"
    remote = error = flexible = False
    resolution = 2_000

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.TRCWriter(path) as writer:
            for one in messages:
                writer.on_message_received(one)


class TestCsv(FormatReaderTest):
    """.csv text."""

    extension = ".csv"
    channel = "unnamed"
    sent = False

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.CSVWriter(path) as writer:
            for one in messages:
                writer.on_message_received(one)

    def spoil(self, line: bytes) -> bytes:
        return line.replace(b",", b";", 1)


class TestBlf(FormatReaderTest):
    """.blf."""

    extension = ".blf"
    channel = "1"
    text = False
    grain = 1

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.BLFWriter(path) as writer:
            writer.max_container_size = 2048
            for one in messages:
                writer.on_message_received(one)


class TestDb(FormatReaderTest):
    """.db."""

    extension = ".db"
    channel = "unnamed"
    text = False
    sent = False

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        path.unlink(missing_ok=True)
        writer = can.SqliteWriter(path)
        for one in messages:
            writer.on_message_received(one)
        writer.stop()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # of the package, on damaged files
class TestMf4(FormatReaderTest):
    """.mf4, where the package it needs is installed."""

    extension = ".mf4"
    text = False

    @pytest.fixture(autouse=True)
    def _needs(self) -> None:
        pytest.importorskip("asammdf")

    def write(self, path: Path, messages: Sequence[Message]) -> None:
        with can.MF4Writer(path, database=None) as writer:
            for one in messages:
                writer.on_message_received(one)


def test_every_format_is_held_to_the_shared_test() -> None:
    tested = {one.extension for one in FormatReaderTest.__subclasses__()}
    assert all(tested & set(entry.extensions) for entry in FORMATS)


def test_mf4_without_its_package_says_how_to_install_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("latchtrace.capture.formats.mf4.find_spec", lambda name: None)
    (tmp_path / "x.mf4").write_bytes(b"MDF     4.10" + bytes(100))
    with pytest.raises(MissingExtraError, match=r"pip install 'latchtrace\[mf4\]'"):
        scan(find_captures([str(tmp_path / "x.mf4")]))


@pytest.mark.parametrize(
    ("text", "date"),
    [
        ("Sep 30 15:06:13.191 2017", 1_506_783_973_191_000_000),
        ("Sep 30 15:06:13 2017", 1_506_783_973_000_000_000),
        ("Apr 28 10:44:52.480 am 2022", 1_651_142_692_480_000_000),
        ("Mär 28 10:44:52.480 pm 2022", 1_648_507_492_480_000_000),
        ("Lenz 28 10:44:52.480 pm 2022", None),
        ("Feb 30 10:44:52 2022", None),
    ],
)
def test_dates_of_asc_headers_are_utc(text: str, date: int | None) -> None:
    assert date_ns(text) == date


ASC = """date Sat Sep 30 15:06:13.191 2017
base hex  timestamps {kind}
internal events logged
Begin Triggerblock Sat Sep 30 15:06:13.191 2017
   0.000000 Start of measurement
   0.500000 1  123             Rx   d 2 11 22
   0.250000 CAN 1 Status:chip status error active
   0.250000 2  1ABCDEFx        Tx   d D 01 02 03 04 05 06 07 08
End TriggerBlock
"""


def test_asc_relative_times_add_up_over_all_lines(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    begin = 1_506_783_973_191_000_000
    path.write_text(ASC.format(kind="relative"))
    assert [one.t - begin for one in read_all(path)[0]] == [500_000_000, 1_000_000_000]
    path.write_text(ASC.format(kind="absolute"))
    assert [one.t - begin for one in read_all(path)[0]] == [500_000_000, 250_000_000]


def test_asc_times_keep_all_their_decimals(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    path.write_text(ASC.format(kind="absolute").replace("0.500000 1", "98765.123456789 1"))
    assert read_all(path)[0][0].t % 10**9 == (191_000_000 + 123_456_789) % 10**9


def test_asc_raw_length_codes_of_classic_frames_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    path.write_text(ASC.format(kind="absolute"))
    frame = read_all(path)[0][1]
    assert (frame.channel, frame.can_id, len(frame.data), frame.dlc) == ("2", 0x1ABCDEF, 8, 13)
    assert frame.flags == (FrameFlags.EXTENDED | FrameFlags.SENT).value


@pytest.mark.parametrize(
    "bad",
    [
        "0.6 1 123 Rx d 8 11 22",
        "0.6 1 123 Rx d 2 11 GG",
        "0.6 1 Latch Rx d 2 11 22",
        "0.6 1 FFF Rx d 1 11",
        "0.6 1 123 Rx q",
        "0.6 1 123 Rx",
        "0.6 CANFD 1 Rx 123 0 0 9 13 11 22",
    ],
)
def test_asc_lines_that_should_be_frames_are_skipped_and_counted(tmp_path: Path, bad: str) -> None:
    path = tmp_path / "x.asc"
    path.write_text(ASC.format(kind="absolute").replace("   0.250000 CAN", f"   {bad}\n   0.250000 CAN"))
    frames, skips = read_all(path)
    assert len(frames) == 2
    assert [skip.line for skip in skips] == [7]


def test_asc_other_events_are_no_skips(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    more = (
        "   1.0 1  Statistic: D 2 R 0 XD 0 XR 0 E 0 O 0 B 0.04%\n   1.1 1  J1939TP FEE3p 6 0 0 - Rx d 2 A0 0F\n// Rx\n"
    )
    path.write_text(ASC.format(kind="absolute").replace("End", more + "End"))
    assert [len(part) for part in read_all(path)] == [2, 0]


def test_asc_that_ends_inside_its_measurement_is_said_to_be_cut(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    path.write_text(ASC.format(kind="absolute").removesuffix("End TriggerBlock\n"))
    frames, skips = read_all(path)
    assert len(frames) == 2
    assert ["cut off" in skip.reason for skip in skips] == [True]


def test_many_bad_lines_are_read_in_bounded_portions(tmp_path: Path) -> None:
    path = tmp_path / "x.asc"
    bad = "   1.0 1  bad Rx\n" * 5000
    path.write_text(ASC.format(kind="absolute").replace("End", bad + "   2.0 1 124 Rx d 1 11\nEnd"))
    frames, skips = read_all(path)
    assert (len(frames), len(skips)) == (3, 5000)


def test_trc_other_records_are_no_skips_and_broken_ones_are(tmp_path: Path) -> None:
    path = tmp_path / "x.trc"
    path.write_text(
        ";$FILEVERSION=1.1\n;$STARTTIME=44548.6028595139\n"
        "     1)     17535.4  Tx     00000100  8  00 00 00 00 00 00 00 00 \n"
        "     2)     17540.3  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY \n"
        "     3)     17700.3  Tx     00000100  8  00 00 00\n"
        "     4)     17701.3\n"
        "     5)     17702.3  Rx         0704  1  RTR\n"
    )
    frames, skips = read_all(path)
    assert [frame.line for frame in frames] == [3, 7]
    assert [skip.line for skip in skips] == [5, 6]


def test_trc_times_are_rounded_to_microseconds_from_its_start(tmp_path: Path) -> None:
    path = tmp_path / "x.trc"
    path.write_text(";$FILEVERSION=1.1\n;$STARTTIME=43008.5\n     1)  17535.4  Tx  00000100  0  \n")
    ((frame,), _) = read_all(path)
    noon = (43008 - 25569) * 86_400 + 43_200  # 1970-01-01 is day 25569 of that calendar
    assert frame.t == noon * 10**9 + 17_535_400_000


def test_csv_times_are_exact_as_written(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    head = "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
    path.write_text(head + "1483389946.197253,0x1,0,0,0,1,EQ==\n1483389946.2,0x1,0,0,0,1,EQ==\nnan,0x1,0,0,0,1,EQ==\n")
    frames, skips = read_all(path)
    assert [frame.t for frame in frames] == [1_483_389_946_197_253_000, 1_483_389_946_200_000_000]
    assert [skip.line for skip in skips] == [4]


def test_csv_and_db_frames_of_more_than_eight_bytes_are_flexible(tmp_path: Path) -> None:
    for case in (TestCsv(), TestDb()):
        messages = [message(0), message(3, is_fd=True, data=bytes(20), dlc=20)]
        frames, skips = read_all(case.made(tmp_path, messages))
        assert [frame.flags for frame in frames] == [0, FrameFlags.FD.value]
        assert skips == []


def test_blf_times_are_exact_from_the_start_of_the_file(tmp_path: Path) -> None:
    messages = [message(number, timestamp=START + number * 0.000_001) for number in range(50)]
    frames, _ = read_all(TestBlf().made(tmp_path, messages))
    # float64 seconds of this size step by 238 ns, so each is written within that of the microsecond meant
    assert all(abs(frame.t - frames[0].t - number * 1000) <= 500 for number, frame in enumerate(frames))
    assert len({frame.t for frame in frames}) == 50


def test_blf_cut_between_its_objects_is_noticed(tmp_path: Path) -> None:
    path = TestBlf().made(tmp_path, some(400))
    content = path.read_bytes()
    path.write_bytes(content[: content.rindex(b"LOBJ") + 40])
    report = scan(find_captures([str(path)]))
    assert 0 < report.frames < 400
    assert report.files[0].skipped == 1


def test_a_database_without_the_table_is_no_capture(tmp_path: Path) -> None:
    path = tmp_path / "x.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE other (x)")
        connection.commit()
    with pytest.raises(CaptureError, match="no frame could be read"):
        scan(find_captures([str(path)]))


def test_reading_a_database_changes_nothing_beside_it(tmp_path: Path) -> None:
    path = TestDb().made(tmp_path, some(20))
    before = path.read_bytes()
    read_all(path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == [path.name]
