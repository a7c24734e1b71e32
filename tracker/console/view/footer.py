"""The bottom line: the keys that can be pressed now."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.console.view.styled_text import Line, Span, crop


def footer_line(pairs: Sequence[tuple[str, str]], width: int) -> Line:
    """Return keys and words; what no longer fits is left out, the last two (help, quit) never."""
    kept, last = list(pairs[:-2]), list(pairs[-2:])
    while kept and _needs([*kept, *last]) > width:
        kept.pop()
    spans: list[Span] = [Span(" ")]
    for key, words in [*kept, *last]:
        spans += [Span(key, "key"), Span(f" {words}  ", "dim")]
    return crop(spans, width)


def command_at(pairs: Sequence[tuple[str, str]], width: int, column: int) -> str | None:
    """Return the key of the command that is written at a column of the footer."""
    at = 0
    spans = footer_line(pairs, width)
    for place, span in enumerate(spans):
        at += len(span.text)
        if column < at:
            own = span if span.ink == "key" else spans[place - 1] if span.ink == "dim" else None
            return own.text if own is not None and own.ink == "key" else None
    return None


def _needs(pairs: Sequence[tuple[str, str]]) -> int:
    return 1 + sum(len(key) + len(words) + 3 for key, words in pairs)
