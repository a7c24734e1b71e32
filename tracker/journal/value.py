"""Reads one typed word as a value of an event: an id, a number, a time, a list."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.foundation.times import format_instant, parse_instant, parse_pet
from tracker.journal.progress import Progress
from tracker.journal.typed.match import find_crew, find_id, find_step, find_task, meant
from tracker.journal.when import Clock, is_ago, is_time, read_instant, read_pet
from tracker.journal.words import Argument


@dataclass(frozen=True, slots=True)
class Setting:
    """What an entry is read against."""

    progress: Progress
    clock: Clock
    seat: str | None = None
    """Whose events `undo` takes back."""
    crew: str | None = None
    """The crew member whose digit began the entry."""

    def of(self, crew: str) -> Setting:
        """Return the setting of an entry that a crew member's digit began."""
        return replace(self, crew=crew)


def read_value(argument: Argument, text: str, setting: Setting) -> Any:
    """Return the value that one word means for an argument; EventError says what would be right."""
    progress = setting.progress
    match argument.type:
        case "step":
            return find_step(progress, text)
        case "task":
            return find_task(progress, text)
        case "crew":
            return find_crew(progress, text)
        case "crews":
            return _read_crews(progress, text)
        case "window":
            return find_id(progress.plan.window, text, "window")
        case "consumable":
            return find_id(progress.plan.consumable, text, "consumable")
        case "limit":
            return find_id(limit_names(progress), text, "limit")
        case "pet":
            return read_pet(text, setting.clock)
        case "instant":
            return format_instant(read_instant(text, setting.clock))
        case _:
            return _read_plain(argument, text)


def _read_plain(argument: Argument, text: str) -> Any:
    """Return a value that needs no progress to be understood."""
    match argument.type:
        case "count" | "event":
            return _whole(argument.key, text)
        case "number":
            return _number(argument.key, text)
        case "level":
            return _level(argument.key, text)
        case "span":
            return _span(text)
        case "choice":
            return _choice(argument, text)
        case "flag":
            return _flag(argument.key, text)
        case "object":
            return _object(argument.key, text)
        case _:
            return text


def limit_names(progress: Progress) -> list[str]:
    """Return every limit that can be changed: elapsed limits by name, reserves as `CREW.consumable`."""
    reserves = [f"{crew}.{consumable}" for crew, consumable in progress.reserves]
    shared = [f"*.{consumable}" for consumable in progress.plan.consumable]
    return list(dict.fromkeys([*progress.limits, *reserves, *shared]))


def _read_crews(progress: Progress, text: str) -> list[str]:
    if text.startswith("["):
        named = _object("crew", text)
    elif text.lower() in ("all", "both"):
        return list(progress.plan.outside)
    else:
        named = text.split(",")
    if not isinstance(named, list) or not named:
        raise EventError(f"crew: {text!r} is no list; write EV1,EV2")
    return [find_crew(progress, str(one).strip()) for one in named]


def _whole(key: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise EventError(f"{key}: {text!r} is not a whole number, as 3")
    return int(text)


def _number(key: str, text: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e12 or "_" in text:
        raise EventError(f"{key}: {text!r} is not a number, as 0.52")
    return number


def _level(key: str, text: str) -> float | int | str:
    """Read the value of a limit: a PET, an instant, or the number of a reserve or a reading."""
    if is_time(text) and not is_ago(text):
        try:
            return parse_pet(text) if "T" not in text.upper() else format_instant(parse_instant(text))
        except ValueError as error:
            raise EventError(f"{key}: {error}") from error
    return _number(key, text)


def _span(text: str) -> Any:
    if text.startswith("{"):
        return _object("time", text)
    try:
        parse_pet(text)
    except ValueError as error:
        raise EventError(f"time: {error}") from error
    return text


def _choice(argument: Argument, text: str) -> str:
    if text.lower() not in argument.choices:
        choices = " or ".join(argument.choices)
        raise EventError(f"{argument.key}: {text!r} is not {choices}{meant(text.lower(), argument.choices)}")
    return text.lower()


def _flag(key: str, text: str) -> bool:
    if text.lower() not in ("true", "false"):
        raise EventError(f"{key}: {text!r} is neither true nor false")
    return text.lower() == "true"


def _object(key: str, text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise EventError(f"{key}: {plain(text, most=40)!r} is not JSON: {error}") from error
