"""Every capture in python-can 4.6.1's own test data: how many frames, and that each is what python-can reads."""

from __future__ import annotations

from pathlib import Path

import can
import pytest

from latchtrace.capture.reader import find_captures, read_frames, scan
from latchtrace.model.frames import FrameFlags

# Counted with python-can's own readers.
FRAMES = {
    "issue_1256.asc": 1457,
    "logfile.asc": 20,
    "logfile_errorframes.asc": 12,
    "issue_1299.asc": 4,
    "test_CanMessage.asc": 2,
    "test_CanMessage.asc.gz": 2,
    "single_frame.asc": 1,
    "single_frame_us_locale.asc": 1,
    "test_CanRemoteMessage.asc": 3,
    "test_CanErrorFrames.asc": 4,
    "test_CanFdMessage.asc": 3,
    "test_CanFdMessage64.asc": 2,
    "test_CanFdRemoteMessage.asc": 1,
    "test_CanMessage.blf": 2,
    "test_CanMessage2.blf": 2,
    "test_CanFdMessage.blf": 2,
    "test_CanFdMessage64.blf": 2,
    "test_CanErrorFrameExt.blf": 2,
    "issue_1905.blf": 22,
    "test_CanMessage.trc": 2,
    "test_CanMessage_V1_0_BUS1.trc": 11,
    "test_CanMessage_V1_1.trc": 11,
    "test_CanMessage_V1_3.trc": 11,
    "test_CanMessage_V2_0_BUS1.trc": 11,
    "test_CanMessage_V2_1.trc": 11,
}
KNOWN = {".asc", ".blf", ".trc", ".gz"}


@pytest.fixture
def data(python_can_sdist: Path) -> Path:
    """The folder of python-can's captures."""
    return python_can_sdist / "test" / "data"


def test_no_capture_of_the_folder_is_left_out(data: Path) -> None:
    assert {file.name for file in data.iterdir() if file.suffix in KNOWN} == set(FRAMES)


@pytest.mark.parametrize("name", FRAMES)
def test_the_number_of_frames_is_that_of_python_can(data: Path, name: str) -> None:
    report = scan(find_captures([str(data / name)]))
    assert report.frames == FRAMES[name]
    assert sum(1 for _ in can.LogReader(data / name)) == FRAMES[name]


@pytest.mark.parametrize("name", FRAMES)
def test_no_line_of_them_is_skipped(data: Path, name: str) -> None:
    assert scan(find_captures([str(data / name)])).skipped == ()


@pytest.mark.parametrize("name", FRAMES)
def test_each_frame_is_what_python_can_reads(data: Path, name: str) -> None:
    read = sorted(read_frames(find_captures([str(data / name)])), key=lambda one: one[1].line)
    for (_, frame), message in zip(read, can.LogReader(data / name), strict=True):
        assert frame.can_id == message.arbitration_id
        assert frame.data == bytes(message.data)
        assert bool(frame.flags & FrameFlags.REMOTE) == message.is_remote_frame
        assert bool(frame.flags & FrameFlags.ERROR) == message.is_error_frame
        assert bool(frame.flags & FrameFlags.FD) == message.is_fd
        assert bool(frame.flags & FrameFlags.SENT) == (not message.is_rx)
        if not message.is_error_frame and frame.can_id <= 0x7FF:
            assert bool(frame.flags & FrameFlags.EXTENDED) == message.is_extended_id


def test_a_raw_length_code_comes_back_as_written(data: Path) -> None:
    """issue_1299.asc, id 3FF: raw code D and 8 bytes; python-can's own reader gives a length of 32 there."""
    frames = {frame.can_id: frame for _, frame in read_frames(find_captures([str(data / "issue_1299.asc")]))}
    assert (frames[0x3FF].dlc, len(frames[0x3FF].data)) == (13, 8)


def test_the_ten_millisecond_id_is_found_to_be_cyclic(data: Path) -> None:
    """issue_1256.asc: id 64 comes about every 10 ms."""
    report = scan(find_captures([str(data / "issue_1256.asc")]))
    assert len(report.ids) == 6
    period = {one.can_id: one.period for one in report.ids}[0x64]
    assert period == pytest.approx(10_000_000, rel=0.05)
    assert report.files[0].first == 1_401_206_975_019_968_000  # 27 May 2014, 04:09:35 pm in the header, + 19.968 ms


@pytest.mark.parametrize("name", FRAMES)
def test_its_content_tells_the_format_under_any_name(data: Path, name: str, tmp_path: Path) -> None:
    copy = tmp_path / "renamed"
    copy.write_bytes((data / name).read_bytes())
    assert scan(find_captures([str(copy)])).frames == FRAMES[name]
