"""Compares what is made with what was looked at once and kept; LATCHTRACE_UPDATE_GOLDEN=1 keeps the new one."""

from __future__ import annotations

import os
from pathlib import Path

GOLDEN = Path(__file__).resolve().parents[1] / "golden"


def check_golden(name: str, made: str | bytes) -> None:
    """Assert that the golden file of that name holds exactly this."""
    content = made.encode() if isinstance(made, str) else made
    file = GOLDEN / name
    if os.environ.get("LATCHTRACE_UPDATE_GOLDEN") == "1":
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    assert file.is_file(), f"{file} is missing; look at the output, then run again with LATCHTRACE_UPDATE_GOLDEN=1"
    assert content == file.read_bytes(), f"differs from {file}; look at it, then run with LATCHTRACE_UPDATE_GOLDEN=1"
