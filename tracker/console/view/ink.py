"""Lines of styled text: what a view returns and a pane paints.

An ink is a role ("dim", "late"), never a colour; themes give it one. All text passes through
`plain`, and widths are counted in cells.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rich.cells import cell_len, set_cell_size

from tracker.foundation.text import plain

Ink = Literal[
    "", "dim", "strong", "accent", "key", "going", "late", "alarm", "clock", "hollow", "chosen", "typed"
]
"""Roles of text: grey, emphasised, the one accent, a key to press, going well, wants attention, an
alarm, the clock, not yet on disk, the chosen row, an open entry line."""

INKS: tuple[Ink, ...] = (
    "dim", "strong", "accent", "key", "going", "late", "alarm", "clock", "hollow", "chosen", "typed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Span:
    """A run of text in one ink."""

    text: str
    ink: Ink = ""


Line = tuple[Span, ...]
"""One row of a view."""


def say(text: object, ink: Ink = "") -> Span:
    """Return a span of safe text, as long as it is."""
    return Span(plain(text), ink)


def put(text: object, width: int, ink: Ink = "", *, right: bool = False) -> Span:
    """Return a span of exactly `width` cells: padded, or cut with `~` as its last cell."""
    safe = plain(text)
    cells = cell_len(safe)
    if cells > width:
        safe = set_cell_size(safe, max(0, width - 1)) + "~" if width > 0 else ""
        return Span(safe, ink)
    gap = " " * (width - cells)
    return Span(gap + safe if right else safe + gap, ink)


def width_of(line: Iterable[Span]) -> int:
    """Return the cells that a line takes."""
    return sum(cell_len(span.text) for span in line)


def crop(line: Iterable[Span], width: int) -> Line:
    """Return the line cut or padded to exactly `width` cells."""
    kept: list[Span] = []
    left = width
    for span in line:
        cells = cell_len(span.text)
        if cells > left:
            kept.append(put(span.text, left, span.ink))
            return tuple(kept)
        kept.append(span)
        left -= cells
    if left > 0:
        kept.append(Span(" " * left))
    return tuple(kept)


def sides(width: int, left: Iterable[Span], right: Iterable[Span]) -> Line:
    """Return a line with one part at each end; the left one is cut where both do not fit."""
    end = tuple(right)
    room = width - width_of(end)
    if room < 0:
        return crop(end, width)
    return (*crop(left, room), *end)


def blank(width: int) -> Line:
    """Return an empty line."""
    return (Span(" " * width),)


def rule(width: int) -> Line:
    """Return the thin rule that parts two regions."""
    return (Span("─" * width, "dim"),)


def tall(lines: Iterable[Line], width: int, height: int) -> list[Line]:
    """Return exactly `height` lines: the first ones, or blank ones after."""
    kept = list(lines)[:height]
    return [crop(line, width) for line in kept] + [blank(width)] * (height - len(kept))


def text_of(lines: Iterable[Line]) -> str:
    """Return what a reader without colour sees."""
    return "\n".join("".join(span.text for span in line).rstrip() for line in lines)
