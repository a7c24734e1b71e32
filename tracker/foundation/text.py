"""How what the program knows is put into characters: safe text, shares, amounts, counts, columns, hints.

Text from plans and journals is data: `plain` makes it fit to show, without escapes or controls. Shares,
amounts and counts are rounded here and nowhere else (times in `shown`), so that no two screens disagree.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Container, Iterable, Sequence

ADVISORY = "Advisory only: flight rules, suit telemetry and the people responsible come first."
"""Stands on every estimate and every export."""


def plain(text: object, *, most: int = 2000) -> str:
    """Text on one line without control, format or bidirectional-override characters.

    Line breaks and tabs become spaces; every other control or format character becomes `?`;
    what is longer than `most` characters is cut with `...`.
    """
    given = str(text)
    if given.isprintable() and len(given) <= most:
        return given
    out = []
    for char in given[: most + 1]:
        if char in "\n\r\t\u2028\u2029\u0085":
            out.append(" ")
        elif unicodedata.category(char) in {"Cc", "Cf", "Cs", "Co", "Cn"}:
            out.append("?")
        else:
            out.append(char)
    line = "".join(out)
    return line[: most - 3] + "..." if len(line) > most else line


def spelled(name: object) -> str:
    """The name of a file as text that can be kept: what is no UTF-8 in it as `\\xff`."""
    return str(name).encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def percent(share: float, need: float | None = None) -> str:
    """A chance in per cent, rounded down, with the decimals of the `need` it is held against.

    So what misses a need never seems to meet it, and what meets it never seems to miss it. A chance is never
    said to be certain: `>99 %` from 99.5 where the need is under 99 (else with the first decimal that lies
    above the need: `>99.9 %`), `<1 %` under 1. A dash for what is no number.
    """
    if math.isnan(share):
        return "-"
    digits = 0 if need is None else _decimals(need)
    top = digits
    while top < _MOST_DECIMALS and need is not None and 1 - 0.01 * 10.0**-top <= need + _NOISE:
        top += 1
    unit = 10.0**-top
    if share * 100 >= 100 - unit / 2 - _NOISE and (need is None or need < 1):
        return f">{100 - unit:.{top}f} %"
    if share < 0.01 - _NOISE:
        return "<1 %"
    return f"{_rounded_down(share, digits):.{digits}f} %"


def points(before: float, after: float, need: float | None = None) -> str:
    """By how much a chance is more than another, as `percent` shows the two: `+3 points`."""
    digits = 0 if need is None else _decimals(need)
    return f"{_rounded_down(after, digits) - _rounded_down(before, digits):+.{digits}f} points"


def _rounded_down(share: float, digits: int) -> float:
    """A share in per cent with so many decimals."""
    return float(math.floor(share * 100 * 10**digits + 1e-6) / 10**digits)


_NOISE = 1e-9
_MOST_DECIMALS = 6


def percent_asked(need: float) -> str:
    """A demanded chance in per cent, with the decimals it was given: `90 %`, `99.5 %`."""
    return f"{need * 100:.{_decimals(need)}f} %"


def percent_done(share: float) -> str:
    """How much of a whole that is, in whole per cent, rounded down: 100 only for all of it."""
    return "-" if math.isnan(share) else f"{_rounded_down(share, 0):.0f} %"


def _decimals(need: float) -> int:
    """How many decimals a share has as per cent."""
    return len(f"{need * 100:.{_MOST_DECIMALS}f}".rstrip("0").partition(".")[2])


def amount(value: float | None, unit: str = "", *, digits: int = 3, even: bool = False) -> str:
    """An amount to so many digits, with its unit; whole where it has more of them; a dash for none.

    `even` keeps the last noughts, for figures that stand below one another: `250`, `25.0`, `2.50`, `0.25`.
    """
    if value is None:
        return "-"
    if not even and abs(value) < 10.0**digits - 0.5:
        return f"{value:.{digits}g} {unit}".rstrip()
    whole = 3 if abs(value) >= 100 else 2 if abs(value) >= 10 else 1
    return f"{value:.{max(0, digits - whole)}f} {unit}".rstrip()


def count(number: int, one: str, many: str = "") -> str:
    """How many there are of something: `1 step`, `2 steps`."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """Words as a sentence has them: `a`, `a and b`, `a, b and c`."""
    return f" {last} ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def near(word: str, known: Iterable[str], most: int = 3) -> list[str]:
    """The known words that a misspelt one may have been meant as, the likeliest first."""
    from difflib import get_close_matches

    return get_close_matches(word, list(known), n=most, cutoff=0.6)


def did_you_mean(words: Sequence[str]) -> str:
    """The end of a refusal that offers these words instead: `; did you mean a or b?`; empty without any."""
    return f"; did you mean {' or '.join(words)}?" if words else ""


def meant(word: str, known: Iterable[str], otherwise: str = "", most: int = 1) -> str:
    """What would be right in place of a word: `did you mean a?`, or what is said where none is near."""
    return did_you_mean(near(word, known, most)).removeprefix("; ") or otherwise


def columns(
    rows: Iterable[Sequence[str]], *, indent: str = "  ", most: int = 60, right: Container[int] = ()
) -> list[str]:
    """Rows of cells as lines, cells of a column one below the other, those of `right` ending together.

    Cells are made plain and cut after `most` characters.
    """
    cells = [[plain(cell, most=most) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [(indent + "  ".join(_aligned(row, widths, right))).rstrip() for row in cells]


def _aligned(row: Sequence[str], widths: Sequence[int], right: Container[int]) -> Iterable[str]:
    for place, (cell, width) in enumerate(zip(row, widths, strict=True)):
        yield cell.rjust(width) if place in right else cell.ljust(width)


def small(words: str) -> str:
    """Return words with a small first letter, to go on in a sentence; a name keeps its own."""
    return words[:1].lower() + words[1:] if words[1:2].islower() else words
