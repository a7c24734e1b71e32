"""Rounds of readings: one consumable for its crew in their order, or each account by name."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from tracker.foundation.errors import EventError
from tracker.foundation.text import plain
from tracker.journal.progress import Progress
from tracker.journal.typed.match import crew_or_none, find_crew, find_id
from tracker.journal.typed.tokens import Entry, Token
from tracker.journal.value import Setting
from tracker.journal.when import is_time, read_pet
from tracker.plan.model import Consumable

Event = dict[str, Any]

_ACCOUNT = re.compile(r"([A-Za-z*][\w-]*)\.([A-Za-z][\w-]*)(?:=(.+))?")


def begins_reading(progress: Progress, entry: Entry) -> bool:
    """Whether an entry without a verb is a round of readings: `EV1.oxygen=0.52`, `oxygen 0.52 0.49`."""
    found = _ACCOUNT.fullmatch(entry.head)
    if found is not None:
        return found.group(2) in progress.plan.consumable
    return entry.head in progress.plan.consumable


def readings(entry: Entry, setting: Setting) -> list[Event]:
    """Take a round of readings, of one consumable for its crew in their order, or each by name."""
    values, common = list(_reading_values(entry, setting)), _common(entry, setting)
    if not values:
        raise EventError("reading: as in `reading oxygen 0.52 0.49`, or `reading EV1.oxygen=0.52`")
    return [
        {"kind": "reading", "crew": crew, "consumable": consumable, "value": value} | common
        for crew, consumable, value in values
    ]


def _reading_values(entry: Entry, setting: Setting) -> Iterator[tuple[str, str, float]]:
    plan, crew = setting.progress.plan, setting.crew
    by_key: dict[str, str] = {}
    while entry and not is_time(entry.head) and not _is_common(entry.tokens[0]):
        keyed, account = entry.tokens[0].keyed, _ACCOUNT.fullmatch(entry.head)
        named = crew_or_none(setting.progress, entry.head)
        if keyed is not None and keyed[0] in ("crew", "consumable", "value"):
            by_key[keyed[0]] = keyed[1]
            entry.take()
        elif account is not None:
            entry.take()
            consumable = plan.consumable[find_id(plan.consumable, account.group(2), "consumable")]
            value = entry.take() if account.group(3) is None else account.group(3)
            yield find_crew(setting.progress, account.group(1)), consumable.id, _value(consumable, value)
        elif named is not None:
            crew = named
            entry.take()
        else:
            consumable = plan.consumable[find_id(plan.consumable, entry.take(), "consumable")]
            yield from _round(consumable, entry, crew)
    if by_key:
        yield _by_key(by_key, setting)


def _by_key(keys: dict[str, str], setting: Setting) -> tuple[str, str, float]:
    plan = setting.progress.plan
    missing = [key for key in ("crew", "consumable", "value") if key not in keys]
    if missing:
        raise EventError(f"reading: {' and '.join(missing)} missing; as in `reading EV1.oxygen=0.52`")
    consumable = plan.consumable[find_id(plan.consumable, keys["consumable"], "consumable")]
    return find_crew(setting.progress, keys["crew"]), consumable.id, _value(consumable, keys["value"])


def _round(consumable: Consumable, entry: Entry, crew: str | None) -> Iterator[tuple[str, str, float]]:
    """Take one value for the crew member named, or one for everybody; `_` leaves somebody out."""
    owners = ("*",) if consumable.shared else consumable.crew if crew is None else (crew,)
    given: list[str] = []
    while entry and len(given) < len(owners) and (entry.head == "_" or _looks_like_value(entry.head)):
        given.append(entry.take())
    if len(given) < len(owners):
        wanted = " ".join(owners)
        raise EventError(f"reading {consumable.id}: a value for each of {wanted}, or `_`; {len(given)} given")
    for owner, text in zip(owners, given, strict=True):
        if text != "_":
            yield owner, consumable.id, _value(consumable, text)


def _looks_like_value(text: str) -> bool:
    return re.match(r"[-+]?[\d.]", text) is not None and not is_time(text)


def _value(consumable: Consumable, text: str) -> float:
    number = text.removesuffix(consumable.unit).strip() if consumable.unit else text
    try:
        value = float(number)
    except ValueError as error:
        raise EventError(f"reading {consumable.id}: {plain(text)!r} is not a number, as 0.52") from error
    if not abs(value) < 1e12:
        raise EventError(f"reading {consumable.id}: {plain(text)!r} is not a number, as 0.52")
    return value


def _is_common(token: Token) -> bool:
    return token.keyed is not None and token.keyed[0] in ("at", "seat", "text")


def _common(entry: Entry, setting: Setting) -> Event:
    """Take the time, seat and text that all events of an entry share."""
    event: Event = {}
    while entry:
        if is_time(entry.head) and "at" not in event:
            event["at"] = read_pet(entry.take(), setting.clock)
        elif _is_common(entry.tokens[0]):
            key, value = entry.take_keyed(("at", "seat", "text"))
            event[key] = read_pet(value, setting.clock) if key == "at" else value
        else:
            raise EventError(f"what is {plain(entry.take_rest())!r} for?")
    return event
