"""Lines of styled text: what a view returns and a pane paints; headings, large figures, a grid of cells.

An ink is a role ("dim", "late"), never a colour; themes give it one. All text passes through
`plain`, and widths are counted in cells.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from rich.cells import cell_len, chop_cells, set_cell_size

from tracker.foundation.text import count, plain

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


def marked(line: Iterable[Span], width: int) -> Line:
    """Return the line as `crop` does, its last cell `~` also where words end at the edge and more follow."""
    whole = tuple(line)
    *kept, last = crop(whole, width) or (Span(""),)
    if width_of(whole) <= width or not last.text or last.text.endswith("~") or not _beyond(whole, width):
        return (*kept, last)
    return (*kept, put(f"{last.text}~", cell_len(last.text), last.ink))


def _beyond(line: Line, width: int) -> str:
    """Return what of a line is more than blanks beyond its width."""
    return "".join(span.text for span in line)[width:].strip()


def sides(width: int, left: Iterable[Span], right: Iterable[Span]) -> Line:
    """Return a line with one part at each end; the left one is cut where both do not fit."""
    end = tuple(right)
    room = width - width_of(end)
    if room < 0:
        return crop(end, width)
    return (*marked(left, room), *end)


Form = str | Span | Iterable[Span]
"""One way to write a part of a line."""


def fitted(width: int, parts: Sequence[Sequence[Form]], giving: Sequence[int] = (), gap: int = 2) -> Line:
    """Return parts beside one another, each in the longest of its forms with which all have room.

    The forms of a part stand from the longest to the shortest; an empty one leaves it out. Every part named
    in `giving` gives way by one form, one after the other; then the last part gives way as far as it can,
    then the one before it. What still has no room is cut.
    """
    forms = [[_spans(form) for form in part] for part in parts]
    chosen = [0] * len(forms)
    line = _joined(forms, chosen, gap)
    for part in (*giving, *(k for k in reversed(range(len(forms))) for _ in forms[k])):
        if width_of(line) <= width:
            break
        chosen[part] = min(chosen[part] + 1, len(forms[part]) - 1)
        line = _joined(forms, chosen, gap)
    return marked(line, width)


def _spans(form: Form) -> Line:
    if isinstance(form, str):
        return (say(form),) if form else ()
    return (form,) if isinstance(form, Span) else tuple(form)


def _joined(forms: Sequence[Sequence[Line]], chosen: Sequence[int], gap: int) -> Line:
    line: list[Span] = []
    for part, place in zip(forms, chosen, strict=True):
        if part and width_of(part[place]):
            line += [Span(" " * gap), *part[place]] if line else part[place]
    return tuple(line)


_TOGETHER = re.compile(
    r"(?<=\d) (?=(?:%|min\b|h\b))|(?<=\d h) (?=\d)"
    r"|(?:(?<=\bat)|(?<=\bby)|(?<=\bfrom)|(?<=\buntil)|(?<=\bsince)|(?<=\babout)|(?<=\binside)) (?=\d+:\d\d)"
)
"""Blanks at which no line ends."""


def wrapped(text: object, width: int, *, indent: int = 0) -> list[str]:
    """Return safe text in lines of at most `width` cells, further ones indented.

    A figure keeps its unit, and an instant the word that says it is one.
    """
    safe = _TOGETHER.sub("\N{NO-BREAK SPACE}", plain(text))
    lead = " " * min(len(safe) - len(safe.lstrip(" ")), width // 2)
    lines, line, begin = [], "", lead
    for word in safe.lstrip(" ").split(" "):
        if line and cell_len(f"{begin}{line} {word}") > width:
            lines.append(begin + line)
            line, begin = word, lead + " " * indent
        else:
            line = f"{line} {word}" if line else word
        while line and cell_len(begin + line) > max(1, width):
            part = next(filter(None, chop_cells(line, max(1, width - len(begin)))))
            lines.append(begin + part)
            line, begin = line[len(part) :], lead + " " * min(indent, width // 2)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in (*lines, begin + line)]


def parted(text: object, first: int, width: int) -> tuple[str, list[str]]:
    """Return the first row of safe text, in its own width, and the further ones in theirs."""
    safe = plain(text)
    begin = wrapped(safe, max(1, first))[0]
    rest = safe[len(begin) :].lstrip(" ")
    return begin, wrapped(rest, max(1, width)) if rest else []


def block(text: object, width: int, ink: Ink = "", *, most: int = 100, indent: int = 0) -> list[Line]:
    """Return text in as many rows as it needs, at most `most`; what is cut then ends in `~`."""
    parts = wrapped(text, max(1, width - 2), indent=indent)
    if len(parts) > most:
        parts = [*parts[: most - 1], " ".join(parts[most - 1 :])] if most > 0 else []
    return [crop((Span(" "), put(part, width - 2, ink), Span(" ")), width) for part in parts]


def fit(lines: Iterable[Line], width: int, height: int, *, where: str = "") -> list[Line]:
    """Return exactly `height` lines; the last one counts what has no room, and says where it can be read."""
    kept = list(lines)
    if len(kept) > height > 0:
        words = f" ~ {len(kept) - height + 1} more rows{where}"
        kept = [*kept[: height - 1], crop((say(words, "dim"),), width)]
    return tall(kept, width, height)


def page(lines: Iterable[Line], width: int, height: int, top: int) -> list[Line]:
    """Return exactly `height` lines from row `top` on; what lies above and below is counted in a last row."""
    kept = list(lines)
    if len(kept) <= height:
        return tall(kept, width, height)
    room = max(1, height - 1)
    top = top_of(len(kept), height, top)
    hidden = [f"{n} {where}" for n, where in ((top, "above"), (len(kept) - top - room, "below")) if n > 0]
    mark = crop((say(f" ~ {', '.join(hidden)}   up, down, PgUp and PgDn move; Esc leaves", "dim"),), width)
    return [*tall(kept[top : top + room], width, room), mark]


def top_of(rows: int, height: int, top: int) -> int:
    """Return the first row to show of a page, so that no room is left empty at its end."""
    return max(0, min(top, rows - max(1, height - 1))) if rows > height else 0


def blank(width: int) -> Line:
    """Return an empty line."""
    return (Span(" " * width),)


def rule(width: int, words: object = "", end: object = "", ink: Ink = "dim") -> Line:
    """Return the thin rule that parts two regions, with words in it and at its end."""
    text, last = plain(words), plain(end)
    begin = f"── {text} " if text else ""
    tail = f" {last} ──" if last else ""
    left = width - cell_len(tail)
    line = (put(begin, left, ink),) if cell_len(begin) >= left else (
        Span(begin, ink), Span("─" * (left - cell_len(begin)), "dim"),
    )  # fmt: skip
    return crop((*line, Span(tail, "dim")), width)


def tall(lines: Iterable[Line], width: int, height: int) -> list[Line]:
    """Return exactly `height` lines: the first ones, or blank ones after."""
    kept = list(lines)[:height]
    return [crop(line, width) for line in kept] + [blank(width)] * (height - len(kept))


def text_of(lines: Iterable[Line]) -> str:
    """Return what a reader without colour sees."""
    return "\n".join("".join(span.text for span in line).rstrip() for line in lines)


_SHAPES = {
    "0": ("█▀█", "█ █", "▀▀▀"),
    "1": ("▀█ ", " █ ", "▀▀▀"),
    "2": ("▀▀█", "█▀▀", "▀▀▀"),
    "3": ("▀▀█", " ▀█", "▀▀▀"),
    "4": ("█ █", "▀▀█", "  ▀"),
    "5": ("█▀▀", "▀▀█", "▀▀▀"),
    "6": ("█▀▀", "█▀█", "▀▀▀"),
    "7": ("▀▀█", "  █", "  ▀"),
    "8": ("█▀█", "█▀█", "▀▀▀"),
    "9": ("█▀█", "▀▀█", "▀▀▀"),
    ":": ("▄", "▄", " "),
    "-": ("   ", "▀▀▀", "   "),
}


def large(text: str, ink: Ink) -> list[Line]:
    """Return digits, colons and dashes as three lines of equal width; words stand small on the middle one."""
    parts: list[Line] = []
    for part in text.split(" "):
        shapes = [_SHAPES[char] for char in part if char in _SHAPES]
        if len(shapes) == len(part):
            parts.append(tuple(Span(" ".join(shape[row] for shape in shapes), ink) for row in range(3)))
        else:
            blanks = Span(" " * cell_len(part))
            parts.append((blanks, Span(part, "strong"), blanks))
    return [tuple(_parted(part[row] for part in parts)) for row in range(3)]


def _parted(spans: Iterable[Span]) -> Iterator[Span]:
    """Yield spans with a blank between each two."""
    for place, span in enumerate(spans):
        if place:
            yield Span(" ")
        yield span


TICKS_MIN = (1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 240, 360, 480, 720, 1440)
"""Minutes from one mark of a scale to the next."""


def heading(words: str, width: int, *beside: str) -> Line:
    """Return the rule that begins a region, with its name in it and the first remark that fits."""
    spans = [Span("── ", "dim"), say(words, "strong"), Span(" ")]
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


def text_lines(text: Sequence[str], width: int) -> list[Line]:
    """Return plain lines of text; what is too long for a row goes on in the next one."""
    return [crop((say(f" {part}"),), width) for line in text for part in wrapped(line, width - 2, indent=4)]


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
