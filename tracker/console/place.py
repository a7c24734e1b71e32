"""Where a browser finds the lead's view."""

from __future__ import annotations

from tracker.foundation.errors import WrongUsage
from tracker.foundation.text import plain

HERE = "127.0.0.1:8460"
"""On this machine only, unless another place is given."""
VISITORS = 4
"""How many may look on at once; each is a process of its own."""


def place_of(text: str) -> tuple[str, int]:
    """Return host and port of `HOST:PORT`, `HOST`, `:PORT` or `PORT`; WrongUsage says what would be right."""
    usual_host, _, usual_port = HERE.rpartition(":")
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.isdigit():
        host, port = "", text
    else:
        host, _, port = text.partition(":")
    number = port or usual_port
    odd = ":" in port or not host.isprintable() or any(char in host for char in " /@")
    if odd or not (number.isascii() and number.isdigit()) or int(number) > 65535:
        raise WrongUsage(f"--serve: {plain(text, most=80)} is no place; write HOST:PORT, such as {HERE}")
    return host or usual_host, int(number)
