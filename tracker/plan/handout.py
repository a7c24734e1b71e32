"""A plan for the hand: what each crew member does and when, with room for a pencil, as a page or as text.

A step stands with its planned start in phase elapsed time and UTC, how long it takes, where, with whom, what
has to be done before it, and an empty place for the actual time. The last page is what is opened and must be
closed again. Nothing is cut: text wraps.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape

from tracker.foundation.shown import down
from tracker.foundation.text import ADVISORY, plain
from tracker.foundation.times import brief_instant, format_exact, format_instant, format_pet, instant_of
from tracker.plan.bad_day import HEADING, HEADS, against, card, ways_home
from tracker.plan.hardware import due_back, moves
from tracker.plan.model import Plan, Step, store_words
from tracker.plan.paper import Paper

WIDTH = 80
READING_ROWS = 10


@dataclass(frozen=True, slots=True)
class Line:
    """One step of one crew member."""

    step: str
    do: str
    pet: str
    utc: str
    """Empty without a planned zero."""
    takes: str
    remarks: tuple[str, ...]
    """With whom, where, what first, what is asked, how hard, what is carried: each as it is said."""
    heed: tuple[str, ...]
    """Cautions and numbers."""
    windows: tuple[str, ...]
    """Windows that are open at its planned start."""


def lines_of(paper: Paper, member: str) -> list[Line]:
    """The steps of a crew member in order."""
    plan, course = paper.plan, paper.everything
    found = []
    for name in course.order[member]:
        step, lost = plan.step[name], name in course.lost
        start = math.inf if lost else course.start[name]
        is_open = [w for w, spans in paper.windows.items() if any(a <= start < b for a, b in spans)]
        found.append(
            Line(
                step=name,
                do=step.do,
                pet="-" if lost else format_exact(round(start)),
                utc="" if lost else _utc(start, plan.zero_planned),
                takes=format_exact(round(course.duration(name))),
                remarks=tuple(_remarks(plan, step, member)),
                heed=step.heed,
                windows=tuple(is_open),
            )
        )
    return found


def _utc(pet_s: float, zero: datetime | None) -> str:
    if zero is None:
        return ""
    clock = format_instant(instant_of(round(pet_s), zero))[11:19]
    return f"{clock.removesuffix(':00')}Z"


def _remarks(plan: Plan, step: Step, member: str) -> Iterator[str]:
    """Yield what has to be known of a step beside what is done."""
    task = plan.task[step.task]
    if task.optional:
        yield task.priority
    others = [other for other in step.crew if other != member]
    if others:
        yield f"with {', '.join(others)}"
    if step.site is not None:
        yield f"at {step.site}"
    needs = [*task.needs, *step.needs]
    if needs:
        yield f"after {', '.join(needs)}"
    if step.hold_point is not None:
        yield f"GO: {step.hold_point}"
    if step.windows:
        yield f"only in {', '.join(step.windows)}{', whole' if step.whole else ''}"
    if step.within is not None:
        yield f"done within {format_exact(step.within.time)} of {step.within.of}"
    if step.count > 1:
        yield f"{step.count} items"
    names = {watts: name for name, watts in plan.efforts.items()}
    effort = step.effort_of(member)
    if effort != plan.efforts["light"]:
        yield names.get(effort, f"{effort:g} W")
    for verb, items in (("opens", step.opens), ("closes", step.closes)):
        if items:
            yield f"{verb} {', '.join(items)}"
    for verb, carried in (("takes", step.takes), ("brings back", step.brings)):
        if carried:
            yield f"{verb} {', '.join(carried)}"
    for name, site in step.leaves.items():
        yield f"leaves {name} at {site}"


def _limits(paper: Paper) -> Iterator[tuple[str, str, str, str]]:
    """Yield each limit, its PET and UTC, and whom it binds; then each reserve."""
    for limit in paper.limits:
        at = "-" if limit.at is None else format_exact(round(limit.at))
        utc = "" if limit.at is None else _utc(limit.at, paper.plan.zero_planned)
        yield limit.name, at, utc, ", ".join(limit.crew)
    for supply in paper.supplies:
        reserve = f"reserve {supply.reserve:g} {supply.unit}, by the planned rates"
        name = f"{store_words(supply.consumable)} {reserve}"
        # Before the minute that is shown, in either clock.
        reached = down(supply.reserve_reached)
        utc = "" if reached is None else _utc(reached, paper.plan.zero_planned)
        yield name, format_pet(reached), utc, supply.crew


def _windows(paper: Paper) -> Iterator[tuple[str, str]]:
    """Yield each window and when it is open, as long as somebody is out and an hour on."""
    end = paper.everything.everybody_inside + 3600
    for name, spans in paper.windows.items():
        shown = [f"{format_pet(max(a, 0))} to {format_pet(b)}" for a, b in spans if a < end and b > 0]
        yield name, ", ".join(shown) or "not open"


def _items(plan: Plan) -> Iterator[tuple[str, str, str]]:
    """Yield what is opened, by which step, and which closes it."""
    closers = {item: step.id for step in plan.step.values() for item in step.closes}
    for step in plan.step.values():
        for item in step.opens:
            yield item, step.id, closers[item]


def _carried(plan: Plan) -> Iterator[tuple[str, str, str]]:
    """Yield each piece of hardware that is due back, where it is at zero, and by which steps it goes."""
    trail: dict[str, list[str]] = {name: [] for name in due_back(plan)}
    for move in moves(plan):
        if move.hardware in trail:
            trail[move.hardware].append(move.step)
    for one in plan.hardware:
        if one.id in trail:
            name = one.id if one.title == one.id else f"{one.id}, {one.title}"
            yield name, one.origin, ", ".join(dict.fromkeys(trail[one.id]))


def _asked(plan: Plan) -> Iterator[tuple[str, str, str]]:
    """Yield each round, how often it is due, and what it asks."""
    for one in plan.rounds:
        asked = (store_words(item) if item in plan.consumable else item for item in one.ask)
        yield one.id, format_exact(one.every), ", ".join(asked)


def _stores(plan: Plan) -> list[str]:
    """The headings of a reading round: each store of each crew member, with its unit."""
    return [
        f"{owner} {store_words(store.id)} ({store.unit})"
        for store in plan.consumables
        for owner in (("shared",) if store.shared else store.crew)
    ]


def text_page(paper: Paper) -> Iterator[str]:
    """Yield the lines of the handout, at most 80 columns wide."""
    plan = paper.plan
    yield from _wrapped(plain(plan.excursion))
    yield from _wrapped(
        f"zero: {plan.zero}" + (f", {brief_instant(plan.zero_planned)}" if plan.zero_planned else "")
    )
    for member in plan.crew:
        rows = lines_of(paper, member.id)
        if rows:
            yield ""
            yield from _wrapped(f"{member.id}  {member.name}" if member.name != member.id else member.id)
            for row in rows:
                yield from _text_step(row)
    yield from _block(
        "limits", (" ".join(filter(None, (n, at, utc, who))) for n, at, utc, who in _limits(paper))
    )
    yield from _block("windows", (f"{name}: {spans}" for name, spans in _windows(paper)))
    yield from _block("readings, at PET ____:", (f"{store}  ______" for store in _stores(plan)))
    opened = (f"[ ] {item}: opened by {step}, closed by {closer}" for item, step, closer in _items(plan))
    yield from _block("opened, to be closed before the way home", opened)
    asked = (f"{name}, every {every}: {items}" for name, every, items in _asked(plan))
    yield from _block("rounds, everybody outside", asked)
    carried = (f"[ ] {name}: from {where}; {steps}" for name, where, steps in _carried(plan))
    yield from _block("hardware, to be counted before the way home", carried)
    yield from _block(HEADING, (line.strip() for line in card(plan)))
    yield ""
    yield from _wrapped(ADVISORY)


def _text_step(row: Line) -> Iterator[str]:
    utc = f"  {row.utc}" if row.utc else ""
    yield from _wrapped(f"[ ] {row.pet:>7}{utc}  {row.takes:>7}  actual ____:____  {row.step}", "    ")
    yield from _wrapped(f"      {row.do}", "      ")
    for line in row.heed:
        yield from _wrapped(f"      {line}", "        ")
    opened = [f"open: {', '.join(row.windows)}"] if row.windows else []
    if remarks := [*row.remarks, *opened]:
        yield from _wrapped(f"      {'; '.join(remarks)}", "      ")


def _block(heading: str, lines: Iterable[str]) -> Iterator[str]:
    found = list(lines)
    if found:
        yield ""
        yield heading
        for line in found:
            yield from _wrapped(f"  {line}", "      ")


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(
        plain(text), WIDTH, subsequent_indent=indent, break_on_hyphens=False, drop_whitespace=True
    ) or [""]


STYLE = """
@page { size: A4; margin: 12mm 11mm 14mm; }
:root { color-scheme: light; }
body { font: 10.5pt/1.3 system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; color: #111;
  background: #fff;
  max-width: 190mm; margin: 0 auto; padding: 4mm; }
h1 { font-size: 15pt; margin: 0; overflow-wrap: anywhere; } h2 { font-size: 12pt; margin: 6mm 0 1mm; }
.crew + .crew { break-before: page; } .last { break-before: page; }
table { border-collapse: collapse; width: 100%; } thead { display: table-header-group; }
th { text-align: left; font-weight: 600; border-bottom: 1.2pt solid #333; padding: 0.6mm 1.2mm;
  font-size: 8.5pt; }
td { border-bottom: 0.5pt solid #999; padding: 0.8mm 1.2mm; vertical-align: top; overflow-wrap: anywhere; }
tr { break-inside: avoid; } .n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
.what small { display: block; color: #333; } .id { color: #333; font-size: 8.5pt; white-space: nowrap; }
.box { border: 0.9pt solid #333; min-width: 19mm; height: 7mm; }
.w { text-align: center; font-size: 7.5pt; min-width: 8mm; }
.open { background: #d9d9d9; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.advisory { border-left: 1.2mm solid #333; padding: 0.5mm 2mm; margin: 2mm 0; font-size: 9pt; }
.readings td { height: 7mm; } .readings td + td, .readings th + th { border-left: 0.5pt solid #999; }
@media screen { body { padding: 8mm; box-shadow: 0 0 3mm #bbb; } }
""".strip()


def html_page(paper: Paper) -> Iterator[str]:
    """Yield the handout as one HTML file, A4, without scripts or anything from elsewhere."""
    plan = paper.plan
    title = _html(plan.excursion)
    yield f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{title}</title>\n'
    yield f"<style>\n{STYLE}\n</style>\n</head>\n<body>\n<h1>{title}</h1>\n"
    planned = f", planned for {brief_instant(plan.zero_planned)}" if plan.zero_planned else ""
    yield f'<p>zero: {_html(plan.zero)}{planned}</p>\n<p class="advisory">{ADVISORY}</p>\n'
    for member in plan.crew:
        rows = lines_of(paper, member.id)
        if rows:
            name = member.id if member.name == member.id else f"{member.id}, {member.name}"
            yield f'<div class="crew">\n<h2>{_html(name)}</h2>\n{_steps(rows, list(paper.windows))}</div>\n'
    yield '<div class="last">\n'
    yield _table("Limits", ("limit", "PET", "UTC", "who"), _limits(paper))
    yield _table("Windows", ("window", "open, PET"), _windows(paper))
    stores = _stores(plan)
    if stores:
        empty = [("",) * (len(stores) + 1)] * READING_ROWS
        yield f'<div class="readings">{_table("Readings", ("PET", *stores), empty)}</div>'
    opened = (("\N{BALLOT BOX}", *row) for row in _items(plan))
    yield _table(
        "Opened, to be closed before the way home", ("closed", "item", "opened by", "closed by"), opened
    )
    yield _table("Rounds, everybody outside", ("round", "every", "asks"), _asked(plan))
    carried = (("\N{BALLOT BOX}", *row) for row in _carried(plan))
    heads = ("back", "hardware", "from", "goes by")
    yield _table("Hardware, to be counted before the way home", heads, carried)
    ways = (way.cells for way in ways_home(plan))
    yield _table(f"{HEADING.capitalize()}: {against(plan)}", HEADS, ways)
    yield f'<p class="advisory">{ADVISORY}</p>\n</div>\n</body>\n</html>\n'


def _html(text: str) -> str:
    return escape(plain(text))


def _steps(rows: Sequence[Line], windows: Sequence[str]) -> str:
    """The table of one crew member's steps; a window has a column, shaded where it is open at the start."""
    with_utc = any(row.utc for row in rows)
    heads = ["PET", *(["UTC"] if with_utc else []), "takes", *map(_html, windows), "what", "actual"]
    out = ["<table>\n<thead><tr>", *(f"<th>{head}</th>" for head in heads), "</tr></thead>\n<tbody>\n"]
    for row in rows:
        cells = [f'<td class="n">{row.pet}</td>', *([f'<td class="n">{row.utc}</td>'] if with_utc else [])]
        cells.append(f'<td class="n">{row.takes}</td>')
        cells += [
            '<td class="w open">open</td>' if w in row.windows else '<td class="w"></td>' for w in windows
        ]
        heed = "".join(f"<small><b>{_html(line)}</b></small>" for line in row.heed)
        remarks = f"<small>{_html('; '.join(row.remarks))}</small>" if row.remarks else ""
        cells.append(
            f'<td class="what">{_html(row.do)} <span class="id">{_html(row.step)}</span>{heed}{remarks}</td>'
        )
        out.append(f'<tr>{"".join(cells)}<td><div class="box"></div></td></tr>\n')
    return "".join([*out, "</tbody>\n</table>\n"])


def _table(heading: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table below a heading; nothing where it has no rows."""
    made = ["".join(f"<td>{_html(cell)}</td>" for cell in row) for row in rows]
    if not made:
        return ""
    head = "".join(f"<th>{_html(one)}</th>" for one in heads)
    body = "".join(f"<tr>{row}</tr>\n" for row in made)
    table = f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody>\n</table>\n"
    return f"<h2>{_html(heading)}</h2>\n{table}"
