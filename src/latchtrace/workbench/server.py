"""Serves the workbench on this machine through waitress."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash import Dash

from latchtrace.errors import UsageError
from latchtrace.workbench.app import LARGEST_POST, policy_of

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8050
THREADS = 4


class Server:
    """A workbench that listens, with the address it can be opened at; nothing but the host given decides where."""

    def __init__(self, app: Dash, host: str = DEFAULT_HOST, port: int = DEFAULT_PORT) -> None:
        from waitress import create_server

        policy_of(app).listen_on(host)
        try:
            self._server: Any = create_server(
                app.server,
                host=host,
                port=port,
                threads=THREADS,
                ident=None,
                max_request_body_size=LARGEST_POST,
                clear_untrusted_proxy_headers=True,
            )
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise UsageError(f"cannot listen on {host} port {port} ({why}); choose another with --port") from None
        self.port: int = _port(self._server, port)
        shown = DEFAULT_HOST if policy_of(app).any_address else host
        self.url = f"http://[{shown}]:{self.port}/" if ":" in shown else f"http://{shown}:{self.port}/"

    def run(self) -> None:
        """Serve until `close` is called or the process is interrupted."""
        self._server.run()

    def close(self) -> None:
        """Stop serving."""
        self._server.close()


def _port(server: Any, asked: int) -> int:
    listening = getattr(server, "effective_listen", None)
    port = listening[0][1] if listening else getattr(server, "effective_port", asked)
    return int(port)


def serve(
    app: Dash,
    host: str = DEFAULT_HOST,
    port: int = DEFAULT_PORT,
    ready: Callable[[str], None] | None = None,
) -> None:
    """Serve the workbench until interrupted; `ready` is told the address once it listens.

    The host given decides, and no environment variable does. Raises UsageError where the port cannot be had.
    """
    server = Server(app, host, port)
    if ready is not None:
        ready(server.url)
    try:
        server.run()
    finally:
        server.close()
