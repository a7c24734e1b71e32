"""Events as they travel, a JSON object a line, and the lines that only stand together.

A line that is refused harms nothing but itself. A decision that wants another event beside it waits for the
line behind it, and is told to be refused where that is not the one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from typing import Any, BinaryIO

from tracker.foundation.errors import EventError, TrackerError
from tracker.foundation.text import plain
from tracker.journal.kinds import is_partner, partner_of

Event = dict[str, Any]

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


def event_of_line(raw: bytes | None) -> Event | None:
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


class Stream:
    """Records events line by line."""

    def __init__(
        self, record: Callable[[Sequence[Event]], None], refuse: Callable[[int, TrackerError], None]
    ) -> None:
        self._record, self._tell = record, refuse
        self._refused = 0
        self._waiting: tuple[int, Event, TrackerError] | None = None
        """A decision that the next line may make whole: its line, itself, and why it was refused."""

    def read(self, stream: BinaryIO) -> bool:
        """Record every line of a stream as it comes; whether none was refused."""
        for line, raw in numbered_lines(stream):
            self._take(line, raw)
        self._end()
        return not self._refused

    def _refuse(self, line: int, error: TrackerError) -> None:
        self._refused += 1
        self._tell(line, error)

    def _take(self, line: int, raw: bytes | None) -> None:
        """Record what is on a line, together with a decision before it that wants it."""
        try:
            event = event_of_line(raw)
        except TrackerError as error:
            self._refuse(line, error)
            return
        if event is not None and not self._together(event):
            self._end()
            self._alone(line, event)

    def _together(self, event: Event) -> bool:
        """Record the waiting decision and the event that does it; whether that was so."""
        wanted = partner_of(self._waiting[1]) if self._waiting else None
        if self._waiting is None or wanted is None or not is_partner(event, wanted):
            return False
        try:
            self._record([self._waiting[1], event])
        except TrackerError:
            return False
        self._waiting = None
        return True

    def _alone(self, line: int, event: Event) -> None:
        try:
            self._record([event])
        except TrackerError as error:
            if partner_of(event) is None:
                self._refuse(line, error)
            else:
                self._waiting = (line, event, error)

    def _end(self) -> None:
        """Refuse the decision that nothing made whole."""
        waiting, self._waiting = self._waiting, None
        if waiting is not None:
            self._refuse(waiting[0], waiting[2])
