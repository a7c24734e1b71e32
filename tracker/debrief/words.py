"""How figures are written in the debrief, and a table of text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from tracker.foundation.times import format_pet

MOST_TEXT = 30_000
"""Characters of a text that an export keeps: all of a note, and no more than a spreadsheet's cell holds."""


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows of text; columns in `right` hold figures that line up on the right."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = field(default_factory=frozenset)
    note: str = ""
    """A sentence under the title."""


def pet(seconds: float | None) -> str:
    """Return a PET or a duration as `H:MM:SS`, a dash where there is none."""
    return format_pet(None if seconds is None else round(seconds), with_seconds=True)


def signed(seconds: float | None) -> str:
    """Return a difference as `+H:MM:SS` or `-H:MM:SS`."""
    if seconds is None:
        return "-"
    text = pet(seconds)
    return text if text.startswith("-") or not round(seconds) else f"+{text}"


def whole(parts: Sequence[float]) -> list[int]:
    """Return parts in whole seconds that add up to their rounded sum; the largest remainders go up."""
    found = [math.floor(part) for part in parts]
    by_remainder = sorted(range(len(parts)), key=lambda i: found[i] - parts[i])
    for i in by_remainder[: round(sum(parts)) - sum(found)]:
        found[i] += 1
    return found


def ratio(value: float | None) -> str:
    """Return a ratio with two decimals."""
    return "-" if value is None else f"{value:.2f}"


def percent(value: float) -> str:
    """Return a share in whole percent."""
    return "-" if value != value else f"{100 * value:.0f} %"


def figure(value: float | None, unit: str = "") -> str:
    """Return a figure with three digits and its unit."""
    return "-" if value is None else f"{value:.3g} {unit}".strip()
