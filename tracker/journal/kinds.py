"""The kinds of events: which keys each takes, and of what form."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from tracker.foundation.times import format_exact, format_instant, parse_instant, parse_pet


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
    if not math.isfinite(value) or not 0 <= value <= 1e12:
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
    if isinstance(value, str):
        return parse_pet(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or not float(value).is_integer():
        raise ValueError("write a PET as whole seconds")
    return int(value)


def _span(value: object) -> str:
    """A planned time as text; seconds are taken too."""
    seconds = _pet(value)
    if not 0 <= seconds <= 100 * 3600:
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
    """A JSON value of bounded depth, its numbers finite."""
    if depth > 8:
        raise ValueError("write it with less nesting")
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError("write finite numbers")
    if isinstance(value, Mapping):
        if not all(isinstance(key, str) for key in value):
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


Name = Annotated[str, BeforeValidator(_name)]
Crew = Annotated[tuple[str, ...], BeforeValidator(_names)]
Member = Annotated[str, BeforeValidator(_one_of_crew)]
Whole = Annotated[int, BeforeValidator(_whole)]
EventNumber = Annotated[int, BeforeValidator(_event_number)]
Level = Annotated[float, BeforeValidator(_level)]
Pet = Annotated[int, BeforeValidator(_pet)]
Instant = Annotated[str, BeforeValidator(_instant)]
JsonObject = Annotated[Mapping[str, Any], BeforeValidator(_object)]
Yes = Annotated[Literal[True] | None, Field(default=None)]


class Kind(BaseModel):
    """What every event may carry besides `at` and `seat`."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    text: Annotated[str | None, Field(strict=True)] = None


class _Empty(Kind):
    pass


class _Zero(Kind):
    utc: Instant | None = None


class _Step(Kind):
    step: Name


class _Counted(_Step):
    count: Whole


class _Done(_Step):
    count: Whole | None = None


class _Task(Kind):
    task: Name


class _Held(Kind):
    crew: Crew | None = None
    until: Pet | None = None


class _SomeCrew(Kind):
    crew: Crew | None = None


class _NamedCrew(Kind):
    crew: Crew


class _Handed(_Step):
    crew: Crew


class _Placed(Kind):
    before: Name | None = None
    last: Yes


class _Moved(_Placed):
    task: Name

    @model_validator(mode="after")
    def _one_place(self) -> _Moved:
        if (self.before is None) == (self.last is None):
            raise ValueError("give `before` (a task) or `last: true`, one of them")
        return self


class _Added(_Placed):
    task: JsonObject

    @model_validator(mode="after")
    def _at_most_one_place(self) -> _Added:
        if self.before is not None and self.last is not None:
            raise ValueError("give `before` (a task) or `last: true`, not both")
        return self


class _Retimed(_Step):
    time: Annotated[str | dict[str, str], BeforeValidator(_time)]
    left: Yes


class _Limited(Kind):
    limit: Name
    value: Annotated[float | str, BeforeValidator(_limit_value)]


class _Reading(Kind):
    crew: Member
    consumable: Name
    value: Level


class _Seen(Kind):
    window: Name


class _Member(Kind):
    crew: Member


class _Called(Kind):
    call: Literal["home", "at once"]
    crew: Crew | None = None


class _Noted(Kind):
    text: Annotated[str, Field(strict=True), AfterValidator(lambda text: text)]


class _Chose(Kind):
    task: Name
    choice: Literal["keep", "drop", "open"]
    advice: Annotated[str | None, Field(strict=True)] = None
    figures: JsonObject | None = None


class _Acknowledged(Kind):
    alert: Annotated[str, Field(strict=True, min_length=1, max_length=300)]


class _Withdrawn(Kind):
    event: EventNumber


class _Amended(_Withdrawn):
    utc: Instant | None = None


MODELS: Mapping[str, type[Kind]] = {
    "zero": _Zero,
    "began": _Step,
    "counted": _Counted,
    "done": _Done,
    "skipped": _Step,
    "dropped": _Task,
    "restored": _Task,
    "held": _Held,
    "resumed": _SomeCrew,
    "went": _Step,
    "handed": _Handed,
    "moved": _Moved,
    "added": _Added,
    "retimed": _Retimed,
    "limited": _Limited,
    "reading": _Reading,
    "replaced": _Reading,
    "seen": _Seen,
    "entered": _Member,
    "called": _Called,
    "silent": _NamedCrew,
    "heard": _NamedCrew,
    "noted": _Noted,
    "chose": _Chose,
    "acknowledged": _Acknowledged,
    "withdrawn": _Withdrawn,
    "amended": _Amended,
    "closed": _Empty,
}
"""The model of each kind."""
