"""DBC files to values: read through cantools once, after that nothing of cantools is needed."""

from __future__ import annotations

import hashlib
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from latchtrace.errors import NetworkError
from latchtrace.model.network import Database, MessageSpec, SignalSpec
from latchtrace.network.bits import bit_mask, intel_bits, motorola_bits

if TYPE_CHECKING:
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal

LARGEST = 200_000_000
MOST_ATTEMPTS = 4

_LOADED: dict[tuple[str, str], Database] = {}
_PLACE = re.compile(r"line (\d+), column (\d+)")
_UNUSED = re.compile(r"\b(VAL_|SIG_VALTYPE_) (\d+) (\w+)")
_MESSAGE_LINE = re.compile(r"^[ \t]*BO_[ \t]+(\d+)[ \t]+(\w+)", re.MULTILINE)
_SIGNAL_LINE = re.compile(r"^[ \t]*SG_[ \t]", re.MULTILINE)


def load_database(path: str | Path) -> Database:
    """Read a DBC file; what it says comes back as plain values.

    A file whose signals overlap or do not fit, or whose value tables name signals that are not there, is read
    all the same, with a notice. Raises NetworkError, one line with the place where it is known, for a file
    that is missing, empty or no DBC.
    """
    file = Path(path)
    raw = _read(file)
    digest = hashlib.sha256(raw).hexdigest()
    known = _LOADED.get((file.name, digest))
    if known is None:
        known = _parse(file, raw)
        _LOADED[file.name, digest] = known
    return known


def _read(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise NetworkError(f"{file}: is a folder; name a DBC file in it")
        if file.stat().st_size > LARGEST:
            raise NetworkError(f"{file}: is larger than {LARGEST:,} bytes, no DBC is; name a DBC file")
        raw = file.read_bytes()
    except OSError as error:
        raise NetworkError(f"{file}: cannot be read ({error.strerror or error}); check the path") from None
    if not raw.strip():
        raise NetworkError(f"{file}: is empty; name a DBC file with messages in it")
    if b"\0" in raw[:65536]:
        raise NetworkError(f"{file}: is binary and no DBC; name a text file with BO_ and SG_ lines")
    return raw


def _text(raw: bytes) -> str:
    """DBC text is Windows-1252 by custom; a file that is valid UTF-8 is taken as that."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _parse(file: Path, raw: bytes) -> Database:
    text = _text(raw)
    if not re.search(r"\b(BO_|VERSION|BU_|NS_)", text):
        raise NetworkError(f"{file}:1: is no DBC (no BO_ line in it); name a DBC file")
    notices: list[str] = []
    with _warnings_into(notices):
        messages = _load_leniently(file, text, notices)
    if not messages:
        raise NetworkError(f"{file}: holds no message; name a DBC file with BO_ lines in it")
    specs = tuple(_message(message, notices) for message in messages)
    _count_signals(text, specs, notices)
    return Database(file.name, specs, tuple(f"{file.name}: {notice}" for notice in dict.fromkeys(notices)))


def _load_leniently(file: Path, text: str, notices: list[str]) -> list[Message]:
    """Read what can be read: first as it stands, then without what hangs in the air, then with what overlaps."""
    attempts = 0
    strict = True
    while True:
        attempts += 1
        try:
            return _load(text, strict=strict)
        except Exception as error:
            reason = _reason(error)
            mended = _without_unused(text, reason)
            if attempts > MOST_ATTEMPTS or (mended == text and not strict):
                raise NetworkError(_complaint(file, text, error)) from None
            strict = strict and mended != text
            text = mended
            notices.append(f"{reason}; read all the same")


def _without_unused(text: str, reason: str) -> str:
    """The text without the VAL_ and SIG_VALTYPE_ entries that name no signal of the file (their lines stay)."""
    for kind, number, signal in _UNUSED.findall(reason):
        entry = re.compile(rf'\b{kind}\s+{number}\s+{signal}\b(?:"(?:\\"|[^"])*"|[^";])*;')
        text = entry.sub(lambda match: "\n" * match[0].count("\n"), text)
    return text


def _load(text: str, *, strict: bool) -> list[Message]:
    import cantools.database

    loaded: Any = cantools.database.load_string(text, "dbc", strict=strict)
    return list(loaded.messages)


@contextmanager
def _warnings_into(notices: list[str]) -> Iterator[None]:
    """What cantools would log goes to the notices instead of the terminal."""

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.WARNING:
                notices.append(" ".join(record.getMessage().split()))

    logger = logging.getLogger("cantools")
    before = logger.propagate
    handler = Keep()
    logger.addHandler(handler)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.propagate = before


def _reason(error: Exception) -> str:
    """What cantools says is wrong, on one line and without its wrapping."""
    inner = getattr(error, "e_dbc", None) or error
    text = " ".join(str(inner).split())
    return text.rstrip(".") if text else type(inner).__name__


def _complaint(file: Path, text: str, error: Exception) -> str:
    """One line: where, what, how to mend it."""
    reason = _reason(error)
    if place := _PLACE.search(reason):
        line = text.splitlines()[int(place[1]) - 1].strip() if text.strip() else ""
        return f"{file}:{place[1]}:{place[2]}: is not DBC text at '{line[:60]}'; mend that line"
    for match in _MESSAGE_LINE.finditer(text):
        if re.search(rf"\bmessage {re.escape(match[2])}\b", reason):
            return f"{file}:{text.count(chr(10), 0, match.start(1)) + 1}: {reason}; mend that message"
    return f"{file}: {reason}; mend it"


def _message(message: Message, notices: list[str]) -> MessageSpec:
    parents = {signal.name: signal for signal in message.signals}
    signals = tuple(_signal(signal, parents) for signal in message.signals)
    long = [signal for signal in signals if len(signal.bits) > 64]
    notices.extend(
        f"{message.name}.{signal.name} is {len(signal.bits)} bits long; no role can use it" for signal in long
    )
    period = message.cycle_time
    return MessageSpec(
        name=message.name,
        can_id=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        is_fd=message.is_fd or message.length > 8,
        signals=signals,
        period=round(period * 1_000_000) if period and period > 0 else None,
        comment=message.comment or "",
    )


def _signal(signal: Signal, parents: dict[str, Signal]) -> SignalSpec:
    walk = motorola_bits if signal.byte_order == "big_endian" else intel_bits
    bits = walk(signal.start, signal.length)
    return SignalSpec(
        name=signal.name,
        bits=bits,
        mask=bit_mask(bits),
        signed=signal.is_signed,
        is_float=signal.conversion.is_float,
        scale=signal.conversion.scale,
        offset=signal.conversion.offset,
        minimum=signal.minimum,
        maximum=signal.maximum,
        unit=signal.unit or "",
        choices={int(raw): str(label) for raw, label in (signal.conversion.choices or {}).items()},
        multiplexers=_multiplexers(signal, parents),
        is_multiplexer=signal.is_multiplexer,
        comment=signal.comment or "",
    )


def _multiplexers(signal: Signal, parents: dict[str, Signal]) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """The chain of selectors above a signal, the outermost first."""
    chain: list[tuple[str, tuple[int, ...]]] = []
    current: Signal | None = signal
    while current is not None and current.multiplexer_signal and len(chain) < len(parents):
        chain.append((current.multiplexer_signal, tuple(current.multiplexer_ids or ())))
        current = parents.get(current.multiplexer_signal)
    return tuple(reversed(chain))


def _count_signals(text: str, specs: tuple[MessageSpec, ...], notices: list[str]) -> None:
    """Lines that look like signals and were passed over are told, not lost."""
    written = len(_SIGNAL_LINE.findall(text))
    read = sum(len(spec.signals) for spec in specs)
    if read < written:
        notices.append(f"{written - read} of {written} SG_ lines could not be read as signals")
