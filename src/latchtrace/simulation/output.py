"""Writing captures: the same bytes each time, whole or not at all."""

from __future__ import annotations

import gzip
import io
import os
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from latchtrace.errors import OutputError, UsageError

ENDINGS = (".log", ".log.gz", ".log.zst")


def stem(out: Path) -> str:
    """The file's name without its ending; UsageError where the ending is none of ours."""
    for ending in ENDINGS:
        if out.name.endswith(ending) and out.name != ending:
            return out.name[: -len(ending)]
    raise UsageError(f"{out.name}: a capture's name must end in {', '.join(ENDINGS)}; choose one of these")


def compress(lines: Sequence[str], name: str) -> bytes:
    """The lines as the file of that name holds them."""
    raw = "".join(f"{line}\n" for line in lines).encode("ascii")
    if name.endswith(".gz"):
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, compresslevel=9, mtime=0) as packed:
            packed.write(raw)
        return buffer.getvalue()
    if name.endswith(".zst"):
        import zstandard

        return zstandard.ZstdCompressor(level=19, write_checksum=True, threads=0).compress(raw)
    return raw


def expand(packed: bytes) -> bytes:
    """What a `.zst` file of ours holds; nothing where it is none."""
    import zstandard

    with suppress(zstandard.ZstdError):
        return zstandard.ZstdDecompressor().decompress(packed)
    return b""


def write_all(files: Mapping[Path, bytes]) -> None:
    """Write several files, all or none; OutputError where that fails, and what was there stays."""
    temporary: dict[Path, Path] = {}
    before: dict[Path, bytes | None] = {}
    path = next(iter(files))
    try:
        for path, content in files.items():
            temporary[path] = _beside(path, content)
        for path, made in temporary.items():
            before[path] = path.read_bytes() if path.exists() else None
            made.replace(path)
    except OSError as error:
        for written, content_before in before.items():
            _restore(written, content_before)
        raise OutputError(f"{path}: cannot be written ({error.strerror or error}); choose another --out") from None
    finally:
        for made in temporary.values():
            made.unlink(missing_ok=True)


def _beside(path: Path, content: bytes) -> Path:
    """The content in a new file of the same folder, with the rights a new file has."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
    umask = os.umask(0)
    os.umask(umask)
    Path(name).chmod(0o666 & ~umask)
    return Path(name)


def _restore(path: Path, content: bytes | None) -> None:
    with suppress(OSError):
        if content is None:
            path.unlink(missing_ok=True)
        else:
            path.write_bytes(content)
