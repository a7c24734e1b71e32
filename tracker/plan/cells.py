"""What a cell of a sheet means: its kind and value, the duration that it holds, the unit that a word names.

One table of meanings serves every kind of sheet. A spreadsheet holds a duration as a fraction of a day and an
instant as a serial; text says both in many notations. What cannot be read is a ValueError whose text is
`what is wrong; what would be right`.
"""

from __future__ import annotations

import math
import re
from typing import Literal, NamedTuple

from tracker.foundation.times import format_exact, format_pet, format_pet_s
from tracker.plan.sheet_words import UNIT_NAMES, fold

Kind = Literal[
    "text", "number", "percent", "span", "clock", "instant", "yes/no", "error", "uncomputed"
]  # fmt: skip
"""What a sheet says that a cell is; a CSV holds text, and the errors that a spreadsheet wrote into it."""

DAY_S = 86_400.0
UNITS = {"d": DAY_S, "h": 3600.0, "min": 60.0, "s": 1.0}
"""Seconds of each unit of a bare number."""
LEAST_S = 5.0
"""No step is planned shorter than this under a heading that names minutes or hours."""
IN_WORDS = {"d": "fractions of a day", "h": "hours", "min": "minutes", "s": "seconds"}
RIGHT = "write 0:08, 8 min, 1h05 or 01:05:00"
ERRORS = {"#REF!", "#DIV/0!", "#N/A", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!"}
"""What spreadsheets write where a formula failed. Source: ECMA-376 Part 1, 18.17.3, and the newer two."""


class Cell(str):
    """A cell as the text that stands for it in columns of words, with what its sheet says it is."""

    kind: Kind
    value: float
    """Of numbers and percentages the number, of spans and clocks days; nothing of other kinds."""

    def __new__(cls, text: str = "", kind: Kind = "text", value: float = math.nan) -> Cell:
        """A cell; without a kind one of text."""
        cell = super().__new__(cls, text)
        cell.kind, cell.value = kind, value
        return cell


_RUN = re.compile(r"'*[=+\-@\t\r]")
"""What some spreadsheet takes for a formula, and that behind the mark that keeps it from it."""


def guarded(text: str) -> str:
    """A text for a CSV that no spreadsheet runs: behind a `'` where it could be a formula."""
    return f"'{text}" if _RUN.match(text) else text


def unguarded(text: str) -> str:
    """A text of a CSV without the `'` of `guarded`."""
    return text[1:] if text[:1] == "'" and _RUN.match(text) else text


def text_cell(text: str) -> Cell:
    """A cell of a sheet that holds nothing but text."""
    bare = text.strip()
    failed = bare.upper() in ERRORS or re.fullmatch(r"Err:5\d\d", bare) is not None
    return Cell(bare, "error") if failed else Cell(text)


def typed_cell(kind: Kind, value: object) -> Cell:
    """A cell of a workbook: numbers, percentages, spans and clocks as numbers, the other kinds as text."""
    if not isinstance(value, int | float):
        return Cell(str(value), kind)
    if kind in ("span", "clock"):
        return Cell(format_pet_s(round(value * DAY_S)), kind, value)
    if kind == "yes/no":
        return Cell("yes" if value else "no", kind)
    return Cell(f"{value * 100:.13g} %" if kind == "percent" else f"{value:.15g}", kind, value)


def trouble(cell: Cell) -> tuple[str, str] | None:
    """What is wrong with a cell in whatever column it stands, and what would be right; None for most."""
    if cell.kind == "error":
        return f"holds {cell}", "mend the formula"
    if cell.kind == "uncomputed":
        return (
            "is a formula that was never computed",
            "open the sheet in a spreadsheet program and save it",
        )
    return None


class Span(NamedTuple):
    """A duration as a cell gives it: in seconds, or as a number whose unit something else must say."""

    seconds: float | None = None
    bare: float | None = None
    clock: bool = False
    """Whether it was written with colons."""

    def in_unit(self, unit: str) -> float:
        """The seconds, bare numbers in this unit."""
        return self.seconds if self.seconds is not None else (self.bare or 0.0) * UNITS[unit]


_UNLIKE = {"percent": "is a percentage", "yes/no": "is yes or no", "instant": "is a date and no duration"}


def span_of(cell: Cell, unit: str | None = None, decimal: str = "") -> Span:
    """The duration in a cell; `unit` is what the column says, `decimal` the mark before its decimals.

    A bare number stays one, also where the unit is known. Raises ValueError.
    """
    if cell.kind in _UNLIKE:
        raise ValueError(f"{str(cell)!r} {_UNLIKE[cell.kind]}; {RIGHT}")
    if cell.kind == "clock" and cell.value >= 1:
        holds = round(cell.value * DAY_S)
        raise ValueError(
            f"shows {format_exact(holds % 86_400)} and holds {format_exact(holds)}; format it as [h]:mm"
        )
    if cell.kind in ("span", "clock"):
        return Span(cell.value * DAY_S, clock=True)
    if cell.kind == "number":
        return _bare(cell.value, str(cell), unit)
    return _text_span(str(cell), unit, decimal)


_CLOCK = re.compile(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d)(?:[.,]0+)?)?", re.ASCII)
_NUMBER = re.compile(r"\d[\d.,]*", re.ASCII)
_PART = re.compile(
    r"(\d+(?:[.,]\d+)*)\s*(?:([^\W\d_]+|['\"\u2032\u2033])\.?)?\s*(?:,|and\b|&)?\s*", re.IGNORECASE
)
_ABOUT = re.compile(r"(?:~|≈|approx\.?|about|circa|ca?\.)\s*", re.IGNORECASE)
_HALF_DAY = re.compile(r"(1[0-2]|0?[1-9])(:[0-5]\d(?::[0-5]\d)?)\s*([ap])\.?m\.?", re.IGNORECASE)
_CLOCK_UNIT = re.compile(
    r"(\d{1,3}:[0-5]\d(?::[0-5]\d)?)\s*(h|hrs?|hours?|min|mins|minutes)\.?", re.IGNORECASE
)
_ISO = re.compile(
    r"P?(?:(\d+(?:[.,]\d+)?)D)?(?:T(?:(\d+(?:[.,]\d+)?)H)?(?:(\d+(?:[.,]\d+)?)M)?(?:(\d+(?:[.,]\d+)?)S)?)?",
    re.ASCII | re.IGNORECASE,
)
"""Source: ISO 8601, and dayTimeDuration of XML Schema; years, months and weeks are no time of a step."""
_SMALLER = {"h": "min", "min": "s"}


def _text_span(text: str, unit: str | None, decimal: str) -> Span:
    """A duration in one of the usual notations.

    `8`, `0:08`, `8 min`, `1h05`, `1 h 5 min`, `01:05:00`, `1,5 h`, `90 s`, `PT1H5M`; a clock is `H:MM` or
    `H:MM:SS`, and `M:SS` where the unit is `m:ss`.
    """
    bare = _ABOUT.sub("", " ".join(text.split()), count=1)
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
        return Span(int(hours) * 3600 + int(minutes) * 60 + int(seconds), clock=True)
    if _NUMBER.fullmatch(bare):
        return _bare(number_in(bare, decimal, RIGHT), bare, unit)
    iso = _ISO.fullmatch(bare) if bare[:1] in "PpTt" else None
    if iso is not None and any(iso.groups()):
        numbers = (float((n or "0").replace(",", ".")) for n in iso.groups())
        return Span(sum(n * seconds for n, seconds in zip(numbers, UNITS.values(), strict=True)))
    return Span(_parts(bare, text, decimal))


def _bare(number: float, text: str, unit: str | None) -> Span:
    if unit in ("m:ss", "h:mm") and number != int(number):
        right = f"write {format_pet(60 * round(number * 1440))} if it is a fraction of a day"
        raise ValueError(f"{text!r} has no unit, and the heading shows {unit}; {right}")
    if unit in ("m:ss", "h:mm"):
        minutes, hours = (
            (f"{text}:00", f"0:{text:0>2}") if unit == "m:ss" else (f"0:{text:0>2}", f"{text}:00")
        )
        raise ValueError(f"{text!r} has no unit, and the heading shows {unit}; write {minutes} or {hours}")
    return Span(bare=number)


def _parts(bare: str, text: str, decimal: str) -> float:
    """Read numbers with units, from large to small; a last number without one is the next smaller."""
    total, before, at = 0.0, "", 0
    while at < len(bare):
        found = _PART.match(bare, at)
        name = found.group(2) if found else None
        unit = UNIT_NAMES.get(fold(name)) if name else _SMALLER.get(before)
        if found is None or unit is None or (before and UNITS[unit] >= UNITS[before]):
            raise ValueError(f"{text!r} is not a duration; {RIGHT}")
        total, before, at = total + number_in(found.group(1), decimal, RIGHT) * UNITS[unit], unit, found.end()
    if not before:
        raise ValueError(f"{text!r} is not a duration; {RIGHT}")
    return total


_EITHER = re.compile(r"([1-9]\d{0,2})[.,](\d{3})", re.ASCII)
"""Thousands to some, decimals to others; no number of thousands begins with a nought."""


def number_in(text: str, decimal: str, right: str = "write a number") -> float:
    """The number in a text; `decimal` is the mark before its decimals, empty where nobody said.

    Raises ValueError for what is no number, and for one that may be two.
    """
    either = _EITHER.fullmatch(text)
    if either is not None and not decimal:
        whole, small = "".join(either.groups()), f"{float('.'.join(either.groups())):g}"
        hint = "write one of them, or say --decimal . (or ,)"
        raise ValueError(f"{text!r} may be {whole} or {small}; {hint}")
    if not decimal:
        if re.fullmatch(r"\d+(?:[.,]\d+)?", text, re.ASCII):
            return _finite(text.replace(",", "."), right)
        raise ValueError(f"{text!r} is not a number; {right}")
    other = "," if decimal == "." else "."
    grouped = rf"\d{{1,3}}(?:{re.escape(other)}\d{{3}})+(?:{re.escape(decimal)}\d+)?"
    if not re.fullmatch(rf"{grouped}|\d+(?:{re.escape(decimal)}\d+)?", text, re.ASCII):
        raise ValueError(f"{text!r} is not a number with {decimal} before its decimals; {right}")
    return _finite(text.replace(other, "").replace(decimal, "."), right)


def _finite(text: str, right: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:12]}… of {len(text)} digits is beyond anything; {right}")
    return number


def unit_in(heading: str) -> str | None:
    """The unit that a column's heading names, as in `Duration (h)`: `d`, `h`, `min` or `s`.

    A heading may also show how clocks are written: `h:mm` or `m:ss`.
    """
    clock = re.search(r"\b(?:(h{1,2}:m{2}(?::s{2})?)|m{1,2}:s{2})(?![:\w])", heading.lower())
    if clock is not None:
        return "h:mm" if clock.group(1) else "m:ss"
    folded = fold(heading)
    marked = re.search(r"[(\[]\s*([a-z]+)\.?\s*[)\]]|\bin ([a-z]+)\s*$", folded)
    if marked is not None and UNIT_NAMES.get(marked.group(1) or marked.group(2)) == "d":
        return "d"
    for word in reversed(re.findall(r"[a-z]+", folded)):
        # A day in a heading is one of a calendar more often than a unit.
        if UNIT_NAMES.get(word, "d") != "d":
            return UNIT_NAMES[word]
    return None
