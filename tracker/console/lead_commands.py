"""The command table of the lead's view. Nothing in it writes: the view has no way to."""

from __future__ import annotations

from tracker.console.commands import Can, Command
from tracker.journal.progress import Progress


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
        ("fresh", "f", "f", "how fresh", "the last word from each crew member", "region('fresh')", 0),
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
        ("present", "end", "End", "present", "show the present again", "present", 4),
        can=_started,
    ),
    *_group(
        "What if",
        ("what-if", "w e", "w", "what if", "suppose events, beside what stands", "what_if", 2),
        ("nothing-supposed", "W", "W", "as it stands", "suppose nothing any more", "nothing_supposed", 0),
        ("mark", "m", "m", "mark", "what moved it since the shown instant; again: half an hour", "mark", 5),
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
        ("help", "question_mark f1", "?", "help", "this page", "help", 6),
        ("theme", "T", "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", "theme", 0),
        ("quit", "q ctrl+q ctrl+c", "q", "quit", "leave the view; nothing of it is kept", "leave", 7),
    ),
)
"""Every command, in the order of the help page."""

SCRUB = (("arrows", "back and forth"),)
"""What the footer says of the arrow keys together."""


def lead_footer(progress: Progress | None) -> list[tuple[str, str]]:
    """Return (key, words) for the footer, in its order, of what can be done now."""
    placed = [c for c in LEAD_COMMANDS if c.foot and (progress is None or c.can(progress))]
    pairs = [(c.shown, c.words) for c in sorted(placed, key=lambda c: c.foot)]
    started = progress is None or progress.zero is not None
    return [*pairs[:2], *(SCRUB if started else ()), *pairs[2:]]
