"""Events at the border: one strict model a kind, and the canonical body that goes on record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.kinds import MODELS

KINDS = tuple(MODELS)
"""Every kind of event, in the order of the contract."""

BEFORE_ZERO = frozenset(
    (
        *("noted", "reading", "dropped", "restored", "moved", "handed", "added", "retimed", "limited"),
        *("chose", "went"),
    )
)
"""Kinds that may happen before the clock starts; they count as PET 0."""

AFTER_CLOSED = frozenset(("noted", "withdrawn", "amended"))
"""Kinds that may still be recorded for any time once the excursion is closed."""

ABOUT_EVENTS = frozenset(("withdrawn", "amended"))
"""Kinds that are about other events and have no place in time of their own."""

_MOST_AT_S = 10_000_000
_MOST_TEXT = 10_000
_MOST_SEAT = 100
_COMMON = ("kind", "at", "seat")


@dataclass(frozen=True, slots=True)
class Parsed:
    """An event that is well formed; whether it is possible is the fold's to say."""

    kind: str
    at: int | None
    """PET in whole seconds; None where none was given."""
    seat: str | None
    body: Mapping[str, Any]
    """Canonical: JSON values only, keys that were left out stay out."""


def parse_event(event: Mapping[str, Any]) -> Parsed:
    """Read an event as it travels in JSON.

    Raises EventError with one line that says which key is wrong and what would be right.
    """
    if not isinstance(event, Mapping):
        raise EventError(f"an event is an object such as {_EXAMPLE}, not {_shown(event)}")
    kind = event.get("kind")
    if not isinstance(kind, str) or kind not in MODELS:
        what = "`kind` is missing" if kind is None else f"{_shown(kind)} is no kind of event"
        raise EventError(f"{what}; one of {', '.join(KINDS)}")
    own = {key: value for key, value in event.items() if key not in _COMMON}
    body = _body(kind, own)
    at = event.get("at")
    if kind == "amended" and (at is None) == ("utc" not in body):
        raise EventError("amended: give `at`, the PET at which it happened, or for `zero` its `utc`")
    return Parsed(kind, _at(kind, at), _seat(kind, event.get("seat")), body)


_EXAMPLE = '{"kind": "done", "step": "egress.1", "at": 510}'


def _shown(value: object) -> str:
    """Return a value as it may stand in a message."""
    if isinstance(value, Mapping | list | tuple):
        return "an object" if isinstance(value, Mapping) else "a list"
    return plain(repr(value), most=60)


def _body(kind: str, own: Mapping[str, Any]) -> Mapping[str, Any]:
    for key, value in own.items():
        _check_text(kind, key, value)
    try:
        model = MODELS[kind].model_validate(own)
    except ValidationError as error:
        raise EventError(_complaint(kind, error.errors(include_url=False)[0])) from None
    except RecursionError:
        raise EventError(f"{kind}: nested too deeply") from None
    dumped: Mapping[str, Any] = model.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    return dumped


def _check_text(kind: str, key: object, value: object) -> None:
    """Refuse what could not be stored: half characters, and texts without end."""
    if not isinstance(key, str):
        raise EventError(f"{kind}: {_shown(key)} is no key")
    if isinstance(value, str):
        if len(value) > _MOST_TEXT:
            raise EventError(f"{kind}: `{plain(key, most=40)}` is longer than {_MOST_TEXT} characters")
        if any("\ud800" <= char <= "\udfff" for char in value):
            raise EventError(f"{kind}: `{plain(key, most=40)}` holds half of a character; write UTF-8")


def _complaint(kind: str, fault: ErrorDetails) -> str:
    place = ".".join(str(part) for part in fault["loc"]) or "event"
    place = plain(place, most=60)
    if fault["type"] == "missing":
        return f"{kind}: `{place}` is missing{_takes(kind)}"
    if fault["type"] == "extra_forbidden":
        return f"{kind}: there is no key `{place}`{_takes(kind)}"
    said = fault["msg"].removeprefix("Value error, ")
    if not fault["loc"]:
        return f"{kind}: {said}"
    return f"{kind}: `{place}` is {_shown(fault['input'])}; {said[:1].lower()}{said[1:]}"


def _takes(kind: str) -> str:
    keys = ", ".join(key for key in MODELS[kind].model_fields if key != "text")
    return f"; it takes {keys + ', ' if keys else ''}at, seat, text"


def _at(kind: str, at: object) -> int | None:
    if at is None:
        return None
    wrong = f"{kind}: `at` is {_shown(at)}; write a PET as whole seconds, such as 510"
    if isinstance(at, bool) or not isinstance(at, int | float):
        raise EventError(wrong)
    if isinstance(at, float) and not at.is_integer():
        raise EventError(wrong)
    if abs(at) > _MOST_AT_S:
        raise EventError(wrong)
    return int(at)


def _seat(kind: str, seat: object) -> str | None:
    if seat is None:
        return None
    if not isinstance(seat, str) or not seat.strip():
        raise EventError(f"{kind}: `seat` is {_shown(seat)}; write a name, such as loop@console-2")
    _check_text(kind, "seat", seat)
    if len(seat) > _MOST_SEAT:
        raise EventError(f"{kind}: `seat` is longer than {_MOST_SEAT} characters")
    return seat
