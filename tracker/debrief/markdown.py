"""The debrief as Markdown tables; text from plans and journals stays text."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from tracker.debrief import tables
from tracker.debrief.excursion import Excursion
from tracker.debrief.pooled import pool
from tracker.debrief.words import MOST_TEXT, Table
from tracker.foundation.text import ADVISORY, plain

_SPECIAL = re.compile(r"([\\`*_{}\[\]()#|~!$@^=])")

MOST_IN_FULL = 20
"""With more excursions only the pooled tables are written."""


def safe(text: str) -> str:
    """Return text that Markdown and HTML in it show letter by letter, and that links nowhere."""
    escaped = plain(text, most=MOST_TEXT).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    escaped = _SPECIAL.sub(r"\\\1", escaped)
    return escaped.replace("://", "&#58;//").replace("www.", "www&#46;")


def markdown(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the Markdown text in pieces."""
    title = every[0].excursion if len(every) == 1 else f"{len(every)} excursions"
    yield f"# Debrief: {safe(title)}\n\n*{ADVISORY}*\n"
    if len(every) > 1:
        together = pool(every)
        yield _table(tables.excursions(every), 2)
        yield _table(tables.groups("Tasks", together.tasks), 2)
        yield _table(tables.groups("Crew", together.crew), 2)
        yield _table(tables.groups("Kinds of work", together.work), 2)
        yield _table(tables.scores(together.judgement), 2)
    for one in every if len(every) <= MOST_IN_FULL else ():
        if len(every) > 1:
            yield f"\n## {safe(one.excursion)}: {safe(one.journal)}\n"
        yield from (_table(table, 2 if len(every) == 1 else 3) for table in tables.of_excursion(one))


def _table(table: Table, level: int) -> str:
    lines = [f"\n{'#' * level} {table.title}\n"]
    if table.note:
        lines.append(f"{safe(table.note)}\n")
    lines.append(_line(table.headings))
    lines.append(_line(["---:" if i in table.right else "---" for i in range(len(table.headings))]))
    lines += [_line([safe(cell) for cell in row]) for row in table.rows]
    return "\n".join(lines) + "\n"


def _line(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"
