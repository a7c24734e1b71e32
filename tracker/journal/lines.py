"""Events as they travel: one JSON object a line."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, BinaryIO

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain

MOST_BYTES = 1_000_000
"""Longest line that is read; longer ones are refused without being held in memory."""


def numbered_lines(stream: BinaryIO) -> Iterator[tuple[int, bytes | None]]:
    """Yield each line with its number from 1; None for a line that is too long."""
    number = 0
    while raw := stream.readline(MOST_BYTES + 1):
        number += 1
        whole = len(raw) <= MOST_BYTES
        while not whole and not raw.endswith(b"\n"):
            raw = stream.readline(MOST_BYTES)
            if not raw:
                break
        yield number, raw if whole else None


def event_of_line(raw: bytes | None) -> dict[str, Any] | None:
    """Return the event on a line, None for a blank one; EventError for what is no JSON object."""
    if raw is None:
        raise EventError(f"the line is longer than {MOST_BYTES} bytes")
    try:
        text = raw.decode("utf-8-sig").strip()
    except UnicodeDecodeError as error:
        raise EventError(f"the line is not UTF-8 text (byte {error.start + 1})") from error
    if not text:
        return None
    try:
        event = json.loads(text, object_pairs_hook=_no_key_twice, parse_constant=_no_constant)
    except RecursionError as error:
        raise EventError("the line is nested too deeply") from error
    except json.JSONDecodeError as error:
        raise EventError(f"the line is not JSON: {error.msg} at character {error.pos + 1}") from error
    except ValueError as error:
        raise EventError(f"the line is not JSON: {plain(error, most=120)}") from error
    if not isinstance(event, dict):
        raise EventError('the line is not a JSON object, as {"kind": "noted", "text": "glare"}')
    return event


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise EventError(f"the line gives {plain(twice, most=40)!r} twice")
    return made


def _no_constant(name: str) -> float:
    raise EventError(f"the line holds {name}, which is no JSON number")
