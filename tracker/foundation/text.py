"""How what the program knows is put into characters: safe text, shares, amounts, counts, columns, hints.

Text from plans and journals is data: `plain` makes it fit to show, without escapes or controls. Figures are
rounded here and nowhere else, so that two screens never disagree about one of them.
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


def percent(
    share: float, digits: int | None = 0, *, floor: bool = False, ends: tuple[str, str] | None = None
) -> str:
    """A share in per cent with so many decimals; None: as many as it was given with, six digits at most.

    `floor` rounds down to whole per cent, so that what misses a mark never seems to meet it. `ends` stands
    before the last figure that can be written where a share that is not certain would round to 100 or 0:
    `>99 %`, `<1 %`. A dash for what is no number.
    """
    if math.isnan(share):
        return "-"
    if digits is None:
        return f"{share * 100:g} %"
    if floor:
        return f"{math.floor(share * 100 + 1e-6)} %"
    unit = 10.0**-digits
    if ends is not None and 1 - unit / 200 <= share < 1:
        return f"{ends[0]}{100 - unit:.{digits}f} %"
    if ends is not None and 0 < share < unit / 200:
        return f"{ends[1]}{unit:.{digits}f} %"
    return f"{share * 100:.{digits}f} %"


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


def near(word: str, known: Iterable[str], most: int = 3) -> list[str]:
    """The known words that a misspelt one may have been meant as, the likeliest first."""
    from difflib import get_close_matches

    return get_close_matches(word, list(known), n=most, cutoff=0.6)


def did_you_mean(words: Sequence[str]) -> str:
    """The end of a refusal that offers these words instead: `; did you mean a or b?`; empty without any."""
    return f"; did you mean {' or '.join(words)}?" if words else ""


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
