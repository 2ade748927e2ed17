"""What every format reader must do; each format subclasses `FormatReaderTest` and says how its files are written."""

from __future__ import annotations

import gzip
import random
from abc import ABC, abstractmethod
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

import pytest
import zstandard
from can import Message

from latchtrace.capture.reader import find_captures, scan
from latchtrace.model.frames import Frame, FrameFlags, Skip

START = 1_700_000_000


def message(number: int, **more: object) -> Message:
    """The n-th of some data frames, 10 ms and a bit apart."""
    extended = number % 3 == 1
    settings: dict[str, object] = {
        "timestamp": START + number * 0.010_125,
        "arbitration_id": (0x18DA0000 + number) if extended else (0x100 + number % 0x600),
        "is_extended_id": extended,
        "data": bytes((number * 7 + i) % 256 for i in range(number % 9)),
        "channel": 0,
        **more,
    }
    return Message(**settings)  # type: ignore[arg-type]


def some(count: int) -> list[Message]:
    """Data frames of all lengths, standard and extended."""
    return [message(number) for number in range(count)]


def read_all(path: Path) -> tuple[list[Frame], list[Skip]]:
    """Frames and skips of one file."""
    (source,) = find_captures([str(path)])
    frames: list[Frame] = []
    skips: list[Skip] = []
    for block in source.format.read(source.open()):
        frames += block.frames
        skips += [note for _, note in block.notes if isinstance(note, Skip)]
    return frames, skips


class FormatReaderTest(ABC):
    """The tests; a subclass sets what its format keeps."""

    extension: ClassVar[str]
    text: ClassVar[bool] = True
    channel: ClassVar[str | None] = None
    absolute: ClassVar[bool] = True
    remote: ClassVar[bool] = True
    error: ClassVar[bool] = True
    flexible: ClassVar[bool] = True
    sent: ClassVar[bool] = True
    resolution: ClassVar[int] = 1000  # nanoseconds a time may be off, here or in the writer
    grain: ClassVar[int] = 1000  # nanoseconds a time is a multiple of

    @abstractmethod
    def write(self, path: Path, messages: Sequence[Message]) -> None:
        """Write a file of this format."""

    def made(self, folder: Path, messages: Sequence[Message]) -> Path:
        """A file with these messages."""
        path = folder / f"x{self.extension}"
        self.write(path, messages)
        return path

    def same(self, frame: Frame, wanted: Message, first: Message) -> None:
        """Hold a frame against the message it was written from."""
        assert frame.can_id == wanted.arbitration_id
        assert frame.data == bytes(wanted.data)
        assert bool(frame.flags & FrameFlags.EXTENDED) == wanted.is_extended_id
        if not wanted.is_remote_frame:
            assert frame.dlc == wanted.dlc
        since = 0.0 if self.absolute else first.timestamp
        assert frame.t == pytest.approx((wanted.timestamp - since) * 1e9, abs=self.resolution)
        assert frame.t % self.grain == 0
        if self.channel is not None:
            assert frame.channel == self.channel

    def test_data_frames_are_read_in_full(self, tmp_path: Path) -> None:
        messages = some(40)
        frames, skips = read_all(self.made(tmp_path, messages))
        assert skips == []
        assert len(frames) == len(messages)
        for frame, wanted in zip(frames, messages, strict=True):
            self.same(frame, wanted, messages[0])
            assert not frame.flags & ~FrameFlags.EXTENDED

    def test_the_content_tells_the_format(self, tmp_path: Path) -> None:
        path = self.made(tmp_path, some(5))
        other = path.rename(tmp_path / "renamed.bin")
        report = scan(find_captures([str(other)]))
        assert report.frames == 5
        assert self.extension in find_captures([str(other)])[0].format.extensions

    @pytest.mark.parametrize("packing", ["gz", "zst"])
    def test_a_compressed_file_reads_the_same(self, tmp_path: Path, packing: str) -> None:
        path = self.made(tmp_path, some(200))
        content = path.read_bytes()
        packed = tmp_path / f"{path.name}.{packing}"
        packed.write_bytes(gzip.compress(content) if packing == "gz" else zstandard.compress(content))
        assert read_all(packed) == read_all(path)

    def test_records_are_numbered_and_lines_found_again(self, tmp_path: Path) -> None:
        path = self.made(tmp_path, some(30))
        frames, _ = read_all(path)
        numbers = [frame.line for frame in frames]
        assert numbers == sorted(set(numbers))
        assert numbers[0] >= 1
        content = path.read_bytes()
        for frame in frames:
            if self.text:
                assert content[: frame.offset].count(b"\n") == frame.line - 1
                assert content[frame.offset - 1 : frame.offset] in (b"", b"\n")
            else:
                assert frame.offset == -1

    def test_a_cut_file_gives_what_came_before_and_says_so(self, tmp_path: Path) -> None:
        messages = some(400)
        path = self.made(tmp_path, messages)
        whole, _ = read_all(path)
        content = path.read_bytes().rstrip(b"\r\n")
        end = content.rindex(b"\n", 0, content.rindex(b"\n")) - 9 if self.text else len(content) * 3 // 5
        path.write_bytes(content[:end])
        frames, skips = read_all(path)
        assert frames == whole[: len(frames)]
        assert len(frames) < len(whole)
        assert len(frames) > 390 or not self.text

        assert 1 <= len(skips) <= 2  # the line cut, and that the end is missing

    @pytest.mark.parametrize("seed", range(12))
    def test_damage_never_ends_in_an_error(self, tmp_path: Path, seed: int) -> None:
        rng = random.Random(seed)
        path = self.made(tmp_path, some(300))
        content = bytearray(path.read_bytes())
        for _ in range(1 + seed):
            at = rng.randrange(min(64, len(content) // 4), len(content))
            content[at : at + rng.randrange(1, 9)] = rng.randbytes(rng.randrange(0, 12))
        path.write_bytes(bytes(content))
        frames, _ = read_all(path)
        for frame in frames:
            assert 0 <= frame.can_id <= 0x1FFFFFFF
            assert len(frame.data) <= 64
            assert abs(frame.t) < 2**63

    def test_remote_frames_are_told_as_such(self, tmp_path: Path) -> None:
        if not self.remote:
            pytest.skip("the format has none, or its writer leaves them out")
        messages = [message(0), message(3, is_remote_frame=True, data=b"", dlc=4), message(6)]
        frames, _ = read_all(self.made(tmp_path, messages))
        assert [bool(frame.flags & FrameFlags.REMOTE) for frame in frames] == [False, True, False]
        assert frames[1].data == b""

    def test_error_frames_are_told_as_such(self, tmp_path: Path) -> None:
        if not self.error:
            pytest.skip("the format has none, or its writer leaves them out")
        messages = [message(0), message(3, is_error_frame=True, data=b"", arbitration_id=0x80), message(6)]
        frames, _ = read_all(self.made(tmp_path, messages))
        assert [bool(frame.flags & FrameFlags.ERROR) for frame in frames] == [False, True, False]

    def test_flexible_frames_are_read_in_full(self, tmp_path: Path) -> None:
        if not self.flexible:
            pytest.skip("the format has none, or its writer leaves them out")
        data = bytes(range(48))
        messages = [message(0), message(3, is_fd=True, data=data, dlc=48, bitrate_switch=True), message(6)]
        frames, skips = read_all(self.made(tmp_path, messages))
        assert skips == []
        assert frames[1].data == data
        assert frames[1].dlc == 48
        assert frames[1].flags & FrameFlags.FD
        assert frames[0].flags & FrameFlags.FD == frames[2].flags & FrameFlags.FD == 0

    def test_sent_frames_are_told_as_such(self, tmp_path: Path) -> None:
        if not self.sent:
            pytest.skip("the format does not tell direction, or its writer does not")
        messages = [message(0), message(3, is_rx=False), message(6)]
        frames, _ = read_all(self.made(tmp_path, messages))
        assert [bool(frame.flags & FrameFlags.SENT) for frame in frames] == [False, True, False]

    def test_a_bad_line_costs_that_line_only(self, tmp_path: Path) -> None:
        if not self.text:
            pytest.skip("binary")
        path = self.made(tmp_path, some(60))
        lines = path.read_bytes().split(b"\n")
        whole, _ = read_all(path)
        victims = [frame.line for frame in whole[10:50:10]]
        for number in victims:
            lines[number - 1] = self.spoil(lines[number - 1])
        path.write_bytes(b"\n".join(lines))
        frames, skips = read_all(path)
        assert [skip.line for skip in skips] == victims
        assert [(one.t, one.can_id, one.data) for one in frames] == [
            (one.t, one.can_id, one.data) for one in whole if one.line not in victims
        ]

    def spoil(self, line: bytes) -> bytes:
        """The line with an id that is none."""
        return line.replace(b"1", b"Z")
