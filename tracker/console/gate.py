"""Who may look on: a secret in the address, the server's own name and origin, and a limit on visitors."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from urllib.parse import urlsplit

from aiohttp import web

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


def new_token() -> str:
    """Return a secret that cannot be guessed: 192 random bits."""
    return secrets.token_urlsafe(24)


@dataclass
class Gate:
    """Decides about every request before anything is done for it."""

    token: str
    host: str
    """The host that was asked for."""
    visitors: int
    port: int = 0
    inside: int = 0
    """Visitors at the moment."""

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def shown_host(self) -> str:
        """The host as it stands in an address."""
        try:
            one = ipaddress.ip_address(self.host)
        except ValueError:
            return self.host
        name = socket.gethostname() if one.is_unspecified else self.host
        return f"[{name}]" if ":" in name else name

    @property
    def address(self) -> str:
        """Where the view is, with the secret."""
        return f"http://{self.shown_host}:{self.port}/{self.token}/"

    def knows_host(self, header: str | None) -> bool:
        """Return whether a Host header names this server: else some other name was made to lead here."""
        parts = _parts(f"//{header}") if header else None
        if parts is None or (parts[1] or 80) != self.port:
            return False
        name = parts[0]
        if name == self.host.lower():
            return True
        if self.is_loopback:
            return name == "localhost" or _is_loopback(name)
        return _is_address(name) or name == socket.gethostname().lower()

    def knows_origin(self, origin: str | None, host: str | None) -> bool:
        """Return whether an Origin header is this server itself, under the name that was asked."""
        if origin is None or host is None:
            return False
        parts = urlsplit(origin)
        return parts.scheme == "http" and _parts(origin) == _parts(f"//{host}")

    def knows_token(self, token: str) -> bool:
        """Return whether it is the secret, in a time that tells nothing about it."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())

    @property
    def policy(self) -> str:
        """The content security policy: everything from this server, and nothing else."""
        return (
            "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; font-src 'self'; "
            "img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )

    @web.middleware
    async def check(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Refuse what is not for this server, or comes without the secret; seal what goes out."""
        if not self.knows_host(request.headers.get("Host")):
            raise web.HTTPForbidden(text="This server goes by another name.\n")
        first = request.path.split("/")[1] if "/" in request.path else ""
        if not self.knows_token(first):
            raise web.HTTPForbidden(text="This address is not complete: the secret in it is wrong.\n")
        origin = request.headers.get("Origin")
        upgrade = request.headers.get("Upgrade", "").lower() == "websocket"
        if (upgrade or origin is not None) and not self.knows_origin(origin, request.headers.get("Host")):
            raise web.HTTPForbidden(text="A page from elsewhere may not look on.\n")
        return await handler(request)

    async def seal(self, request: web.Request, response: web.StreamResponse) -> None:
        """Put the headers on that keep the page to itself and its address secret."""
        response.headers["Content-Security-Policy"] = self.policy
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cache-Control"] = "no-store"


def _parts(address: str) -> tuple[str, int] | None:
    """Return host and port of an address, in lower case; None where it is none."""
    try:
        parts = urlsplit(address)
        return ((parts.hostname or "").lower(), parts.port or 80) if parts.hostname else None
    except ValueError:
        return None


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _is_loopback(name: str) -> bool:
    return _is_address(name) and ipaddress.ip_address(name).is_loopback
