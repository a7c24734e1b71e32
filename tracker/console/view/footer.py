"""The bottom line: the keys that can be pressed now."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.console.view.ink import Line, Span, crop


def footer_line(pairs: Sequence[tuple[str, str]], width: int) -> Line:
    """Return keys and words; what no longer fits is left out, the last two (help, quit) never."""
    kept, last = list(pairs[:-2]), list(pairs[-2:])
    while kept and _needs([*kept, *last]) > width:
        kept.pop()
    spans: list[Span] = [Span(" ")]
    for key, words in [*kept, *last]:
        spans += [Span(key, "key"), Span(f" {words}  ", "dim")]
    return crop(spans, width)


def _needs(pairs: Sequence[tuple[str, str]]) -> int:
    return 1 + sum(len(key) + len(words) + 3 for key, words in pairs)
