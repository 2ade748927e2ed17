"""Published and independently worked examples of DBC signals and J1939, each with its source.

"cantools" is cantools 45.1.0 (MIT); its test files come from its source package. "Own bit walk" is
`support.dbc.walked_value`, which shares nothing with the package's decoding.
"""

from __future__ import annotations

import random
import re
from pathlib import Path
from typing import Any

import cantools.database
import cantools.j1939
import pytest

from latchtrace.model.network import Database, MessageSpec
from latchtrace.network.database import load_database
from latchtrace.network.decoding import decode_frame
from latchtrace.network.transport import Reassembler, Transfer, split_identifier
from support.dbc import dbc_text, walked_value

J1939: Any = cantools.j1939

MIXED = [
    'BE12 : 3|12@0+ (1,0) [0|0] "" Body',
    'LE12 : 20|12@1+ (1,0) [0|0] "" Body',
    'BE9 : 39|9@0- (0.5,-10) [0|0] "" Body',
    'LE5 : 51|5@1- (1,0) [0|0] "" Body',
    'Bit7 : 7|1@0+ (1,0) [0|0] "" Body',
]
MIXED_FRAME = bytes.fromhex("8A5C37F0FE80A85A")


@pytest.fixture
def mixed(tmp_path: Path) -> Path:
    path = tmp_path / "mixed.dbc"
    path.write_text(dbc_text(MIXED, more='VAL_ 256 Bit7 0 "UNLOCKED" 1 "LOCKED" ;'))
    return path


def only(path: Path, name: str | None = None) -> MessageSpec:
    database = load_database(path)
    return named(database, name) if name else database.messages[0]


def named(database: Database, name: str) -> MessageSpec:
    (spec,) = (message for message in database.messages if message.name == name)
    return spec


def by_cantools(path: Path, data: bytes, number: int, **options: bool) -> dict[str, Any]:
    database: Any = cantools.database.load_file(path)
    return dict(database.decode_message(number, data, **options))


def test_mixed_byte_order_sign_scale_and_label(mixed: Path) -> None:
    # 2.1 source: worked with cantools, own bit walk equal
    values = decode_frame(only(mixed), MIXED_FRAME).values
    assert values == {"BE12": 2652, "LE12": 3843, "BE9": -11.5, "LE5": -11, "Bit7": "LOCKED"}
    assert values == by_cantools(mixed, MIXED_FRAME, 256)
    assert walked_value(MIXED_FRAME, 3, 12, True, False) == 0xA5C
    assert walked_value(MIXED_FRAME, 20, 12, False, False) == 0xF03
    assert walked_value(MIXED_FRAME, 39, 9, True, True) == -3
    assert walked_value(MIXED_FRAME, 51, 5, False, True) == -11


def test_motorola_signals_across_bytes(cantools_sdist: Path) -> None:
    # 2.2 source: cantools tests/files/dbc/padding_bit_order.dbc with tests/test_database.py test_padding_bit_order
    database = load_database(cantools_sdist / "tests/files/dbc/padding_bit_order.dbc")
    cases = {
        "MSG0": ("82C9000002C90000", {"A": 0x2C9, "B": 1, "C": 0x2C9, "D": 0}),
        "MSG1": ("9305000092050000", {"E": 1, "F": 0x2C9, "G": 0, "H": 0x2C9}),
    }
    for name, (data, values) in cases.items():
        assert decode_frame(named(database, name), bytes.fromhex(data)).values == values


def test_the_example_message_of_cantools(cantools_sdist: Path) -> None:
    # 2.3 source: cantools tests/files/dbc/motohawk.dbc; the second frame by the same library
    path = cantools_sdist / "tests/files/dbc/motohawk.dbc"
    spec = only(path)
    assert (spec.can_id, spec.extended) == (0x1F0, False)
    first = decode_frame(spec, bytes.fromhex("C001400000000000"), choices=False).values
    assert first == {"Temperature": 250.1, "AverageRadius": pytest.approx(3.2), "Enable": 1}
    second = bytes.fromhex("C006E00000000000")
    assert decode_frame(spec, second).values == by_cantools(path, second, 0x1F0)
    assert decode_frame(spec, second).values["Temperature"] == 250.55


def test_signed_signals_equal_an_independent_bit_walk(cantools_sdist: Path) -> None:
    # 2.4 source: cantools tests/files/dbc/signed.dbc, 11 messages, places and lengths as cantools reads them
    path = cantools_sdist / "tests/files/dbc/signed.dbc"
    database: Any = cantools.database.load_file(path)
    ours = load_database(path)
    assert len(ours.messages) == 11
    rng = random.Random(3600)
    compared = 0
    for spec, message in zip(ours.messages, database.messages, strict=True):
        for _ in range(200):
            data = rng.randbytes(message.length)
            raw = decode_frame(spec, data, choices=False, scaling=False).values
            for one in message.signals:
                motorola = one.byte_order == "big_endian"
                assert raw[one.name] == walked_value(data, one.start, one.length, motorola, one.is_signed)
                compared += 1
    assert compared >= 3600


def test_a_multiplexer_value_the_dbc_does_not_list_loses_the_multiplexed_signals_only(tmp_path: Path) -> None:
    # 2.5 source: worked with cantools, whose error text for the third frame is quoted
    path = tmp_path / "multiplexed.dbc"
    lines = [
        'M M : 0|8@1+ (1,0) [0|0] "" Body',
        'A m0 : 8|8@1+ (1,0) [0|0] "" Body',
        'B m1 : 8|16@1+ (1,0) [0|0] "" Body',
        'C : 32|8@1+ (1,0) [0|0] "" Body',
    ]
    path.write_text(dbc_text(lines))
    spec = only(path)
    assert decode_frame(spec, bytes.fromhex("0011223307000000")).values == {"M": 0, "A": 17, "C": 7}
    assert decode_frame(spec, bytes.fromhex("0111223307000000")).values == {"M": 1, "B": 8721, "C": 7}
    third = bytes.fromhex("0511223307000000")
    decoded = decode_frame(spec, third)
    assert decoded.values == {"M": 5, "C": 7}
    assert decoded.problems == ("M: multiplexer M is 5, which the DBC does not list",)
    with pytest.raises(cantools.database.DecodeError, match="expected multiplexer id 0 or 1, but got 5"):
        by_cantools(path, third, 256)


def test_a_short_frame_keeps_the_signals_that_are_whole(mixed: Path) -> None:
    # 2.6 source: worked with cantools (allow_truncated); by default it refuses the frame
    data = MIXED_FRAME[:2]
    decoded = decode_frame(only(mixed), data)
    assert decoded.values == {"BE12": 2652, "Bit7": "LOCKED"}
    assert decoded.values == by_cantools(mixed, data, 256, allow_truncated=True)
    assert decoded.problems == ("M: 2 of 8 bytes",)
    with pytest.raises(cantools.database.DecodeError):
        by_cantools(mixed, data, 256)


def test_bit_31_of_a_dbc_number_marks_an_extended_identifier(tmp_path: Path) -> None:
    # 2.7 source: worked with cantools
    path = tmp_path / "extended.dbc"
    path.write_text(dbc_text(['A : 0|8@1+ (1,0) [0|0] "" Body'], number=2566857985))
    spec = only(path)
    assert (spec.can_id, spec.extended) == (0x18FF2501, True)


@pytest.mark.parametrize(
    ("can_id", "priority", "pgn", "source", "destination"),
    [
        (0x18EBFF00, 6, 0xEB00, 0x00, 0xFF),
        (0x18FF2501, 6, 0xFF25, 0x01, None),
        (0x18FEF100, 6, 0xFEF1, 0x00, None),
        (0x0CF00400, 3, 0xF004, 0x00, None),
    ],
)
def test_j1939_identifiers_come_apart(
    can_id: int, priority: int, pgn: int, source: int, destination: int | None
) -> None:
    # 2.8 source: cantools.j1939; SAE J1939-21 (its clause from memory): below PF 240, PS is the destination
    found = split_identifier(can_id)
    assert (found.priority, found.pgn, found.source, found.destination) == (priority, pgn, source, destination)
    assert pgn == J1939.pgn_from_frame_id(can_id)
    parts = J1939.frame_id_unpack(can_id)
    assert (parts.priority, parts.source_address) == (priority, source)


def test_every_j1939_identifier_comes_apart_as_cantools_has_it() -> None:
    # 2.8 source: cantools.j1939
    rng = random.Random(1939)
    for _ in range(5000):
        can_id = rng.getrandbits(29)
        parts, found = J1939.frame_id_unpack(can_id), split_identifier(can_id)
        assert found.pgn == J1939.pgn_pack(
            parts.reserved, parts.data_page, parts.pdu_format, parts.pdu_specific if parts.pdu_format >= 240 else 0
        )
        assert found.destination == (parts.pdu_specific if parts.pdu_format < 240 else None)


def test_j1939_wheel_speed_is_a_256th_of_a_kilometre_per_hour(tmp_path: Path) -> None:
    # 2.9 source: cantools for the arithmetic; place and scale of SPN 84 in PGN 0xFEF1 by SAE J1939-71, from memory
    path = tmp_path / "speed.dbc"
    number = 0x18FEF100 | 1 << 31
    path.write_text(dbc_text(['Speed : 8|16@1+ (0.00390625,0) [0|0] "km/h" Body'], number=number))
    data = bytes.fromhex("FF00327FFFFFFFFF")
    assert decode_frame(only(path), data).values == {"Speed": 50.0}
    assert by_cantools(path, data, 0x18FEF100) == {"Speed": 50.0}


def test_j1939_packets_nobody_announced_are_reported_as_incomplete(python_can_sdist: Path) -> None:
    # 2.10 source: python-can 4.6.1 (LGPL-3.0-only) test/data/logfile.asc: four TP.DT frames 18EBFF00, no TP.CM and
    # no fifth packet, and the recording's own line with the 35 bytes reassembled (PGN FEE3, 23 hex bytes)
    text = (python_can_sdist / "test/data/logfile.asc").read_text()
    packets = re.findall(r"^ *(\d+\.\d+) 1 +18EBFF00x +Rx +d 8 ((?:[0-9A-F]{2} ){8})", text, re.MULTILINE)
    whole = re.search(r" 1 +J1939TP FEE3p .* d 23 ((?:[0-9A-F]{2} ?)+)", text)
    assert len(packets) == 4
    assert whole is not None
    reassembler = Reassembler()
    came: list[Transfer] = []
    for moment, data in packets:
        came += reassembler.add(round(float(moment) * 1e9), 0x18EBFF00, bytes.fromhex(data))
    assert came == []
    (left,) = reassembler.finish()
    assert not left.complete
    assert left.data == b""
    assert (left.received, left.pgn, left.size) == (28, None, None)
    assert "4 packets came" in left.problem
    carried = b"".join(bytes.fromhex(data)[1:] for _, data in packets)
    assert carried == bytes.fromhex(whole[1])[:28]
    assert len(bytes.fromhex(whole[1])) == 0x23


def test_the_same_packets_announced_and_whole_are_delivered(python_can_sdist: Path) -> None:
    # content: python-can 4.6.1 test/data/logfile.asc, line J1939TP FEE3; the announcement by SAE J1939-21, from memory
    text = (python_can_sdist / "test/data/logfile.asc").read_text()
    whole = re.search(r" 1 +J1939TP FEE3p .* d 23 ((?:[0-9A-F]{2} ?)+)", text)
    assert whole is not None
    content = bytes.fromhex(whole[1])
    reassembler = Reassembler()
    announce = bytes([32, *len(content).to_bytes(2, "little"), 5, 0xFF, 0xE3, 0xFE, 0x00])
    assert reassembler.add(0, 0x18ECFF00, announce) == ()
    came: list[Transfer] = []
    for number in range(5):
        packet = bytes([number + 1]) + content[7 * number : 7 * number + 7]
        came += reassembler.add(50_000_000 * (number + 1), 0x18EBFF00, packet)
    (transfer,) = came
    assert transfer.complete
    assert (transfer.pgn, transfer.size, transfer.data) == (0xFEE3, 35, content)
