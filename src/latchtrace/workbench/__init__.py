"""The web workbench: one file a panel.

`build_app` and `serve` are what other rooms use; they load Dash when first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from latchtrace.workbench.app import build_app
    from latchtrace.workbench.server import Server, serve

__all__ = ["Server", "build_app", "serve"]


def __getattr__(name: str) -> Any:
    if name == "build_app":
        from latchtrace.workbench.app import build_app

        return build_app
    if name in ("Server", "serve"):
        from latchtrace.workbench import server

        return getattr(server, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
