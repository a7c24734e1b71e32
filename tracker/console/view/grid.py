"""What the lead's views are drawn with: headings, figures with a sign, and a grid of cells."""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import groupby

from rich.cells import cell_len, chop_cells

from tracker.console.view.styled_text import Ink, Line, Span, blank, crop, say, wrapped
from tracker.foundation.text import count, plain

TICKS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 480, 720, 1440)
"""Minutes from one mark of a scale to the next."""


def heading(words: str, width: int, *beside: str) -> Line:
    """Return the rule that begins a region, with its name in it and the first remark that fits."""
    spans = [Span("─ ", "dim"), say(words, "strong"), Span(" ")]
    room = width - sum(cell_len(span.text) for span in spans) - 2
    fits = next((one for one in beside if one and cell_len(plain(one)) <= room), "")
    if fits:
        spans += [Span(" "), say(fits, "dim"), Span(" ")]
    used = sum(cell_len(span.text) for span in spans)
    return crop((*spans, Span("─" * max(0, width - used), "dim")), width)


def region(
    head: Line, lines: Iterable[Line], width: int, height: int, key: str = "", one: str = "row"
) -> list[Line]:
    """Return a region of exactly `height` lines: its heading, what is in it, and blank lines.

    What does not fit is told on the last line: how many more of what there are, and the key that shows all.
    """
    kept = [head, *lines]
    if len(kept) > height > 1:
        shows = f": {key}" if key else ""
        more = count(len(kept) - height + 1, f"more {one}")
        kept = [*kept[: height - 1], remark(f"~ {more}{shows}", width)]
    kept = kept[: max(0, height)]
    return [crop(line, width) for line in kept] + [blank(width)] * (height - len(kept))


def under(words: str, width: int, ink: Ink = "dim", indent: int = 4) -> list[Line]:
    """Return words at full length under a row that had no room for them."""
    parts = wrapped(words, max(1, width - indent - 1))
    return [crop((Span(" " * indent), Span(part, ink)), width) for part in parts]


def folded(spans: Iterable[Span], width: int, indent: int) -> list[Line]:
    """Return a row of which nothing is cut: words that do not fit go on below, `indent` columns in."""
    lines: list[list[Span]] = [[]]
    used = 0
    for span in spans:
        for part in _parts(span.text, max(2, width - indent)):
            cells = cell_len(part)
            if used + cells > width and used > indent:
                lines.append([Span(" " * indent)])
                used = indent
                if part.isspace():
                    continue
            lines[-1].append(Span(part, span.ink))
            used += cells
    return [crop(line, width) for line in lines]


def _parts(text: str, most: int) -> list[str]:
    """Return words and the blanks between them; a word of more than `most` cells in pieces."""
    found = re.findall(r"\s+|\S+", text)
    return [
        piece for part in found for piece in (chop_cells(part, most) if cell_len(part) > most else [part])
    ]


def is_cut(line: Iterable[Span]) -> bool:
    """Return whether some text of a row had no room: then it ends in `~`."""
    return any(span.text.endswith("~") for span in line)


def said_in(line: Iterable[Span], words: str) -> bool:
    """Return whether a row says these words."""
    return plain(words) in "".join(span.text for span in line)


def remark(words: str, width: int, ink: Ink = "dim") -> Line:
    """Return a line of words, a little in."""
    return crop((Span(" "), say(words, ink)), width)


def tick_s(span_s: float, most: int) -> float:
    """Return the distance of round marks, in seconds, so that at most `most` lie in a span."""
    found = (m * 60.0 for m in TICKS_MIN if span_s / (m * 60.0) <= max(1, most))
    return next(found, 86400.0 * -(-span_s // (86400.0 * max(1, most))))


class Cells:
    """A grid of single cells, each with its ink; what lies outside is not drawn.

    Labels may cover what is drawn, never one another.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = max(0, width), max(0, height)
        self._cells: list[list[tuple[str, Ink]]] = [[(" ", "")] * self.width for _ in range(self.height)]
        self._labels: set[tuple[int, int]] = set()

    def put(self, column: int, row: int, char: str, ink: Ink = "") -> None:
        """Draw one cell."""
        if 0 <= column < self.width and 0 <= row < self.height:
            self._cells[row][column] = (char, ink)

    def at(self, column: int, row: int) -> str:
        """Return what a cell shows; a blank outside."""
        return self._cells[row][column][0] if 0 <= column < self.width and 0 <= row < self.height else " "

    def write(self, column: int, row: int, text: str, ink: Ink = "", *, over: bool = True) -> bool:
        """Write text from a column on, whether it fits; without `over` only where it all fits on blanks."""
        safe = plain(text)
        if cell_len(safe) != len(safe):
            # Characters of two cells or none do not fit a grid.
            safe = "".join(char if cell_len(char) == 1 else "?" for char in safe)
        fits = column >= 0 and column + len(safe) <= self.width and 0 <= row < self.height
        if not over and not (fits and all(self.at(column + k, row) == " " for k in range(len(safe)))):
            return False
        for offset, char in enumerate(safe):
            self.put(column + offset, row, char, ink)
        return fits

    def label(self, places: Iterable[tuple[int, int]], text: str, ink: Ink = "") -> bool:
        """Write text at the first (column, row) where it fits and meets no label; whether there is one."""
        for column, row in places:
            cells = {(column + k, row) for k in range(cell_len(plain(text)))}
            inside = column >= 0 and column + len(cells) <= self.width and 0 <= row < self.height
            if inside and not cells & self._labels:
                self.write(column, row, text, ink)
                self._labels |= cells
                return True
        return False

    def across(self, row: int, char: str, ink: Ink = "", *, start: int = 0, end: int | None = None) -> None:
        """Fill the blanks of a row, from a column to before another."""
        for column in range(max(0, start), self.width if end is None else min(end, self.width)):
            if self.at(column, row) == " ":
                self.put(column, row, char, ink)

    def lines(self) -> list[Line]:
        """Return the rows as lines."""
        return [
            tuple(
                Span("".join(char for char, _ in run), ink)
                for ink, run in ((ink, list(cells)) for ink, cells in groupby(row, key=lambda cell: cell[1]))
            )
            for row in self._cells
        ]
