"""How long a frame occupies the bus, in bits: the least, the most, and exactly with stuffing.

Frame fields as in Linux include/linux/can/length.h: a standard frame has 47 + 8n bits, an extended one 67 + 8n,
three bits of interframe space included; 34 + 8n (54 + 8n) of them and the 15 of the CRC are subject to stuffing,
one bit after each five equal ones. CRC-15 with polynomial 0x4599. Most bits: Davis, Burns, Bril, Lukkien,
"Controller Area Network (CAN) schedulability analysis: Refuted, revisited and revised", Real-Time Systems 35
(2007) 239-272, equations (1) to (3).
"""

from __future__ import annotations

_POLYNOMIAL = 0x4599
_AFTER_CRC = 13  # CRC delimiter, acknowledge slot and delimiter, end of frame, interframe space


def nominal_bits(length: int, extended: bool) -> int:
    """The least bits of a classic data frame of `length` bytes: no stuffing."""
    return (67 if extended else 47) + 8 * length


def most_bits(length: int, extended: bool) -> int:
    """The most bits of a classic data frame of `length` bytes: stuffing at its worst."""
    stuffed = (54 if extended else 34) + 8 * length
    return stuffed + _AFTER_CRC + (stuffed - 1) // 4


def exact_bits(can_id: int, extended: bool, data: bytes, remote: bool = False, dlc: int | None = None) -> int:
    """The bits of one classic frame, stuffing included."""
    field, size = _field(can_id, extended, data, remote, len(data) if dlc is None else dlc)
    stuffed, size = field << 15 | _crc(field, size), size + 15
    return size + _stuff_bits(format(stuffed, f"0{size}b")) + _AFTER_CRC


def crc15(data: bytes) -> int:
    """CRC-15/CAN over whole bytes."""
    return _crc(int.from_bytes(data, "big"), 8 * len(data))


def _field(can_id: int, extended: bool, data: bytes, remote: bool, dlc: int) -> tuple[int, int]:
    """Start of frame (a zero), arbitration, control and data field as one number, and how many bits it has."""
    if extended:  # 11 bits of the id, SRR and IDE recessive, 18 bits, RTR, two reserved bits
        head, size = (can_id >> 18 << 20 | 0b11 << 18 | can_id & 0x3FFFF) << 3 | remote << 2, 35
    else:  # 11 bits of the id, RTR, IDE dominant, one reserved bit
        head, size = can_id << 3 | remote << 2, 15
    head, size = head << 4 | dlc, size + 4
    return head << 8 * len(data) | int.from_bytes(data, "big"), size + 8 * len(data)


def _crc(field: int, size: int) -> int:
    """The remainder of the field's bits, first bit first."""
    rest = 0
    for at in range(size - 1, -1, -1):
        flip = (field >> at ^ rest >> 14) & 1
        rest = (rest << 1 & 0x7FFF) ^ (_POLYNOMIAL if flip else 0)
    return rest


def _stuff_bits(bits: str) -> int:
    """How many bits are inserted: one after each five equal ones, which itself begins the next run."""
    inserted, run, last = 0, 0, ""
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            inserted += 1
            run, last = 1, "0" if bit == "1" else "1"
    return inserted
