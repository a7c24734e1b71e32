"""Pages of text in the middle of the screen: the help, from the command table, and the handover brief."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from textwrap import wrap

from tracker.console.view.ink import Line, Span, blank, crop, put, say
from tracker.console.view.scene import SMALL
from tracker.foundation.advisory import ADVISORY

_STATES = (
    ("done", "ticked off"), ("now", "at work"), ("next", "comes next"), ("then", "comes later"),
    ("go?", "a go must be given first"), ("held", "kept waiting by decision"),
    ("wait", "waits, and for what"),
    ("[task]", "optional"), ("saving", "the disk has not answered yet"), ("unsaved", "queued, tried again"),
)  # fmt: skip


def help_page(commands: Sequence[tuple[str, str, str]], width: int, height: int, top: int) -> list[Line]:
    """Return the help of (group, key, sentence), in as many columns as fit, from row `top` on."""
    columns = 2 if width >= 2 * SMALL - 70 else 1
    room = width // columns
    blocks = [_block(group, list(rows), room) for group, rows in groupby(commands, key=lambda row: row[0])]
    blocks.append(_states(room))
    lines = _flow(blocks, columns, room, width)
    head = [crop((say(f" {part}", "strong"),), width) for part in wrap(ADVISORY, width - 2)]
    if len(lines) + len(head) > height:
        head.append(
            crop((say(" up, down, PgUp and PgDn move through this page; Esc leaves it", "dim"),), width)
        )
    head.append(blank(width))
    shown = [*head, *lines]
    top = max(0, min(top, len(shown) - height))
    shown = shown[top : top + height]
    return shown + [blank(width)] * (height - len(shown))


def _block(group: str, rows: list[tuple[str, str, str]], room: int) -> list[Line]:
    lines = [crop((say(f" {group}", "strong"),), room)]
    lines += [
        crop((put(f"  {key}", 12, "key"), put(words, room - 13), Span(" ")), room) for _, key, words in rows
    ]
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


def text_page(text: Sequence[str], width: int, height: int, top: int) -> list[Line]:
    """Return plain lines of text from row `top` on."""
    top = max(0, min(top, len(text) - height))
    shown = [crop((Span(" "), say(line)), width) for line in text[top : top + height]]
    return shown + [blank(width)] * (height - len(shown))
