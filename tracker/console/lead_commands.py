"""The command table of the lead's view. Nothing in it writes: the view has no way to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from tracker.console.command import Can, Command
from tracker.console.keys import keymap_of
from tracker.journal.progress import Progress

BINDING = "lead-"
"""What the ids of this view's bindings begin with: it may lie over a desk, whose ids are its own."""


def _started(progress: Progress) -> bool:
    return progress.zero is not None


def _any(progress: Progress) -> bool:
    return True


_Row = tuple[str, str, str, str, str, str, int]
"""id, keys, key as shown, words, sentence, action, place in the footer."""


def _group(name: str, *rows: _Row, can: Can = _any) -> tuple[Command, ...]:
    return tuple(
        Command(id, tuple(keys.split()), shown, words, help, name, action, foot, can)
        for id, keys, shown, words, help, action, foot in rows
    )


LEAD_COMMANDS: tuple[Command, ...] = (
    *_group(
        "Pages",
        ("page", "v tab", "v", "next page", "the next page at this size", "page(1)", 1),
        ("page-before", "V shift+tab", "V", "page before", "the page before", "page(-1)", 0),
        ("inside", "i", "i", "inside", "when everyone is inside, what moved it", "region('inside')", 0),
        ("limits", "l", "l", "limits", "every limit with its trend", "region('limits')", 0),
        ("decide", "d", "d", "decide", "optional tasks and turn-back", "region('decide')", 0),
        ("tasks", "t", "t", "tasks", "every task with its chance", "region('tasks')", 0),
        ("levels", "x", "x", "consumables", "what runs down, as curves", "region('levels')", 0),
        ("readings", "b", "b", "readings", "levels, reserves, ages of readings", "region('readings')", 0),
        (
            "orders",
            "o",
            "o",
            "better orders",
            "hand-overs and places of tasks that bring everyone in earlier",
            "region('orders')",
            0,
        ),
        ("fresh", "f", "f", "how fresh", "the last word from each crew member", "region('fresh')", 0),
    ),
    *_group(
        "In full",
        (
            "whole",
            "a exclamation_mark",
            "a",
            "in full",
            "alerts, figures and events in full, on one page to scroll through",
            "read('whole')",
            3,
        ),
    ),
    *_group(
        "Back and forth",
        ("earlier", "left", "left", "minute back", "show a minute earlier", "minutes(-1)", 0),
        ("later", "right", "right", "minute on", "show a minute later", "minutes(1)", 0),
        ("event-before", "up", "up", "event before", "show the event before", "events(-1)", 0),
        ("event-after", "down", "down", "event after", "show the event after", "events(1)", 0),
        ("much-earlier", "pageup", "PgUp", "a quarter back", "a quarter hour earlier", "minutes(-15)", 0),
        ("much-later", "pagedown", "PgDn", "a quarter on", "a quarter hour later", "minutes(15)", 0),
        ("zero", "home", "Home", "PET 0", "show the beginning", "to_zero", 0),
        ("present", "end", "End", "present", "show the present again", "present", 5),
        can=_started,
    ),
    *_group(
        "What if",
        ("what-if", "w e", "w", "what if", "suppose events, beside what stands", "what_if", 2),
        ("nothing-supposed", "W", "W", "as it stands", "suppose nothing any more", "nothing_supposed", 0),
    ),
    *_group(
        "What moved it",
        (
            "mark",
            "m",
            "m",
            "mark",
            "what moved it from the shown instant on; again: in half an hour",
            "mark",
            6,
        ),
        can=_started,
    ),
    *_group(
        "View",
        (
            "back",
            "escape L",
            "Esc",
            "back",
            "leave a page, an earlier instant, the view over a desk",
            "back",
            0,
        ),
        ("help", "question_mark f1", "?", "help", "this page", "read('help')", 7),
        ("theme", "T", "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", "theme", 0),
        ("quit", "q ctrl+q ctrl+c", "q", "quit", "leave the view; nothing of it is kept", "leave", 8),
    ),
)
"""Every command, in the order of the help page."""

LEAD_BY_ID = {command.id: command for command in LEAD_COMMANDS}

READING_IT: tuple[tuple[str, str], ...] = (
    ("tightest", "the limit that is likeliest to be broken"),
    ("1 of 10", "one of ten courses ends before it, nine of ten after it; 9 of 10: the other way round"),
    ("broken", "chance that the limit is broken"),
    ("trend", "how the median margin changed in half an hour; less than 0:05 is steady"),
    ("costs", "by how much everyone is inside later with the task"),
    ("in time", "chance that it can be begun by its last call"),
    ("chance", "of a task: done before the crew must turn back"),
    ("short", "chance that the reserve is reached before ingress"),
    ("committed", "an optional task that a person chose to keep"),
    ("~", "cut, or more than has room; the page of everything has it in full"),
)
"""Words and signs of the view, for the help page."""


def lead_footer(commands: Sequence[Command], progress: Progress | None) -> list[tuple[str, str]]:
    """Return (key, words) for the footer, in its order, of what can be done now."""
    placed = [c for c in commands if c.foot and (progress is None or c.can(progress))]
    pairs = [(c.shown, c.words) for c in sorted(placed, key=lambda c: c.foot)]
    started = progress is None or progress.zero is not None
    return [*pairs[:3], *((_scrub(commands),) if started else ()), *pairs[3:]]


def _scrub(commands: Sequence[Command]) -> tuple[str, str]:
    """Return what the footer says of the keys back and forth together."""
    keys = [c.shown for c in commands if c.id in ("earlier", "later")]
    return ("arrows" if keys == ["left", "right"] else " ".join(keys), "back")


def lead_keymap(keys: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Return a person's keys of this view by the ids of its bindings."""
    table = [replace(command, id=BINDING + command.id) for command in LEAD_COMMANDS]
    return keymap_of(table, {BINDING + id: chosen for id, chosen in keys.items()})
