"""J1939 transport: whole messages are delivered, everything else is told.

Packet layouts and control bytes by SAE J1939-21, from memory; identifiers are checked in tests/outside.
"""

from __future__ import annotations

import pytest

from latchtrace.model.time import MILLISECOND
from latchtrace.network.transport import TIMEOUT, Reassembler, Transfer

MS = MILLISECOND
TO_ALL_CONTROL, TO_ALL_DATA = 0x1CECFF25, 0x1CEBFF25
CONTROL, DATA, BACK = 0x1CEC0125, 0x1CEB0125, 0x1CEC2501
CONTENT = bytes(range(20))
PGN = (0xCA, 0xFE, 0x00)


def announce(size: int = 20, kind: int = 32) -> bytes:
    return bytes([kind, *size.to_bytes(2, "little"), -(-size // 7), 0xFF, *PGN])


def packet(number: int, content: bytes = CONTENT) -> bytes:
    return bytes([number]) + content[7 * number - 7 : 7 * number].ljust(7, b"\xff")


def fed(*frames: tuple[int, int, bytes]) -> list[Transfer]:
    reassembler = Reassembler()
    came = [transfer for t, can_id, data in frames for transfer in reassembler.add(t * MS, can_id, data)]
    return [*came, *reassembler.finish()]


def test_an_announced_message_is_delivered_without_its_padding() -> None:
    (one,) = fed((0, TO_ALL_CONTROL, announce()), *((50 * n, TO_ALL_DATA, packet(n)) for n in (1, 2, 3)))
    assert one == Transfer(0x25, 0xFF, 0xFECA, 20, 0, 150 * MS, 20, CONTENT)
    assert one.complete


def test_an_addressed_message_may_repeat_packets_asked_for_again() -> None:
    frames = [(0, CONTROL, announce(kind=16)), (5, BACK, bytes([17, 3, 1, 0xFF, 0xFF, *PGN]))]
    frames += [(10 * n, DATA, packet(n)) for n in (1, 2)]
    frames += [(30, DATA, packet(2)), (40, DATA, packet(3))]
    (one,) = fed(*frames)
    assert (one.destination, one.data) == (0x01, CONTENT)


def test_transfers_of_two_senders_do_not_mix() -> None:
    other = bytes(reversed(CONTENT))
    frames = [(0, TO_ALL_CONTROL, announce()), (1, TO_ALL_CONTROL + 1, announce())]
    frames += [
        f
        for n in (1, 2, 3)
        for f in ((50 * n, TO_ALL_DATA, packet(n)), (50 * n + 1, TO_ALL_DATA + 1, packet(n, other)))
    ]
    assert [one.data for one in fed(*frames)] == [CONTENT, other]


@pytest.mark.parametrize(
    ("frames", "problem"),
    [
        ([(0, TO_ALL_CONTROL, announce()), (50, TO_ALL_DATA, packet(1))], "the capture ends; 1 of 3 packets came"),
        ([(0, TO_ALL_CONTROL, announce()), (50, TO_ALL_CONTROL, announce())], "another one began; 0 of 3 packets came"),
        ([(0, CONTROL, announce(kind=16)), (9, BACK, bytes([255, 1, *b"\xff" * 3, *PGN]))], "it was aborted; 0 of 3"),
        ([(0, TO_ALL_CONTROL, announce()), (50, TO_ALL_DATA, packet(1)), (100, TO_ALL_DATA, packet(3))],
         "packet 3 came out of order; 1 of 3"),
        ([(0, TO_ALL_CONTROL, announce()), (1 + TIMEOUT // MS, TO_ALL_DATA, packet(1))],
         "the next packet came too late; 0 of 3"),
        ([(0, TO_ALL_CONTROL, announce(9)), (50, TO_ALL_DATA, packet(1)), (60, TO_ALL_DATA, b"\x02\x01")],
         "a packet was short; 2 of 2"),
        ([(0, TO_ALL_DATA, packet(1))], "the capture ends; 1 packet came that nothing announced"),
    ],
)  # fmt: skip
def test_what_does_not_come_whole_is_told_and_not_delivered(frames: list[tuple[int, int, bytes]], problem: str) -> None:
    first = fed(*frames)[0]
    assert not first.complete
    assert first.data == b""
    assert first.problem.startswith(problem)


def test_frames_of_other_groups_and_cut_ones_are_passed_over() -> None:
    assert fed((0, 0x18FEF100, bytes(8)), (1, TO_ALL_CONTROL, b"\x20"), (2, TO_ALL_DATA, b"")) == []
