from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from threading import Thread

import pytest

from latchtrace.errors import UsageError
from latchtrace.workbench import Server, build_app, serve
from support.night import night_result


@pytest.fixture
def served() -> Iterator[Server]:
    server = Server(build_app({"night": night_result()}), port=0)
    thread = Thread(target=server.run, daemon=True)
    thread.start()
    yield server
    server.close()
    thread.join(5)


def test_listens_on_this_machine_only_whatever_the_environment_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("HOST", "0.0.0.0")
    monkeypatch.setenv("PORT", "1")
    monkeypatch.setenv("DASH_DEBUG", "1")
    server = Server(build_app({"night": night_result()}), port=0)
    try:
        assert server.url == f"http://127.0.0.1:{server.port}/"
        assert server.address == "127.0.0.1"
        assert not reachable("127.0.0.2", server.port)
    finally:
        server.close()


def reachable(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=2).close()
    except OSError:
        return False
    return True


def test_a_port_that_is_taken_is_said_in_one_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(
            UsageError, match=f"cannot listen on 127.0.0.1 port {port} .*choose another with --host or --port"
        ):
            serve(build_app({"night": night_result()}), port=port)


def test_a_host_that_is_none_is_said_in_one_line() -> None:
    with pytest.raises(UsageError, match="cannot listen on no such host"):
        serve(build_app({"night": night_result()}), host="no such host", port=0)


@pytest.mark.parametrize(
    "request_text",
    [
        "GET / HTTP/1.0\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        "GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n",
        "GET / HTTP/1.1\r\nHost: evil.example\r\nX-Forwarded-Host: 127.0.0.1\r\n\r\n",
    ],
)
def test_no_way_of_writing_a_foreign_host_gets_through_the_real_server(served: Server, request_text: str) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=5) as line:
        line.sendall(request_text.encode())
        answer = line.recv(4096)
    assert answer.split(b" ")[1] in (b"400", b"403")


def test_says_nothing_about_what_software_it_is(served: Server) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=5)
    connection.request("GET", "/")
    answer = connection.getresponse()
    assert answer.status == 200
    assert answer.getheader("Server") is None
    connection.close()


def test_a_body_too_large_is_refused(served: Server) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=5)
    connection.putrequest("POST", "/_dash-update-component")
    connection.putheader("Content-Length", str(1 << 30))
    connection.endheaders()
    assert connection.getresponse().status == 413
    connection.close()


def test_tells_its_address_once_it_listens(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []

    def heard(url: str) -> None:
        told.append(url)
        host, port = url.removeprefix("http://").rstrip("/").split(":")
        socket.create_connection((host, int(port)), timeout=5).close()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        serve(build_app({"night": night_result()}), port=0, ready=heard)
    assert told
