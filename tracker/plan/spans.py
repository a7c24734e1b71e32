"""Durations in the notations that people write in spreadsheets, as whole seconds."""

from __future__ import annotations

import re

UNITS = {"h": 3600.0, "min": 60.0, "s": 1.0}
_NAMES = {
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), "h"),
    **dict.fromkeys(("m", "mn", "min", "mins", "minute", "minutes", "minuten", "'", "\u2032"), "min"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sek", '"', "\u2033"), "s"),
}
_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d)(?:[.,]0+)?)?", re.ASCII)
_NUMBER = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)
_PART = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(?:([a-z'\"\u2032\u2033]+)\.?)?\s*(?:,|and\b|&)?\s*", re.ASCII | re.IGNORECASE
)
_ABOUT = re.compile(r"(?:~|≈|approx\.?|about|circa|ca?\.)\s*", re.IGNORECASE)
_HALF_DAY = re.compile(r"(1[0-2]|0?[1-9])(:[0-5]\d(?::[0-5]\d)?)\s*([ap])\.?m\.?", re.IGNORECASE)
_CLOCK_UNIT = re.compile(
    r"(\d{1,3}:[0-5]\d(?::[0-5]\d)?)\s*(h|hrs?|hours?|min|mins|minutes)\.?", re.IGNORECASE
)
_ISO = re.compile(r"P?(?:0D)?T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?", re.IGNORECASE)
_SMALLER = {"h": "min", "min": "s"}

RIGHT = "write 0:08, 8 min, 1h05 or 01:05:00"


def unit_in(heading: str) -> str | None:
    """Return the unit that a column's heading names, as in `Duration (h)`: `h`, `min` or `s`.

    A heading may also show how clocks are written: `h:mm` or `m:ss`.
    """
    clock = re.search(r"\b(?:(h{1,2}:m{2}(?::s{2})?)|m{1,2}:s{2})(?![:\w])", heading.lower())
    if clock is not None:
        return "h:mm" if clock.group(1) else "m:ss"
    for word in reversed(re.findall(r"[a-z]+", heading.lower())):
        if word in _NAMES:
            return _NAMES[word]
    return None


def parse_span(text: str, unit: str = "min") -> int:
    """Read a duration: `8`, `0:08`, `8 min`, `1h05`, `1 h 5 min`, `01:05:00`, `1,5 h`, `90 s`, `PT1H5M`.

    A bare number is in `unit`; a clock is `H:MM` or `H:MM:SS`, and `M:SS` where the unit is `m:ss`. Returns
    whole seconds. Raises ValueError.
    """
    bare = _ABOUT.sub("", " ".join(text.split()), count=1) if text else ""
    half = _HALF_DAY.fullmatch(bare)
    if half is not None:
        # A spreadsheet that shows a duration as a time of day: 12:08:00 AM is 0:08.
        bare = f"{int(half.group(1)) % 12 + 12 * (half.group(3) in 'pP')}{half.group(2)}"
    named = _CLOCK_UNIT.fullmatch(bare)
    if named is not None:
        bare, unit = named.group(1), "m:ss" if named.group(2)[0] in "mM" else "h:mm"
    clock = _CLOCK.fullmatch(bare)
    if clock is not None:
        hours, minutes, seconds = clock.groups(default="0")
        if unit == "m:ss" and clock.group(3) is None:
            hours, minutes, seconds = "0", hours, minutes
        return int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    if _NUMBER.fullmatch(bare):
        return _number(bare, text, unit)
    iso = _ISO.fullmatch(bare)
    if iso is not None and any(iso.groups()):
        return round(sum(float(n or 0) * u for n, u in zip(iso.groups(), UNITS.values(), strict=True)))
    return round(_parts(bare, text))


def _number(bare: str, text: str, unit: str) -> int:
    if unit not in UNITS:
        minutes, hours = (
            (f"{bare}:00", f"0:{bare:0>2}") if unit == "m:ss" else (f"0:{bare:0>2}", f"{bare}:00")
        )
        raise ValueError(f"{text!r} has no unit, and the heading shows {unit}; write {minutes} or {hours}")
    return round(_value(bare) * UNITS[unit])


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
