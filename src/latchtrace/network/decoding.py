"""Payload bytes to signal values: one frame by name, or many frames as columns. Equal to cantools, without it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from latchtrace.model.frames import UInt8s
from latchtrace.model.network import MessageSpec, SignalSpec
from latchtrace.network.bits import RawColumn, bit_column, bytes_needed, raw_column, raw_value

SignalValue = int | float | str

_EXACT = 2**53
"""Integers up to this size are exact as float64."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """The values of one frame by signal name, and what could not be decoded of it, in plain words.

    Signals that the frame does not carry (another multiplexer page, or bytes that are not there) have no entry.
    """

    values: Mapping[str, SignalValue] = field(default_factory=dict)
    problems: tuple[str, ...] = ()


def decode_frame(spec: MessageSpec, data: bytes, *, choices: bool = True, scaling: bool = True) -> Decoded:
    """All values of a frame by name, as the DBC means them.

    With `choices` a raw value that has a label gives the label (text); labels go by the raw value, before
    scaling. With `scaling` numbers are raw x scale + offset: whole numbers stay whole where scale and offset
    are. Bytes beyond the message's length are not looked at. Never raises for what the data holds.
    """
    payload = data[: spec.length]
    values: dict[str, SignalValue] = {}
    raws: dict[str, int | float] = {}
    problems: list[str] = []
    if len(payload) < spec.length:
        problems.append(f"{spec.name}: {len(data)} of {spec.length} bytes")
    for signal in spec.signals:
        if bytes_needed(signal.bits) <= len(payload):
            raws[signal.name] = raw_value(signal, payload)
    known = known_selector_values(spec)
    for signal in spec.signals:
        if signal.name not in raws or not _carried(signal, raws):
            continue
        raw = raws[signal.name]
        values[signal.name] = _shown(signal, raw, choices=choices, scaling=scaling)
        if signal.name in known and raw not in known[signal.name]:
            problems.append(f"{spec.name}: multiplexer {signal.name} is {raw}, which the DBC does not list")
    return Decoded(values, tuple(problems))


def known_selector_values(spec: MessageSpec) -> dict[str, frozenset[int]]:
    """For each multiplexer of a message the raw values the DBC knows: of its pages, and labelled ones."""
    known: dict[str, set[int]] = {}
    for signal in spec.signals:
        if signal.multiplexers:
            selector, ids = signal.multiplexers[-1]
            known.setdefault(selector, set()).update(ids)
    for name, values in known.items():
        if own := spec.signal(name):
            values.update(own.choices)
    return {name: frozenset(values) for name, values in known.items()}


def _carried(signal: SignalSpec, raws: Mapping[str, int | float]) -> bool:
    """Whether every multiplexer above the signal holds a value that brings it."""
    return all(selector in raws and raws[selector] in ids for selector, ids in signal.multiplexers)


def _shown(signal: SignalSpec, raw: int | float, *, choices: bool, scaling: bool) -> SignalValue:
    if choices and signal.choices and (label := _label(signal, raw)) is not None:
        return label
    return scaled(signal, raw) if scaling else raw


def _label(signal: SignalSpec, raw: int | float) -> str | None:
    """The label of a raw value; a floating point raw counts by its whole part, as cantools has it."""
    try:
        return signal.choices.get(int(raw))
    except (ValueError, OverflowError):  # not a number, or infinite
        return None


def scaled(signal: SignalSpec, raw: int | float) -> int | float:
    """A raw value in the signal's unit: int where raw, scale and offset are whole, else float."""
    scale, offset = signal.scale, signal.offset
    if scale == 1 and offset == 0:
        return raw
    if not signal.is_float and float(scale).is_integer() and float(offset).is_integer():
        return raw * int(scale) + int(offset)
    return raw * scale + offset


def signal_columns(signal: SignalSpec, payload: UInt8s) -> tuple[npt.NDArray[np.uint64], RawColumn]:
    """One signal of n frames: its bits (uint64, for comparing) and its raw values (int64, uint64 or float64)."""
    bits = bit_column(signal.bits, payload)
    return bits, raw_column(signal, bits)


def whole_column(signal: SignalSpec, lengths: UInt8s, longest: int) -> npt.NDArray[np.bool_]:
    """Which of n frames are long enough for the signal; bytes past `longest` (the message's length) do not count."""
    needed = bytes_needed(signal.bits)
    if needed > longest:
        return np.zeros(len(lengths), np.bool_)
    return lengths >= needed


@dataclass(frozen=True, slots=True)
class Presence:
    """Which of n frames bring a signal: `carried` on their page, `short` where bytes (or a selector's) are missing.

    `selected` are those that are surely of a page with the signal, short or not.
    """

    carried: npt.NDArray[np.bool_]
    short: npt.NDArray[np.bool_]
    selected: npt.NDArray[np.bool_]


def presence(spec: MessageSpec, signal: SignalSpec, payload: UInt8s, lengths: UInt8s) -> Presence:
    """Whether each of n frames carries a signal whole, is too short to, or is another page of its message."""
    short = np.zeros(len(lengths), np.bool_)
    on_page = np.ones(len(lengths), np.bool_)
    for name, ids in signal.multiplexers:
        selector = spec.signal(name)
        if selector is None:
            continue
        whole = whole_column(selector, lengths, spec.length)
        _, raw = signal_columns(selector, payload)
        short |= on_page & ~whole
        on_page &= whole & np.isin(raw, np.array(ids, raw.dtype))
    whole = whole_column(signal, lengths, spec.length)
    return Presence(on_page & whole, short | (on_page & ~whole), on_page)


def scaled_column(signal: SignalSpec, raw: RawColumn) -> npt.NDArray[np.float64]:
    """Raw values in the signal's unit as float64; the same numbers as `scaled` gives one by one."""
    scale, offset = signal.scale, signal.offset
    if scale == 1 and offset == 0:
        return raw.astype(np.float64)
    if not signal.is_float and _may_lose_digits(signal):
        return np.array([float(scaled(signal, value)) for value in raw.tolist()], np.float64)
    with np.errstate(over="ignore", invalid="ignore"):
        return raw.astype(np.float64) * float(scale) + float(offset)


def _may_lose_digits(signal: SignalSpec) -> bool:
    """Whether raw x scale + offset may pass through integers that float64 rounds."""
    largest = (1 << len(signal.bits)) - 1
    return largest * abs(signal.scale) + abs(signal.offset) >= _EXACT
