"""Pages of text in the middle of the screen: the help, from the command table, and the handover brief."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from textwrap import wrap

from tracker.console.view.scene import SMALL
from tracker.console.view.styled_text import Line, blank, crop, page, put, say, wrapped
from tracker.foundation.text import ADVISORY

_STATES = (
    ("done", "ticked off"), ("now", "at work"), ("next", "comes next"), ("then", "comes later"),
    ("go?", "a go must be given first"), ("held", "kept waiting by decision"),
    ("wait", "waits, and for what"),
    ("[task]", "optional"), ("saving", "the disk has not answered yet"), ("unsaved", "queued, tried again"),
)  # fmt: skip


def help_page(commands: Sequence[tuple[str, str, str]], width: int, height: int, top: int) -> list[Line]:
    """Return the help of (group, key, sentence), in as many columns as fit, from row `top` on."""
    return page(help_lines(commands, width), width, height, top)


def help_lines(commands: Sequence[tuple[str, str, str]], width: int) -> list[Line]:
    """Return all rows of the help."""
    columns = 2 if width >= 2 * SMALL - 70 else 1
    room = width // columns
    blocks = [_block(group, list(rows), room) for group, rows in groupby(commands, key=lambda row: row[0])]
    blocks.append(_states(room))
    lines = _flow(blocks, columns, room, width)
    head = [crop((say(f" {part}", "strong"),), width) for part in wrap(ADVISORY, width - 2)]
    return [*head, blank(width), *lines]


def _block(group: str, rows: list[tuple[str, str, str]], room: int) -> list[Line]:
    lines = [crop((say(f" {group}", "strong"),), room)]
    for _, key, words in rows:
        for place, part in enumerate(wrapped(words, room - 13)):
            lines.append(crop((put(f"  {key}" if place == 0 else "", 12, "key"), say(part)), room))
    return [*lines, blank(room)]


def _states(room: int) -> list[Line]:
    lines = [crop((say(" Words of state", "strong"),), room)]
    return [
        *lines,
        *(crop((put(f"  {word}", 12, "key"), say(words)), room) for word, words in _STATES),
        blank(room),
    ]


def _flow(blocks: list[list[Line]], columns: int, room: int, width: int) -> list[Line]:
    """Return blocks set into columns of about equal height, no block broken."""
    target = -(-sum(map(len, blocks)) // columns)
    stacks: list[list[Line]] = [[] for _ in range(columns)]
    place = 0
    for block in blocks:
        if stacks[place] and len(stacks[place]) + len(block) / 2 > target and place < columns - 1:
            place += 1
        stacks[place] += block
    rows = max(map(len, stacks))
    padded = [stack + [blank(room)] * (rows - len(stack)) for stack in stacks]
    return [crop([span for stack in padded for span in stack[row]], width) for row in range(rows)]


def text_lines(text: Sequence[str], width: int) -> list[Line]:
    """Return plain lines of text; what is too long for a row goes on in the next one."""
    return [crop((say(f" {part}"),), width) for line in text for part in wrapped(line, width - 2, indent=4)]
