"""The values of events' keys: what is read, and in what words anything else is refused."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import BeforeValidator, Field

from tracker.foundation.times import format_exact, format_instant, format_pet_s, parse_instant, parse_pet
from tracker.journal.kinds import NOT_OK
from tracker.plan.model import LONGEST_S

MOST_AT_S = 10_000_000
_MOST_NUMBER = 1e300
_MOST_TEXT = 10_000
_NOT_OK = re.compile(rf"{NOT_OK}\s*:?\s*(.*)", re.IGNORECASE | re.DOTALL)
_HALF = re.compile("[\ud800-\udfff]")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f]")


def unfit_text(text: str) -> str | None:
    """What keeps text off the record; None for what may be stored."""
    if len(text) > _MOST_TEXT:
        return f"is longer than {_MOST_TEXT} characters"
    if _HALF.search(text):
        return "holds half of a character; write UTF-8"
    if _CONTROL.search(text):
        return "holds a control character; write text, tabs and line feeds"
    return None


def _name(value: object) -> str:
    if not isinstance(value, str) or not 0 < len(value) <= 100:
        raise ValueError("write a name")
    return value


def _names(value: object) -> tuple[str, ...]:
    listed = value.split(",") if isinstance(value, str) else value
    if not isinstance(listed, list | tuple) or not listed:
        raise ValueError('write a list of names, such as ["EV1", "EV2"]')
    names = tuple(_name(one.strip() if isinstance(one, str) else one) for one in listed)
    if len(set(names)) < len(names):
        raise ValueError("name each once")
    return names


def _one_of_crew(value: object) -> str:
    names = _names(value)
    if len(names) > 1:
        raise ValueError("name one crew member an event")
    return names[0]


def _words(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("write what it is about, in words")
    return value


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
        raise ValueError("write a whole number from 0 on")
    return value


def _event_number(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise ValueError("write the number of an event")
    return value


def _level(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("write a number")
    if not 0 <= value <= 1e12:
        raise ValueError("write a number from 0 on")
    return value


def _limit_value(value: object) -> float | str:
    """A PET or an instant as text, or a number: seconds for a limit, units for a reserve."""
    if not isinstance(value, str):
        return _level(value)
    try:
        return format_exact(parse_pet(value))
    except ValueError:
        if "T" not in value.upper():
            raise
        return format_instant(parse_instant(value))


def _pet(value: object) -> int:
    return parse_pet(value) if isinstance(value, str) else whole_pet(value)


def whole_pet(value: object) -> int:
    """The PET that a number of seconds is; ValueError where it is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("write a PET as whole seconds")
    # What is too great for a float is compared before it is made one.
    if MOST_AT_S < abs(value) < 1e15:
        raise ValueError(f"no excursion gets to {format_pet_s(value)}; check its hours, day and year")
    if not -MOST_AT_S <= value <= MOST_AT_S or not float(value).is_integer():
        raise ValueError("write a PET as whole seconds")
    return int(value)


def _span(value: object) -> str:
    """A planned time as text; seconds are taken too."""
    seconds = _pet(value)
    if not 0 <= seconds <= LONGEST_S:
        raise ValueError("write a time such as 0:12")
    return format_exact(seconds)


def _time(value: object) -> str | dict[str, str]:
    if not isinstance(value, Mapping):
        return _span(value)
    if set(value) != {"low", "likely", "high"}:
        raise ValueError("write 0:12, or low, likely and high")
    span = {key: _span(value[key]) for key in ("low", "likely", "high")}
    low, likely, high = (parse_pet(span[key]) for key in ("low", "likely", "high"))
    if not 0 < low <= likely <= high:
        raise ValueError("low, likely and high go up from above zero")
    return span


def _instant(value: object) -> str:
    if isinstance(value, datetime) and value.tzinfo is not None:
        return format_instant(value)
    if not isinstance(value, str):
        raise ValueError("write an instant such as 2031-05-04T14:00:00Z")
    return format_instant(parse_instant(value))


def _json(value: object, depth: int = 0) -> object:
    """A JSON value of bounded depth, its numbers finite, its text such as can be stored."""
    if depth > 8:
        raise ValueError("write it with less nesting")
    if isinstance(value, int | float) and not abs(value) <= _MOST_NUMBER:
        raise ValueError("write finite numbers")
    if isinstance(value, str) and (wrong := unfit_text(value)):
        raise ValueError(f"the text in it {wrong}")
    if isinstance(value, Mapping):
        if not all(isinstance(key, str) and not unfit_text(key) for key in value):
            raise ValueError("write text as keys")
        return {key: _json(one, depth + 1) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_json(one, depth + 1) for one in value]
    if value is None or isinstance(value, str | int | float):
        return value
    raise ValueError("write JSON values")


def _object(value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise ValueError("write an object")
    found = _json(value)
    assert isinstance(found, Mapping)
    return found


_ANSWER = 'write "ok", "not ok: and why", or a number that was read'


def _answer(value: object) -> str | float:
    if not isinstance(value, str):
        return _level(value)
    found = _NOT_OK.fullmatch(value.strip())
    if found is None and value.strip().lower() != "ok":
        raise ValueError(_ANSWER)
    if found is None:
        return "ok"
    return f"{NOT_OK}: {found[1]}" if found[1] else NOT_OK


def _answers(value: object) -> Mapping[str, str | float]:
    if not isinstance(value, Mapping) or not value:
        raise ValueError('write what was answered, such as {"gloves": "ok", "oxygen": 0.52}')
    _json(value)
    return {_name(item): _answer(one) for item, one in value.items()}


def _job_name(value: object) -> str:
    try:
        return str(UUID(str(value)))
    except ValueError:
        raise ValueError("is the UUID of a press, as `record --job` takes it") from None


Name = Annotated[str, BeforeValidator(_name)]
Crew = Annotated[tuple[str, ...], BeforeValidator(_names)]
Member = Annotated[str, BeforeValidator(_one_of_crew)]
Whole = Annotated[int, BeforeValidator(_whole)]
JobName = Annotated[str, BeforeValidator(_job_name)]
EventNumber = Annotated[int, BeforeValidator(_event_number)]
Amount = Annotated[float, BeforeValidator(_level)]
Pet = Annotated[int, BeforeValidator(_pet)]
Instant = Annotated[str, BeforeValidator(_instant)]
JsonObject = Annotated[Mapping[str, Any], BeforeValidator(_object)]
Answers = Annotated[Mapping[str, str | float], BeforeValidator(_answers)]
LimitValue = Annotated[float | str, BeforeValidator(_limit_value)]
Time = Annotated[str | dict[str, str], BeforeValidator(_time)]
Words = Annotated[str, BeforeValidator(_words)]
Yes = Annotated[Literal[True] | None, Field(default=None)]
