"""Phase elapsed times and wall-clock instants, read and written.

A PET or duration is `H:MM` or `H:MM:SS`; an instant is RFC 3339 in UTC.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime, timedelta

_PET = re.compile(r"([+-]?)(\d{1,4}):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_INSTANT = re.compile(
    r"(\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:)(\d\d)((?:\.\d{1,9})?(?:[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d))", re.ASCII
)

_ROUNDING_S = 0.01
"""What rounding in single precision may take from an instant of ten hours or so."""


def parse_pet(text: str) -> int:
    """Read `H:MM` or `H:MM:SS`, perhaps signed, as whole seconds.

    Raises ValueError that says what would be right.
    """
    found = _PET.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not a time; write H:MM or H:MM:SS{_offer(text)}")
    sign, hours, minutes, seconds = found.groups()
    total = int(hours) * 3600 + int(minutes) * 60 + int(seconds or 0)
    return -total if sign == "-" else total


def _offer(text: str) -> str:
    """The times that a bare number may have been meant as, or nothing."""
    bare = text.strip()
    if not re.fullmatch(r"\d{1,4}", bare, re.ASCII):
        return ""
    n = int(bare)
    return f", {n // 60}:{n % 60:02d} or {n // 3600}:{n // 60 % 60:02d}:{n % 60:02d}"


def format_pet(seconds: float | None, *, with_seconds: bool = False) -> str:
    """Write seconds as `H:MM`, or `H:MM:SS`; an absent time as a dash.

    `H:MM` rounds down to the minute, as a clock does; what lies below it by no more than rounding in
    single precision counts as that minute.
    """
    if seconds is None or not math.isfinite(seconds):
        return "-"
    up = with_seconds or seconds >= 0
    whole = math.floor(seconds + _ROUNDING_S) if up else math.ceil(seconds - _ROUNDING_S)
    sign, whole = ("-", -whole) if whole < 0 else ("", whole)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    if with_seconds:
        return f"{sign}{hours}:{minutes:02d}:{rest:02d}"
    sign = sign if hours or minutes else ""
    return f"{sign}{hours}:{minutes:02d}"


def format_pet_s(seconds: float | None) -> str:
    """A PET as `H:MM:SS`, or a dash."""
    return format_pet(seconds, with_seconds=True)


def format_exact(seconds: float) -> str:
    """Write a planned time so that reading it gives the same seconds: seconds only where they count."""
    return format_pet(seconds, with_seconds=seconds % 60 != 0)


def parse_instant(text: str) -> datetime:
    """Read an RFC 3339 instant with its zone and return it in UTC.

    What is finer than a microsecond is cut off, and a leap second is the second after it. Raises ValueError
    that says what would be right. Source: RFC 3339, section 5.6.
    """
    found = _INSTANT.fullmatch(text.strip())
    wrong = f"{text!r} is not an instant; write 2031-05-04T14:00:00Z"
    if found is None:
        raise ValueError(wrong)
    before, second, after = found.groups()
    leap = second == "60"
    try:
        read = datetime.fromisoformat(f"{before}{'59' if leap else second}{after}".upper())
        return (read + timedelta(seconds=leap)).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise ValueError(wrong) from error


def format_instant(instant: datetime) -> str:
    """Write an aware instant as RFC 3339 in UTC with milliseconds."""
    return instant.astimezone(UTC).isoformat(timespec="milliseconds")[: -len("+00:00")] + "Z"


def brief_instant(instant: datetime) -> str:
    """Write an instant for people: its fraction of a second only where it has one."""
    return format_instant(instant).replace(".000Z", "Z")


def format_day_of_year(instant: datetime) -> str:
    """Write an instant with the day of the year, `1988-018T17:20:43.123Z`.

    Source: CCSDS 301.0-B-4, section 3.5, ASCII time code B.
    """
    utc = instant.astimezone(UTC)
    day = utc.toordinal() - date(utc.year, 1, 1).toordinal() + 1
    return f"{utc.year:04d}-{day:03d}{format_instant(utc)[len('2031-05-04') :]}"


def pet_of(instant: datetime, zero: datetime) -> float:
    """The phase elapsed seconds of an instant."""
    return (instant - zero).total_seconds()


def instant_of(pet_s: float, zero: datetime) -> datetime:
    """The instant of a phase elapsed time; the first or the last of the calendar where it is beyond that."""
    try:
        return zero + timedelta(seconds=pet_s)
    except OverflowError:
        return (datetime.max if pet_s > 0 else datetime.min).replace(tzinfo=UTC)


def calendar_fault(zero: datetime) -> str | None:
    """Why nothing can start at an instant: some of what happens then would have none; None where it can."""
    if datetime.min.year < zero.year < datetime.max.year:
        return None
    return f"{format_instant(zero)} is at the end of the calendar"


def whole_milliseconds(instant: datetime) -> datetime:
    """An instant without what is finer than a journal keeps it."""
    return instant.replace(microsecond=instant.microsecond // 1000 * 1000)
