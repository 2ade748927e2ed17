"""Who may talk to the workbench: only pages it served itself, by the name it was started under.

Sits in front of everything, so that no route can forget it. A foreign Host is refused on every route (a name that a
foreign site points at this machine), a foreign Origin or Sec-Fetch-Site wherever a page did not navigate here, and
every POST needs this run's token besides.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from hmac import compare_digest
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

Environ = dict[str, Any]
Headers = list[tuple[str, str]]
Wsgi = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]

TOKEN_HEADER = "X-Latchtrace-Token"  # noqa: S105
LOCAL_HOSTS = frozenset({"127.0.0.1", "localhost", "::1"})
ALL_ADDRESSES = frozenset({"", "0.0.0.0", "::"})  # noqa: S104
METHODS = frozenset({"GET", "HEAD", "POST"})

_HOST = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(?::\d{1,5})?")

FIXED_HEADERS: Headers = [
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Frame-Options", "DENY"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), usb=(), serial=()"),
]


@dataclass(slots=True)
class Policy:
    """Which hosts are ours, this run's token, and what pages may load."""

    hosts: set[str] = field(default_factory=lambda: set(LOCAL_HOSTS))
    any_address: bool = False
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    cookie: str = field(default_factory=lambda: f"latchtrace_{secrets.token_hex(4)}")
    script_hashes: tuple[str, ...] = ()

    def listen_on(self, host: str) -> None:
        """Accept the name or address the server was told to listen on; every address, if on all of them."""
        if host in ALL_ADDRESSES:
            self.any_address = True
        else:
            self.hosts.add(host.strip("[]").lower())

    @property
    def content_security(self) -> str:
        """The Content-Security-Policy: everything from here, nothing evaluated, nothing framed."""
        scripts = " ".join(("'self'", *self.script_hashes))
        return (
            f"default-src 'none'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
            "font-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )

    def own_host(self, host: str) -> bool:
        """Whether a Host header names this server; an address is never a foreign site's name."""
        match = _HOST.fullmatch(host)
        if not match:
            return False
        name = match[1].strip("[]").lower().removesuffix(".")
        return name in self.hosts or (self.any_address and _is_address(name))


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


class Guard:
    """Wraps the application: refuses what does not come from its own pages, and says what pages may do."""

    def __init__(self, application: Wsgi, policy: Policy) -> None:
        self._application = application
        self.policy = policy

    def __call__(self, environ: Environ, start_response: Callable[..., Any]) -> Iterable[bytes]:
        """Answer one request."""
        refusal = self.refusal(environ)

        def start(status: str, headers: Headers, *more: Any) -> Any:
            return start_response(status, [*headers, *self._headers(headers)], *more)

        if refusal is None:
            return self._application(environ, start)
        status, why = refusal
        start(status, [("Content-Type", "text/plain; charset=utf-8")])
        return [f"{why}\n".encode()]

    def refusal(self, environ: Environ) -> tuple[str, str] | None:
        """Why a request is refused (status, text), or None."""
        method, host = environ["REQUEST_METHOD"], environ.get("HTTP_HOST", "")
        if not self.policy.own_host(host):
            return "403 Forbidden", "This name is not one that the workbench was started under."
        if method not in METHODS:
            return "405 Method Not Allowed", "Only GET, HEAD and POST are served."
        site, origin = environ.get("HTTP_SEC_FETCH_SITE", ""), environ.get("HTTP_ORIGIN")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return "403 Forbidden", "Requests from pages of another origin are refused."
        if site not in ("", "same-origin", "none") and not _visit(environ):
            return "403 Forbidden", "Requests from pages of another site are refused."
        given = environ.get("HTTP_" + TOKEN_HEADER.upper().replace("-", "_"), "")
        if method == "POST" and not compare_digest(given.encode("latin-1"), self.policy.token.encode()):
            return "403 Forbidden", "This page belongs to an earlier run of the workbench: reload it."
        return None

    def _headers(self, headers: Headers) -> Headers:
        more = [*FIXED_HEADERS, ("Content-Security-Policy", self.policy.content_security)]
        names = {name.lower(): value for name, value in headers}
        if names.get("content-type", "").startswith("text/html"):
            more.append(("Set-Cookie", f"{self.policy.cookie}={self.policy.token}; Path=/; SameSite=Strict"))
        if "cache-control" not in names:
            more.append(("Cache-Control", "no-store"))
        return more


def _visit(environ: Environ) -> bool:
    """Whether a person followed a link or opened the address: a page of its own, not part of another."""
    return (
        environ["REQUEST_METHOD"] in ("GET", "HEAD")
        and environ.get("HTTP_SEC_FETCH_MODE") == "navigate"
        and environ.get("HTTP_SEC_FETCH_DEST") == "document"
    )
