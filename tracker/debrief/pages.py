"""The debrief for people: an HTML page with figures that needs no network, Markdown, a screenful of lines.

All three show the tables of `tables`; text from plans and journals stays text in each of them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from html import escape

from tracker.debrief import figures, tables
from tracker.debrief.excursion import Excursion
from tracker.debrief.rows import MOST_TEXT, apart, pet
from tracker.debrief.tables import STEPS, WORK, Table
from tracker.foundation.text import ADVISORY, columns, plain

MOST_IN_FULL = 20
"""With more excursions only the pooled tables are written unless all are asked for, and the page says so;
CSV and JSON always hold every step."""
MOST_OVERRUNS = 8
"""So many stand in the summary."""
MOST_CELL = 100
"""So much of a cell stands in the summary: all that is said of a limit with its instants."""
LONG = 24
"""A cell with more characters is text, which has a width of its own to break in."""

_SPECIAL = re.compile(r"([\\`*_{}\[\]()#|~!$@^=])")


def safe(text: str) -> str:
    """Return text that Markdown and HTML in it show letter by letter, and that links nowhere."""
    escaped = plain(text, most=MOST_TEXT).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    escaped = _SPECIAL.sub(r"\\\1", escaped)
    return escaped.replace("://", "&#58;//").replace("www.", "www&#46;")


def _only_summed(every: Sequence[Excursion], full: bool) -> str:
    """Return what is only summed on a page, and how to see it; empty where everything is there."""
    if full or len(every) <= MOST_IN_FULL:
        return ""
    return (
        f"Of these {len(every)} excursions the steps, stores, decisions, changes, holds and notes are only "
        "summed here. --full writes all of them, --excursion NAME those of one plan; CSV and JSON hold all."
    )


def markdown(every: Sequence[Excursion], *, full: bool = False) -> Iterator[str]:
    """Yield the Markdown text in pieces; `full`: all tables of each excursion, however many there are."""
    several = len(every) > 1
    yield f"# Debrief: {safe(_title(every))}\n\n*{ADVISORY}*\n"
    if several:
        yield from (_markdown_table(table, 2) for table in tables.of_several(every))
    if summed := _only_summed(every, full):
        yield f"\n{safe(summed)}\n"
    for one in every if not summed else ():
        if several:
            yield f"\n## {safe(one.excursion)}: {safe(one.journal)}\n"
        yield from (_markdown_table(table, 3 if several else 2) for table in tables.of_excursion(one))


def _title(every: Sequence[Excursion]) -> str:
    return every[0].excursion if len(every) == 1 else f"{len(every)} excursions"


def _markdown_table(table: Table, level: int) -> str:
    lines = [f"\n{'#' * level} {safe(table.title)}\n"]
    if table.note:
        lines.append(f"{safe(table.note)}\n")
    lines.append(_line(table.headings))
    lines.append(_line(["---:" if i in table.right else "---" for i in range(len(table.headings))]))
    lines += [_line([safe(cell) for cell in row]) for row in table.rows]
    return "\n".join(lines) + "\n"


def _line(cells: Sequence[str]) -> str:
    return f"| {' | '.join(cells)} |"


STYLE = """
:root { color-scheme: light dark; --ink: #22262b; --quiet: #5b616a; --line: #e4e6ea; --rule: #8a8f98; }
body { font: 15px/1.45 system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; color: var(--ink);
  background: #fff; max-width: 76rem; margin: 0 auto; padding: 1.2rem; }
h1 { font-size: 1.6rem; margin: 0.2rem 0; } h2 { font-size: 1.2rem; margin: 2rem 0 0.4rem; }
h3 { font-size: 1.02rem; margin: 1.5rem 0 0.2rem; } h1, h2, .note { overflow-wrap: anywhere; }
.advisory { border-left: 4px solid #d9730d; padding: 0.3rem 0.8rem; margin: 0.6rem 0 1rem; }
.note { color: var(--quiet); margin: 0.1rem 0 0.4rem; } .verdict { color: var(--ink); font-weight: 600; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: 0.86rem; }
th { text-align: left; font-weight: 600; border-bottom: 1px solid var(--rule); vertical-align: bottom; }
th, td { padding: 0.16rem 0.55rem 0.16rem 0; }
td { border-bottom: 1px solid var(--line); vertical-align: top; }
td:not(.t) { white-space: nowrap; }
.r { text-align: right; font-variant-numeric: tabular-nums; }
.t { min-width: 8rem; max-width: 44rem; overflow-wrap: anywhere; }
section { display: flex; flex-wrap: wrap; column-gap: 2.5rem; align-items: flex-start; }
section > h3, section > .note { flex: 0 0 100%; } section > .wide { max-width: 100%; }
figure { margin: 0.6rem 0; flex: 1 1 46rem; max-width: 62rem; }
figure svg { width: 100%; height: auto; max-width: 60rem; }
figure svg text { font-family: system-ui, "Liberation Sans", "DejaVu Sans", sans-serif !important; }
@media (max-width: 46rem) { body { padding: 0.6rem; } figure svg { min-width: 40rem; }
  figure { overflow-x: auto; } }
@media screen and (prefers-color-scheme: dark) { body { background: #15181c; }
  :root { --ink: #e3e6ea; --quiet: #a4abb5; --line: #2f353c; --rule: #6d747e; }
  figure { background: #fff; padding: 0.4rem; border-radius: 4px; } }
@media print { body { max-width: none; padding: 0; font-size: 10.5px; } .wide { overflow: visible; }
  table { font-size: 8.5px; } th, td { padding-right: 0.35rem; } tr, figure { break-inside: avoid; }
  .t { min-width: 0; } thead { display: table-header-group; } tr:first-child { break-after: avoid; }
  h2, h3 { break-after: avoid; } section { break-inside: avoid; } h3 { margin-top: 0.9rem; }
  figure { margin: 0.2rem 0; } figure svg { max-height: 76mm; } section.long figure svg { max-height: 172mm; }
  section.long { break-inside: auto; display: block; } @page { size: A4 landscape; margin: 12mm; } }
""".strip()


def page(every: Sequence[Excursion], *, full: bool = False) -> Iterator[str]:
    """Yield the page's text in pieces; `full`: all tables of each excursion, however many there are."""
    title = _text(_title(every))
    yield (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n"
        f"<title>Debrief: {title}</title>\n<style>\n{STYLE}\n</style>\n</head>\n<body>\n"
        f'<h1>Debrief: {title}</h1>\n<p class="advisory">{escape(ADVISORY)}</p>\n'
    )
    for table in tables.of_several(every) if len(every) > 1 else ():
        yield _html_table(table, _figures_of_several(every).get(table.title, list)(), "pooled")
    if summed := _only_summed(every, full):
        yield f'<p class="note">{_text(summed)}</p>\n'
    for i, one in enumerate(every if not summed else ()):
        if len(every) > 1:
            yield f'<h2 id="excursion-{i}">{_text(one.excursion)}: {_text(one.journal)}</h2>\n'
        found = _figures(one)
        for table in tables.of_excursion(one):
            yield _html_table(table, found.get(table.title, ()), f"e{i}")
    yield f'<p class="advisory">{escape(ADVISORY)}</p>\n</body>\n</html>\n'


def _figures_of_several(every: Sequence[Excursion]) -> dict[str, Callable[[], list[str]]]:
    """Return what draws the figures that stand below each table, by the table's title."""
    return {
        tables.EXCURSIONS: lambda: [figures.season_trend(every), figures.season_slips(every)],
        WORK: lambda: [figures.season_boxes(every)],
        tables.SCORES: lambda: [figures.season_forecasts(every)],
    }


def _figures(one: Excursion) -> dict[str, list[str]]:
    """Return the figures that stand below each table, by the table's title."""
    drawn = {}
    if one.totals.waterfall:
        drawn["From plan to ingress"] = [figures.waterfall(one)]
    if any(task.done == task.steps and task.finish is not None for task in one.totals.tasks):
        drawn[tables.TASKS] = [figures.slips(one), figures.work_done(one)]
    if any(row.ratio for row in one.steps):
        drawn[WORK] = [figures.pace(one.steps)]
        drawn[STEPS] = figures.steps(one)
    if one.consumables:
        drawn["Consumables"] = [figures.consumables(one.consumables), figures.stores(one)]
    if one.judgement is not None and one.inside is not None:
        drawn["Was the forecast right?"] = [figures.ranges(one)]
    return drawn


def _drawn(svg: str, key: str) -> str:
    """Return a figure; ids get a key, since the same kind of figure may stand on the page twice."""
    for before in ('id="', "url(#", 'href="#'):
        svg = svg.replace(before, f"{before}{key}-")
    return f"<figure>\n{svg}</figure>\n"


def _text(text: str) -> str:
    return escape(plain(text, most=MOST_TEXT))


def _html_table(table: Table, drawn: Sequence[str], key: str) -> str:
    """Return a table with its title, its note, and figures beside or below it as there is room."""
    figure = "".join(_drawn(svg, key) for svg in drawn)
    kind = "note verdict" if table.title == tables.LIMITS else "note"
    note = f'<p class="{kind}">{_text(table.note)}</p>\n' if table.note else ""
    head = f"<thead>{_row('th', table.headings, table)}</thead>\n" if any(table.headings) else ""
    body = "".join(_row("td", row, table) for row in table.rows)
    long = ' class="long"' if len(table.rows) > 30 or table.title == STEPS else ""
    return (
        f"<section{long}>\n<h3>{_text(table.title)}</h3>\n{note}"
        f'<div class="wide"><table>\n{head}<tbody>\n{body}</tbody></table></div>\n{figure}</section>\n'
    )


def _row(tag: str, cells: Sequence[str], table: Table) -> str:
    return "<tr>" + "".join(_cell(tag, cell, i in table.right) for i, cell in enumerate(cells)) + "</tr>\n"


def _cell(tag: str, cell: str, right: bool) -> str:
    kind = ' class="r"' if right else ' class="t"' if len(cell) > LONG else ""
    return f"<{tag}{kind}>{_text(cell)}</{tag}>"


def summary(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the lines: one excursion with its largest overruns, or several with a row each."""
    one = every[0]
    if len(every) == 1:
        yield f"Debrief: {plain(one.excursion)}\n\n"
        shown = [
            tables.limits(one),
            tables.decisions(one),
            tables.overview(one),
            tables.waterfall(one),
            tables.spent(one),
            tables.groups(WORK, one.totals.work),
            _overruns(one),
            tables.consumables(one),
            tables.scores(one.judgement),
        ]
        shown = [table for table in shown if table.rows]
    else:
        found = {table.title: table for table in tables.of_several(every)}
        shown = [found[name] for name in (tables.LIMITS, tables.EXCURSIONS, WORK, tables.CREW, tables.SCORES)]
    for table in shown:
        yield from _lines(table)
    if len(every) > 1:
        yield "Tasks, steps, stores and decisions: --html FILE or --markdown FILE.\n"
    yield ADVISORY + "\n"


def _overruns(one: Excursion) -> Table:
    worst = sorted((r for r in one.steps if (r.variance or 0) > 0), key=lambda r: -(r.variance or 0))
    times = ((row.planned_duration, row.actual_duration) for row in worst)
    rows = tuple(
        (row.step, row.do, pet(planned), pet(actual), apart(actual, planned))
        for row, (planned, actual) in zip(worst[:MOST_OVERRUNS], times, strict=False)
    )
    headings = ("step", "do", "planned", "actual", "difference")
    return Table("Largest overruns", headings, rows, frozenset({2, 3, 4}))


def _lines(table: Table) -> Iterator[str]:
    """Yield a table in columns."""
    yield f"{table.title}\n"
    yield f"{plain(table.note)}\n" if table.title in (tables.LIMITS, tables.SCORES) else ""
    rows = [table.headings, *table.rows] if any(table.headings) else table.rows
    yield from (f"{line}\n" for line in columns(rows, most=MOST_CELL, right=table.right))
    yield "\n"
