"""The bytes of a capture file, uncompressed piece by piece, with a word on why they ended early."""

from __future__ import annotations

import io
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from latchtrace.errors import CaptureError

HEAD = 4096
_PIECE = 1 << 16
_PACKED_PIECE = {"gz": 1 << 14, "zst": 1 << 12}  # small, so that even a hostile ratio stays within memory
_MAGIC = {"gz": b"\x1f\x8b", "zst": b"\x28\xb5\x2f\xfd"}
PACKED_EXTENSIONS = (".gz", ".zst")


class _Unpacker(Protocol):
    """What zlib and zstandard have in common."""

    @property
    def eof(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, /) -> bytes: ...


def packing_of(head: bytes) -> str:
    """How the content is compressed, by its first bytes: "gz", "zst" or ""."""
    return next((name for name, magic in _MAGIC.items() if head.startswith(magic)), "")


def _unpacker(packing: str) -> _Unpacker:
    if packing == "gz":
        return zlib.decompressobj(wbits=31)
    import zstandard

    made: Any = zstandard.ZstdDecompressor().decompressobj()
    unpacker: _Unpacker = made
    return unpacker


def _unpack_errors() -> tuple[type[Exception], ...]:
    import zstandard

    return (zlib.error, zstandard.ZstdError)


class Opening:
    """One capture file opened for reading; `trouble` is set when it ends before its content does."""

    def __init__(self, path: Path, name: str, packing: str = "") -> None:
        self.path = path
        self.name = name
        self.packing = packing
        self.trouble = ""
        self.consumed = 0
        self.piece = _PIECE

    def pieces(self) -> Iterator[bytes]:
        """The uncompressed content, piece by piece; a cut or damaged compressed stream ends it with `trouble`."""
        try:
            with self.path.open("rb") as raw:
                yield from self._unpacked(raw) if self.packing else self._plain(raw)
        except OSError as error:
            raise CaptureError(f"{self.name}: cannot be read: {error.strerror or error}") from error

    def _plain(self, raw: io.BufferedReader) -> Iterator[bytes]:
        while piece := raw.read(self.piece):
            self.consumed += len(piece)
            yield piece

    def _unpacked(self, raw: io.BufferedReader) -> Iterator[bytes]:
        """Every member (frame) of the compressed file, one after another."""
        unpacker, started = _unpacker(self.packing), False
        errors = _unpack_errors()
        while piece := raw.read(_PACKED_PIECE[self.packing]):
            self.consumed += len(piece)
            while piece:
                if not started and not piece.strip(b"\0"):
                    break  # padding after the last member
                started = True
                try:
                    out = unpacker.decompress(piece)
                except errors:
                    self.trouble = f"the compressed file is damaged after {self.consumed} bytes; the rest is not read"
                    return
                piece = unpacker.unused_data if unpacker.eof else b""
                if unpacker.eof:
                    unpacker, started = _unpacker(self.packing), False
                if out:
                    yield out
        if started:
            self.trouble = "the compressed file is cut off at its end; what came before is read"

    def head(self) -> bytes:
        """Up to 4096 bytes of the uncompressed beginning."""
        found = b""
        for piece in self.pieces():
            found += piece
            if len(found) >= HEAD:
                break
        self.trouble, self.consumed = "", 0
        return found[:HEAD]

    @contextmanager
    def unpacked(self) -> Iterator[Path]:
        """A path with the uncompressed content, for readers that want a file: the file itself, or a copy for now."""
        if not self.packing:
            yield self.path
            return
        with tempfile.TemporaryDirectory(prefix="latchtrace-") as folder:
            copy = Path(folder) / "unpacked"
            with copy.open("wb") as out:
                out.writelines(self.pieces())
            yield copy

    def binary(self) -> io.BufferedReader:
        """The uncompressed content as a binary file object, for readers that want one."""
        return io.BufferedReader(_Pieces(self))


class _Pieces(io.RawIOBase):
    """A raw file object over the pieces of an opening."""

    def __init__(self, opening: Opening) -> None:
        self._pieces = opening.pieces()
        self._rest = b""

    def readable(self) -> bool:
        """Whether reading is possible: always."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill `buffer` with the next bytes; 0 at the end."""
        if not self._rest:
            self._rest = next(self._pieces, b"")
        size = min(len(buffer), len(self._rest))
        buffer[:size] = self._rest[:size]
        self._rest = self._rest[size:]
        return size
