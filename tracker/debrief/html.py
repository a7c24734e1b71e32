"""The debrief as one HTML page that needs no network: tables, figures inside it, no script."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from tracker.debrief import figures, tables
from tracker.debrief.excursion import Excursion
from tracker.debrief.pooled import pool
from tracker.debrief.words import Table
from tracker.foundation.advisory import ADVISORY
from tracker.foundation.text import plain

MOST_IN_FULL = 20
"""With more excursions only the pooled tables are written; CSV and JSON always hold every step."""

STYLE = """
:root { color-scheme: light; }
body { font: 15px/1.45 system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; color: #22262b;
  background: #fff; max-width: 76rem; margin: 0 auto; padding: 1.2rem; }
h1 { font-size: 1.6rem; margin: 0.2rem 0; } h2 { font-size: 1.2rem; margin: 2rem 0 0.4rem; }
h3 { font-size: 1.02rem; margin: 1.5rem 0 0.2rem; }
.advisory { border-left: 4px solid #d9730d; padding: 0.3rem 0.8rem; margin: 0.6rem 0 1rem; }
.note { color: #5b616a; margin: 0.1rem 0 0.4rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-size: 0.86rem; }
th { text-align: left; font-weight: 600; border-bottom: 1px solid #8a8f98; vertical-align: bottom; }
th, td { padding: 0.16rem 0.7rem 0.16rem 0; } td { border-bottom: 1px solid #e4e6ea; vertical-align: top; }
.r { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
section { display: flex; flex-wrap: wrap; column-gap: 2.5rem; align-items: flex-start; }
section > h3, section > .note { flex: 0 0 100%; } section > .wide { max-width: 100%; }
figure { margin: 0.6rem 0; flex: 1 1 34rem; max-width: 62rem; }
figure svg { width: 100%; height: auto; max-width: 60rem; }
figure svg text { font-family: system-ui, "Liberation Sans", "DejaVu Sans", sans-serif !important; }
@media (max-width: 46rem) { body { padding: 0.6rem; } .wide figure svg, figure svg { min-width: 34rem; }
  figure { overflow-x: auto; } }
@media print { body { max-width: none; padding: 0; font-size: 10.5px; } .wide { overflow: visible; }
  table { font-size: 8.5px; } th, td { padding-right: 0.35rem; } tr, figure { break-inside: avoid; }
  h2, h3 { break-after: avoid; } section { break-inside: avoid; }
  figure svg { max-height: 90mm; } section.long figure svg { max-height: none; }
  section.long { break-inside: auto; display: block; } @page { size: A4 landscape; margin: 12mm; } }
""".strip()


def page(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the page's text in pieces."""
    title = every[0].excursion if len(every) == 1 else f"{len(every)} excursions"
    yield (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n"
        f"<title>Debrief: {_text(title)}</title>\n<style>\n{STYLE}\n</style>\n</head>\n<body>\n"
        f'<h1>Debrief: {_text(title)}</h1>\n<p class="advisory">{escape(ADVISORY)}</p>\n'
    )
    if len(every) > 1:
        yield from _pooled(every)
    for i, one in enumerate(every if len(every) <= MOST_IN_FULL else ()):
        if len(every) > 1:
            yield f'<h2 id="excursion-{i}">{_text(one.excursion)}: {_text(one.journal)}</h2>\n'
        yield from _one(one, f"e{i}")
    yield f'<p class="advisory">{escape(ADVISORY)}</p>\n</body>\n</html>\n'


def _pooled(every: Sequence[Excursion]) -> Iterator[str]:
    together = pool(every)
    yield _table(tables.excursions(every))
    yield _table(tables.groups("Tasks", together.tasks))
    yield _table(tables.groups("Crew", together.crew))
    drawn = figures.pace([row for one in every for row in one.steps])
    yield _table(tables.groups("Kinds of work", together.work), _drawn(drawn, "pooled"))
    yield _table(tables.scores(together.judgement))


def _one(one: Excursion, key: str) -> Iterator[str]:
    drawn = _figures(one)
    for table in tables.of_excursion(one):
        figure = _drawn(drawn[table.title], key) if table.title in drawn else ""
        yield _table(table, figure)


def _figures(one: Excursion) -> dict[str, str]:
    """Return the figure that stands below each table, by the table's title."""
    drawn = {}
    if one.totals.waterfall:
        drawn["From plan to ingress"] = figures.waterfall(one)
    if any(row.ratio for row in one.steps):
        drawn["Kinds of work"] = figures.pace(one.steps)
        drawn["Steps"] = figures.steps(one)
    if one.consumables:
        drawn["Consumables"] = figures.consumables(one.consumables)
    if one.judgement is not None and one.inside is not None:
        drawn["Was the forecast right?"] = figures.ranges(one)
    return drawn


def _drawn(svg: str, key: str) -> str:
    """Return a figure; ids get a key, since the same kind of figure may stand on the page twice."""
    for before in ('id="', "url(#", 'href="#'):
        svg = svg.replace(before, f"{before}{key}-")
    return f"<figure>\n{svg}</figure>\n"


def _text(text: str) -> str:
    return escape(plain(text, most=4000))


def _table(table: Table, figure: str = "") -> str:
    """Return a table with its title, its note, and a figure beside or below it as there is room."""
    note = f'<p class="note">{_text(table.note)}</p>\n' if table.note else ""
    head = _row("th", table.headings, table) if any(table.headings) else ""
    body = "".join(_row("td", row, table) for row in table.rows)
    long = ' class="long"' if len(table.rows) > 30 else ""
    return (
        f"<section{long}>\n<h3>{_text(table.title)}</h3>\n{note}"
        f'<div class="wide"><table>\n{head}{body}</table></div>\n{figure}</section>\n'
    )


def _row(tag: str, cells: Sequence[str], table: Table) -> str:
    return (
        "<tr>"
        + "".join(
            f'<{tag} class="r">{_text(cell)}</{tag}>' if i in table.right else f"<{tag}>{_text(cell)}</{tag}>"
            for i, cell in enumerate(cells)
        )
        + "</tr>\n"
    )
