"""Every signal of every DBC in cantools' own test files decodes as cantools 45.1.0 decodes it, types included.

Source of the files and of the expected values: cantools 45.1.0 (MIT), `tests/files/dbc` of its source package.
The one difference that is meant: at a multiplexer value the DBC does not list cantools refuses the frame, here only
the multiplexed signals are left out, and it is reported.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cantools.database
import numpy as np
import pytest
from cantools.database.can.message import Message
from cantools.database.errors import DecodeError, Error
from cantools.database.namedsignalvalue import NamedSignalValue
from cantools.database.utils import decode_data

from latchtrace.model.network import Database, MessageSpec, SignalSpec
from latchtrace.network.database import load_database
from latchtrace.network.decoding import decode_frame, presence, scaled_column, signal_columns
from latchtrace.network.planning import deposit

REFUSED = {
    "bad_message_length.dbc",
    "incorrect-sig_valtype.dbc",
    "incorrect-val.dbc",
    "issue_199.dbc",
    "issue_199_extended.dbc",
    "issue_63.dbc",
}
"""Files that cantools itself refuses to load as they are."""

EMPTY = {
    "BU_EV_REL_.dbc",
    "bus_comment_bare.dbc",
    "bus_comment_bare_out.dbc",
    "cp1252.dbc",
    "empty_ns.dbc",
    "environment_variable_data.dbc",
    "environment_variable_multiple_access_nodes.dbc",
    "issue_62.dbc",
}
"""Files without any message."""

MODES = [(True, True), (False, True), (True, False), (False, False)]


def files(sdist: Path) -> list[Path]:
    found = sorted(path for path in (sdist / "tests" / "files" / "dbc").iterdir() if path.suffix.lower() == ".dbc")
    assert len(found) == 89
    return found


def pairs(sdist: Path) -> Iterator[tuple[Path, Database, list[Message]]]:
    """Every file that cantools loads and that holds a message, by both."""
    for path in files(sdist):
        if path.name in REFUSED | EMPTY:
            continue
        theirs: Any = cantools.database.load_file(path)
        yield path, load_database(path), list(theirs.messages)


def plain(values: dict[str, Any]) -> dict[str, tuple[type, str]]:
    """Values so that type, sign of zero and not-a-number count; a named value is its name."""
    named = {name: str(v) if isinstance(v, NamedSignalValue) else v for name, v in values.items()}
    return {name: (type(value), repr(value)) for name, value in named.items()}


def expected(message: Message, data: bytes, choices: bool, scaling: bool) -> tuple[dict[str, Any], bool]:
    """What cantools decodes; where it refuses an unknown multiplexer value, the rest by its own `decode_data`."""
    try:
        decoded: Any = message.decode(data, decode_choices=choices, scaling=scaling, allow_truncated=True)
        return dict(decoded), False
    except DecodeError as error:
        assert "expected multiplexer id" in str(error)
    found: dict[str, Any] = {}
    codecs: list[Any] = [message._codecs]
    while codecs:
        codec = codecs.pop()
        signals, formats = codec["signals"], codec["formats"]
        found |= decode_data(data, message.length, signals, formats, choices, scaling, True, True)
        for name, pages in codec["multiplexers"].items():
            raw = decode_data(data, message.length, signals, formats, False, False, True, True).get(name)
            if raw in pages:
                codecs.append(pages[raw])
    return found, True


def payloads(spec: MessageSpec, rng: random.Random) -> Iterator[bytes]:
    """Random ones, all bits clear and set, cut short, too long; and random ones with each page selected."""
    for _ in range(60):
        yield rng.randbytes(spec.length)
    yield bytes(spec.length)
    yield b"\xff" * spec.length
    for _ in range(5):
        yield rng.randbytes(rng.randint(0, spec.length))
    yield rng.randbytes(spec.length + 3)
    for signal in spec.signals:
        if signal.multiplexers:
            yield on_page(spec, signal, rng)


def on_page(spec: MessageSpec, signal: SignalSpec, rng: random.Random) -> bytes:
    content = int.from_bytes(rng.randbytes(spec.length), "little")
    for name, ids in signal.multiplexers:
        selector = spec.signal(name)
        assert selector is not None
        content = content & ~selector.mask | deposit(selector, rng.choice(ids))
    return content.to_bytes(spec.length, "little")


def test_every_signal_decodes_as_cantools_decodes_it(cantools_sdist: Path) -> None:
    rng = random.Random(45_1_0)
    compared = refused = 0
    for path, ours, theirs in pairs(cantools_sdist):
        assert [message.name for message in ours.messages] == [message.name for message in theirs]
        for spec, message in zip(ours.messages, theirs, strict=True):
            seen: set[str] = set()
            for data in payloads(spec, rng):
                for choices, scaling in MODES:
                    want, unknown = expected(message, data, choices, scaling)
                    got = decode_frame(spec, data, choices=choices, scaling=scaling)
                    assert plain(dict(got.values)) == plain(want), (path.name, spec.name, data.hex())
                    assert any("does not list" in problem for problem in got.problems) == unknown
                    compared += len(want)
                    refused += unknown
                    seen |= want.keys()
            assert seen == {signal.name for signal in spec.signals}, (path.name, spec.name)
    assert compared > 100_000
    assert refused > 100


def test_whole_columns_hold_the_numbers_cantools_decodes(cantools_sdist: Path) -> None:
    rng = random.Random(89)
    for path, ours, theirs in pairs(cantools_sdist):
        for spec, message in zip(ours.messages, theirs, strict=True):
            width = 8 if spec.length <= 8 else 64
            frames = [data for data in payloads(spec, rng) if len(data) <= width]
            columns = np.array([list(data.ljust(width, b"\0")) for data in frames], np.uint8).reshape(-1, width)
            lengths = np.array([len(data) for data in frames], np.uint8)
            want = [expected(message, data, False, True)[0] for data in frames]
            raws = [expected(message, data, False, False)[0] for data in frames]
            for signal in spec.signals:
                carried = presence(spec, signal, columns, lengths).carried
                assert carried.tolist() == [signal.name in one for one in want], (path.name, spec.name, signal.name)
                _, raw = signal_columns(signal, columns[carried])
                numbers = [one[signal.name] for one in raws if signal.name in one]
                np.testing.assert_array_equal(raw, np.array(numbers, raw.dtype))
                values = [float(one[signal.name]) for one in want if signal.name in one]
                np.testing.assert_array_equal(scaled_column(signal, raw), np.array(values, np.float64))


def test_what_a_dbc_says_of_messages_and_signals_arrives(cantools_sdist: Path) -> None:
    for _, ours, theirs in pairs(cantools_sdist):
        for spec, message in zip(ours.messages, theirs, strict=True):
            assert (spec.can_id, spec.extended, spec.length) == (
                message.frame_id,
                message.is_extended_frame,
                message.length,
            )
            assert spec.is_fd == (message.is_fd or message.length > 8)
            assert spec.period == (round(message.cycle_time * 1e6) if message.cycle_time else None)
            assert spec.comment == (message.comment or "")
            for signal, other in zip(spec.signals, message.signals, strict=True):
                assert (signal.name, signal.unit, signal.minimum, signal.maximum) == (
                    other.name,
                    other.unit or "",
                    other.minimum,
                    other.maximum,
                )
                assert signal.choices == {raw: str(label) for raw, label in (other.choices or {}).items()}
                assert signal.comment == (other.comment or "")


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_files_cantools_refuses_are_read_with_a_notice_or_refused_in_one_line(cantools_sdist: Path, name: str) -> None:
    from latchtrace.errors import NetworkError

    path = cantools_sdist / "tests" / "files" / "dbc" / name
    with pytest.raises(Error):
        cantools.database.load_file(path)
    if name.startswith("issue_199"):  # identifiers wider than 11 or 29 bits: nothing sensible can be read
        with pytest.raises(NetworkError, match=rf"{name}:45: .*DriverDoorStatus"):
            load_database(path)
        return
    database = load_database(path)
    assert database.messages
    assert len(database.notices) == 1
    assert database.notices[0].startswith(f"{name}: ")


@pytest.mark.parametrize("name", sorted(EMPTY))
def test_files_without_a_message_are_refused_in_one_line(cantools_sdist: Path, name: str) -> None:
    from latchtrace.errors import NetworkError

    with pytest.raises(NetworkError, match="holds no message"):
        load_database(cantools_sdist / "tests" / "files" / "dbc" / name)
