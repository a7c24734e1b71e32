"""The keys of the bottom line and the help page, from the command table; everything in full on one page.

The page of everything has what the regions cut or leave out for want of room.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from tracker.console.commands import Command, Pair, Where, commands_of
from tracker.console.settings import shown
from tracker.console.view.alerts import MARKS, told_of, waiting_alerts
from tracker.console.view.lead_1_day import bases, why
from tracker.console.view.lead_2_choices import choices_in_full, to_decide
from tracker.console.view.lead_3_work import tasks, word
from tracker.console.view.lead_4_runs_down import levels, limits, readings
from tracker.console.view.scene import SMALL, LeadScene
from tracker.console.view.styled_text import (
    Line,
    Span,
    blank,
    block,
    crop,
    folded,
    heading,
    put,
    remark,
    say,
    wrapped,
)
from tracker.console.view.what_if_pages import orders, what_if
from tracker.console.view.words import (
    pet,
    pet_s,
    window_change,
)
from tracker.foundation.text import ADVISORY
from tracker.journal.wording import event_words

_ROOM = 600
"""Rows that a region may take here at most."""
_REGIONS = (word, limits, bases, to_decide, why, choices_in_full, tasks, readings, levels, what_if, orders)


def in_full(scene: LeadScene, width: int) -> list[Line]:
    """Return every line of the page, in the order of the lead's questions, the events last."""
    full = replace(scene, whole=True)
    lines = [*_alerts(full, width), *_excursion(full, width)]
    for region in _REGIONS:
        lines += [blank(width), *_trimmed(region(full, width, _ROOM))]
    return [*lines, blank(width), *_events(full, width)]


def _trimmed(lines: list[Line]) -> list[Line]:
    """Return the lines without the blank ones at the end."""
    last = max((k for k, line in enumerate(lines) if "".join(s.text for s in line).strip()), default=-1)
    return lines[: last + 1]


def _alerts(scene: LeadScene, width: int) -> list[Line]:
    """Return every alert, those that wait first, and trouble with the journal."""
    lines = [heading("alerts", width, "acknowledged at the desk")]
    if scene.trouble:
        lines += folded((say(" ! ", "alarm"), Span(" "), say(scene.trouble, "late")), width, 4)
    waiting = waiting_alerts(scene)
    every = scene.snapshot.news.alerts
    for alert in waiting:
        mark, ink = MARKS[alert.severity]
        lines += folded((say(mark, ink), Span(" "), say(told_of(scene, alert))), width, 10)
    for alert in every:
        if alert not in waiting:
            lines += folded((say(f" seen     {told_of(scene, alert)}"),), width, 10)
    return lines if len(lines) > 1 else [*lines, remark("none", width)]


def _excursion(scene: LeadScene, width: int) -> list[Line]:
    """Return what is led: name, beginning, limits in force, the next change of a window."""
    progress = scene.progress
    rows = [("name", progress.plan.excursion + (" (rehearsal)" if progress.rehearsal else ""))]
    started = f"{progress.zero:%Y-%m-%d %H:%M:%S} UTC" if progress.zero is not None else "not yet"
    rows.append(("PET 0", f"{started}: {progress.plan.zero}"))
    rows += [("limit", f"{name}: {pet(at)}") for name, at in progress.limits.items()]
    change = window_change(progress, scene.now)
    rows += [("window", change)] if change else []
    lines = [blank(width), heading("excursion", width)]
    for name, words in rows:
        lines += folded((put(f" {name}", 9, "dim"), say(words)), width, 9)
    return lines


def _events(scene: LeadScene, width: int) -> list[Line]:
    """Return the events in force, the latest first."""
    progress = scene.progress
    lines = [heading("events", width, "the latest first")]
    for event in reversed(progress.events):
        said = event_words(progress, event.kind, event.body)
        lines += _event(width, (f" {event.number}", pet_s(event.at), said))
    return lines if progress.events else [*lines, remark("nothing yet", width)]


def _event(width: int, cells: Iterable[str]) -> list[Line]:
    number, at, said = cells
    return folded((put(number, 6, "dim"), put(at, 9, right=True), Span("  "), say(said)), width, 17)


_STATES = tuple(
    ("Words of state", word, words)
    for word, words in (
        ("done", "ticked off"), ("now", "at work"), ("next", "comes next"), ("then", "comes later"),
        ("go?", "a go must be given first"), ("held", "kept waiting by decision"),
        ("wait", "waits, and for what"),
        ("[task]", "optional"), ("saving", "the disk has not answered yet"),
        ("unsaved", "queued, tried again"),
    )
)  # fmt: skip


JOB: Mapping[Where, tuple[Pair, ...]] = {
    "desk": (
        ("{zero}", "the clock starts"),
        ("1 2 3", "tick what that person is at"),
        ("{late} 1 3", "tick EV1, three minutes ago"),
        ("{undo}  {redo}", "take back; on record again"),
        ("{go}", "give the go that is next"),
        ("{hold}  {resume}", "hold everyone; go on"),
        ("{reading}", "what the gauges read"),
        ("{keep} a  {drop} a", "keep task a, or give it up"),
        ("{what-if}", "what if: nothing is written"),
        ("{acknowledge}  {alerts}", "alert seen; every alert"),
        ("{entry}", "any other event, typed"),
        ("{recall} {recall}", "call everyone home"),
        ("{entered} 1 2", "both are inside"),
        ("{view}  {lead}", "next view; the lead's view"),
    ),
    "lead": (
        ("1", "will they be inside, and why"),
        ("2  {decide}", "what each choice comes to"),
        ("3  {tasks}", "every task, last words"),
        ("4  {levels}", "limits and what runs down"),
        ("5", "what if, and better orders"),
        ("{what-if}", "suppose; nothing is written"),
        ("{whole}", "all of it, in full"),
        ("arrows", "a minute or an event away"),
        ("{present}", "the present again"),
        ("{mark}", "what moved it since then"),
        ("{back}", "back, to the desk at last"),
    ),
}
"""What a person does first to last, with the keys by the ids of commands: the first page of the help."""


def job_rows(where: Where, table: Mapping[str, Command]) -> list[Pair]:
    """Return keys and words of the help's first page, with a person's own keys."""
    keys = {id: command.shown for id, command in table.items()}
    return [(sign.format_map(keys), words) for sign, words in JOB[where]]


def unbound_words(where: Where, key: str, help: str) -> str:
    """Return what a key does at the desk that does nothing on this screen."""
    there = next((c for c in commands_of("desk") if key in c.keys), None)
    if there is None or where == "desk":
        return f"{shown(key)} does nothing here; {help} shows every key"
    return f"this view only reads: {there.shown} works at the desk: {there.help}"


FIGURE = "INSIDE 8 in 10: 3:49..6:03: of ten ways it may go on, eight end between"
"""What the figures of the head say, on the help's first page."""
HelpRow = tuple[str, str, str]
"""The subject of a row of the help, its key or sign, and what it does or means."""


def help_lines(job: Sequence[Pair], rows: Sequence[HelpRow], width: int, find: str = "") -> list[Line]:
    """Return the rows of the help: the keys of the job and the subjects on a screen, then each subject.

    `find`: the key that finds rows by their words; empty where there is none.
    """
    columns = 2 if width >= 2 * SMALL - 70 else 1
    room = width // columns
    every = {subject: list(own) for subject, own in groupby((*rows, *_STATES), key=lambda row: row[0])}
    blocks = [_block(subject, own, room) for subject, own in every.items()]
    finds = f"{find} and some words find a row among {sum(map(len, every.values()))}."
    subjects = block(f"Below, by subject: {', '.join(every)}.  {finds}", width, "dim") if find else []
    return [
        *_job(job, width),
        *block(FIGURE, width, "dim"),
        *subjects,
        blank(width),
        *_flow(blocks, columns, room, width),
        *block(ADVISORY, width, "strong"),
    ]


def found_rows(rows: Sequence[HelpRow], text: str) -> list[HelpRow]:
    """Return the rows of the help that have all these words, or whose key this is."""
    words = text.lower().split()
    every = [*rows, *_STATES]
    keyed = [row for row in every if text.strip() in row[1].split()]
    told = [row for row in every if all(word in " ".join(row).lower() for word in words)]
    return [*keyed, *(row for row in told if row not in keyed)]


def found_lines(rows: Sequence[HelpRow], text: str, width: int) -> list[Line]:
    """Return the rows of the help that have all these words, by their subjects."""
    found = found_rows(rows, text)
    lines = [remark("nothing in the help has these words", width)] if not found else []
    for subject, own in groupby(found, key=lambda row: row[0]):
        lines += _block(subject, list(own), width)[:-1]
    return lines


def _job(job: Sequence[tuple[str, str]], width: int) -> list[Line]:
    """Return the keys of the job in two columns, read down the first."""
    columns = 2 if width >= 2 * _JOB else 1
    rows = -(-len(job) // columns)
    cells = [(put(f" {sign}", 11, "key"), put(words, _JOB - 11)) for sign, words in job]
    return [crop([span for cell in cells[row::rows] for span in cell], width) for row in range(rows)]


_JOB = 40
"""Columns of a key of the job with its words."""


def _block(group: str, rows: list[tuple[str, str, str]], room: int) -> list[Line]:
    lines = [crop((say(f" {group}", "strong"),), room)]
    wide = max(12, min(20, max(len(key) for _, key, _ in rows) + 4))
    for _, key, words in rows:
        for place, part in enumerate(wrapped(words, room - wide - 1)):
            lines.append(crop((put(f"  {key}" if place == 0 else "", wide, "key"), say(part)), room))
    return [*lines, blank(room)]


def _flow(blocks: list[list[Line]], columns: int, room: int, width: int) -> list[Line]:
    """Return blocks set into columns of about equal height, no block broken."""
    target = -(-sum(map(len, blocks)) // columns)
    stacks: list[list[Line]] = [[] for _ in range(columns)]
    place = 0
    for rows in blocks:
        if stacks[place] and len(stacks[place]) + len(rows) / 2 > target and place < columns - 1:
            place += 1
        stacks[place] += rows
    most = max(map(len, stacks))
    padded = [stack + [blank(room)] * (most - len(stack)) for stack in stacks]
    return [crop([span for stack in padded for span in stack[row]], width) for row in range(most)]


def footer_line(pairs: Sequence[tuple[str, str]], width: int) -> Line:
    """Return keys and words in order; what does not fit is left out, the last two (help, quit) never."""
    kept, last = list[tuple[str, str]](), list(pairs[-2:])
    for pair in pairs[:-2]:
        if _needs([*kept, pair, *last]) <= width:
            kept.append(pair)
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
