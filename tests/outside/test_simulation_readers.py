"""The demo captures as python-can (4.6.1, LGPL-3.0) and cantools (45.1, MIT) read them: the same frames as ours."""

from __future__ import annotations

from pathlib import Path

import can
import pytest
import zstandard
from can.io import CanutilsLogReader
from cantools.logreader import Parser

from latchtrace.simulation import lines
from support.scenarios import DEMO, DEMO_NAMES


def text_of(name: str) -> list[str]:
    packed = (DEMO / f"{name}.log.zst").read_bytes()
    return zstandard.ZstdDecompressor().decompress(packed).decode("ascii").splitlines()


def same(message: can.Message, line: str) -> bool:
    ours = lines.parts(line)
    assert ours is not None
    number = f"{message.arbitration_id:08X}" if message.is_extended_id else f"{message.arbitration_id:03X}"
    return (
        round(message.timestamp * 1e6) == ours.t // 1000
        and (message.channel, number, bytes(message.data)) == (ours.channel, ours.id_text, ours.data)
        and not (message.is_fd or message.is_error_frame or message.is_remote_frame)
    )


@pytest.mark.parametrize("name", DEMO_NAMES)
def test_python_can_reads_every_line_the_same_but_the_drop_notes(name: str, tmp_path: Path) -> None:
    text = [line for line in text_of(name) if not line.startswith("DROPCOUNT")]
    path = tmp_path / "demo.log"
    path.write_text("\n".join(text) + "\n")
    with CanutilsLogReader(str(path)) as reader:
        read = list(reader)
    assert len(read) == len(text)
    assert all(same(message, line) for message, line in zip(read, text, strict=True))


def test_only_the_second_network_day_has_a_drop_note_and_it_is_written_as_candump_does() -> None:
    """The wording of can-utils' candump.c (checks.md §1.11): `DROPCOUNT: dropped 5 CAN frames on 'can0' socket …`."""
    notes = {name: [line for line in text_of(name) if not line.startswith("(")] for name in DEMO_NAMES}
    assert [name for name, told in notes.items() if told] == ["second-network-day"]
    (note,) = notes["second-network-day"]
    assert note == "DROPCOUNT: dropped 33 CAN frames on 'comfort0' socket (total drops 33)"


def test_cantools_reads_the_lines_of_a_capture_the_same() -> None:
    text = text_of("second-network-day")[:3000]
    for line in text:
        told, ours = Parser(None).parse(line), lines.parts(line)
        assert told is not None
        assert ours is not None
        assert (told.channel, told.frame_id, told.data) == (ours.channel, int(ours.id_text, 16), ours.data)
        assert told.is_extended_frame
