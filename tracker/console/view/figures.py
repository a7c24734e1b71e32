"""Large figures, three rows tall, of half blocks: for the clock and for what is left."""

from __future__ import annotations

from tracker.console.view.styled_text import Ink, Line, Span

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
    " ": (" ", " ", " "),
}


def large(text: str, ink: Ink) -> list[Line]:
    """Return digits, colons and dashes as three lines of equal width; others are left out."""
    shapes = [_SHAPES[char] for char in text if char in _SHAPES]
    return [(Span(" ".join(shape[row] for shape in shapes), ink),) for row in range(3)]
