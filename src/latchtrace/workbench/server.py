"""Serves the workbench on this machine through waitress."""

from __future__ import annotations

import socket
from collections.abc import Callable
from threading import Event
from typing import Any

from dash import Dash

from latchtrace.errors import UsageError
from latchtrace.workbench.app import LARGEST_POST, policy_of

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8050
THREADS = 8
LONGEST_CLOSE = 5.0


class Server:
    """A workbench that listens, with the address it can be opened at; nothing but the host given decides where."""

    def __init__(self, app: Dash, host: str = DEFAULT_HOST, port: int = DEFAULT_PORT) -> None:
        from waitress import create_server

        policy_of(app).listen_on(host)
        self._socket = _listen(host, port)
        self._open: dict[int, Any] = {}
        self._server: Any = create_server(
            app.server,
            map=self._open,
            sockets=[self._socket],
            threads=THREADS,
            ident=None,
            max_request_body_size=LARGEST_POST,
            clear_untrusted_proxy_headers=True,
        )
        self._idle = Event()
        self._idle.set()
        self.address, self.port = self._socket.getsockname()[:2]
        shown = DEFAULT_HOST if policy_of(app).any_address else host.strip("[]")
        self.url = f"http://[{shown}]:{self.port}/" if ":" in shown else f"http://{shown}:{self.port}/"

    def run(self) -> None:
        """Serve until `close` is called or the process is interrupted."""
        self._idle.clear()
        try:
            self._server.run()
        finally:
            self._idle.set()

    def close(self) -> None:
        """Stop serving, and let the port go; the loop closes what it watches itself, so that nothing runs into it."""
        if self._idle.is_set():
            self._shut()
        else:
            self._server.trigger.pull_trigger(self._shut)
            self._idle.wait(LONGEST_CLOSE)
        self._server.task_dispatcher.shutdown()

    def _shut(self) -> None:
        self._server.close()
        for channel in list(self._open.values()):
            channel.handle_close()


def _listen(host: str, port: int) -> socket.socket:
    """A socket bound to the host and port given, and to nothing else."""
    try:
        found = socket.getaddrinfo(host.strip("[]") or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, kind, protocol, _, address = found[0]
        bound = socket.socket(family, kind, protocol)
    except (OSError, UnicodeError, OverflowError) as error:
        raise _refused(host, port, error) from None
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
    except (OSError, OverflowError) as error:
        bound.close()
        raise _refused(host, port, error) from None
    return bound


def _refused(host: str, port: int, error: Exception) -> UsageError:
    why = getattr(error, "strerror", None) or str(error)
    return UsageError(f"cannot listen on {host} port {port} ({why}); choose another with --host or --port")


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
    try:
        if ready is not None:
            ready(server.url)
        server.run()
    finally:
        server.close()
