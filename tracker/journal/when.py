"""Times as people type them at a desk: `-3` minutes ago, a PET, or UTC."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from tracker.foundation.errors import EventError
from tracker.foundation.times import format_pet, instant_of, parse_instant, parse_pet, pet_of

_LATE = re.compile(r"-(\d{1,4})(?::([0-5]\d))?", re.ASCII)
_PET = re.compile(r"[+-]?\d{1,4}:[0-5]\d(:[0-5]\d)?", re.ASCII)
_UTC = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?[Zz]", re.ASCII)
_DATED = re.compile(r"\d{4}-\d\d-\d\d[Tt].*", re.ASCII)
_MOST_LATE_S = 30 * 60


@dataclass(frozen=True, slots=True)
class Clock:
    """What typed times are counted from."""

    zero: datetime | None
    """Instant of PET 0; None before the clock was started."""
    now: float | None
    """PET now; None where the journal is not live, so that nothing is ago."""
    reference: datetime
    """The instant to which a time of day is the nearest."""


def is_time(token: str) -> bool:
    """Whether a word is a time in any of the notations."""
    return any(pattern.fullmatch(token) for pattern in (_LATE, _PET, _UTC, _DATED))


def is_ago(token: str) -> bool:
    """Whether a word is a time counted back from now."""
    return _LATE.fullmatch(token) is not None


def read_pet(token: str, clock: Clock) -> int:
    """Return the PET in whole seconds that a typed time means; EventError says what would be right."""
    late = _LATE.fullmatch(token)
    if late is not None and not (clock.zero is None and ":" in token):
        return round(_now(token, clock) - _ago_s(late, clock))
    if _UTC.fullmatch(token) or _DATED.fullmatch(token):
        if clock.zero is None:
            raise EventError(
                f"{token}: the clock has not started, so UTC is no PET yet; `zero {token}` starts it"
            )
        return round(pet_of(read_instant(token, clock), clock.zero))
    try:
        return parse_pet(token)
    except ValueError as error:
        raise EventError(f"{error}; or -3 (minutes ago), or 14:22Z") from error


def read_instant(token: str, clock: Clock) -> datetime:
    """Return the instant that a typed time means; EventError says what would be right."""
    late, day_time = _LATE.fullmatch(token), _UTC.fullmatch(token)
    if late is not None:
        return clock.reference - timedelta(seconds=_ago_s(late, clock))
    if day_time is not None:
        return _nearest(*(int(part or 0) for part in day_time.groups()), reference=clock.reference)
    if _PET.fullmatch(token) and clock.zero is not None:
        return instant_of(parse_pet(token), clock.zero)
    try:
        return parse_instant(token)
    except ValueError as error:
        raise EventError(f"{error}, or 14:22Z, or -3 (minutes ago)") from error


def _nearest(hour: int, minute: int, second: int, *, reference: datetime) -> datetime:
    today = reference.replace(hour=hour, minute=minute, second=second, microsecond=0)
    days = (today + timedelta(days=day) for day in (-1, 0, 1))
    return min(days, key=lambda instant: abs(instant - reference))


def _ago_s(late: re.Match[str], clock: Clock) -> int:
    ago = int(late.group(1)) * 60 + int(late.group(2) or 0)
    if ago > _MOST_LATE_S:
        meant = "" if clock.now is None else f", here {format_pet(clock.now - ago, with_seconds=True)}"
        raise EventError(f"{late.group()}: more than 30 minutes ago wants a PET{meant}")
    return ago


def _now(token: str, clock: Clock) -> float:
    if clock.zero is None:
        raise EventError(f"{token}: the clock has not started; `zero {token}` starts it then")
    if clock.now is None:
        raise EventError(
            f"{token} is counted from now, and this journal is not live; write a PET, H:MM or H:MM:SS"
        )
    return clock.now
