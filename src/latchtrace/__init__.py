"""Reads CAN captures of central locking and keyless entry and says what the locks did, why, and what was wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from latchtrace.model.version import __version__

if TYPE_CHECKING:
    from latchtrace.api import Analysis, analyse, verify

__all__ = ["Analysis", "__version__", "analyse", "verify"]


def __getattr__(name: str) -> Any:
    """The Python interface, loaded when it is first used."""
    if name in ("Analysis", "analyse", "verify"):
        from latchtrace import api

        return getattr(api, name)
    raise AttributeError(f"module 'latchtrace' has no attribute '{name}'")
