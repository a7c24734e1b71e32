"""Durations in the notations that people write in spreadsheets, as whole seconds."""

from __future__ import annotations

import re

UNITS = {"h": 3600.0, "min": 60.0, "s": 1.0}
_NAMES = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), "h"),
    **dict.fromkeys(("m", "min", "mins", "minute", "minutes", "minuten", "'", "\u2032"), "min"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", '"', "\u2033"), "s"),
}
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d)(?:[.,]0+)?)?", re.ASCII)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
_PART = re.compile(r"(\d+(?:[.,]\d+)?)\s*([a-z'\"\u2032\u2033]+)?\s*,?\s*", re.ASCII | re.IGNORECASE)
_ISO = re.compile(r"P?T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?", re.IGNORECASE)
_SMALLER = {"h": "min", "min": "s"}

RIGHT = "write 0:08, 8 min, 1h05 or 01:05:00"


def unit_in(heading: str) -> str | None:
    """Return the unit that a column's heading names, as in `Duration (h)`: `h`, `min` or `s`."""
    for word in reversed(re.findall(r"[a-z]+", heading.lower())):
        if word in _NAMES:
            return _NAMES[word]
    return None


def parse_span(text: str, unit: str = "min") -> int:
    """Read a duration: `8`, `0:08`, `8 min`, `1h05`, `1 h 5 min`, `01:05:00`, `1,5 h`, `90 s`, `PT1H5M`.

    A bare number is in `unit`; a clock is `H:MM` or `H:MM:SS`. Returns whole seconds. Raises ValueError.
    """
    bare = " ".join(text.split())
    clock = _CLOCK.fullmatch(bare)
    if clock is not None:
        hours, minutes, seconds = clock.groups(default="0")
        return int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    if _NUMBER.fullmatch(bare):
        return round(_value(bare) * UNITS[unit])
    iso = _ISO.fullmatch(bare)
    if iso is not None and any(iso.groups()):
        return round(sum(float(n or 0) * u for n, u in zip(iso.groups(), UNITS.values(), strict=True)))
    return round(_parts(bare, text))


def _parts(bare: str, text: str) -> float:
    """Read numbers with units, from large to small; a last number without one is the next smaller."""
    total, before, at = 0.0, "", 0
    while at < len(bare):
        found = _PART.match(bare, at)
        name = found.group(2) if found else None
        unit = _NAMES.get(name.lower()) if name else _SMALLER.get(before)
        if found is None or unit is None or (before and UNITS[unit] >= UNITS[before]):
            raise ValueError(f"{text!r} is not a duration; {RIGHT}")
        total, before, at = total + _value(found.group(1)) * UNITS[unit], unit, found.end()
    if not before:
        raise ValueError(f"{text!r} is not a duration; {RIGHT}")
    return total


def _value(number: str) -> float:
    return float(number.replace(",", "."))
