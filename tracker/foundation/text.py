"""Makes text from plans and journals safe to show: data, never escapes or controls.

The sentence that stands on every estimate and every export.
"""

from __future__ import annotations

import math
import unicodedata


def percent_met(share: float) -> str:
    """Return a share in whole per cent, rounded down, so that what misses a mark never seems to meet it."""
    return f"{math.floor(share * 100 + 1e-6)} %"


ADVISORY = "Advisory only: flight rules, suit telemetry and the people responsible come first."


def plain(text: object, *, most: int = 2000) -> str:
    """Return text on one line without control, format or bidirectional-override characters.

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
