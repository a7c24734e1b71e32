"""The one command table: keys, footer, help page, palette and manual come from it."""

from __future__ import annotations

from collections.abc import Iterable

from tracker.console.command import (
    Can,
    Command,
    act,
    before_zero,
    beyond_digits,
    go_wanted,
    group,
    somebody_held,
    still_open,
    typed,
    under_way,
)
from tracker.journal.progress import Progress

__all__ = ["BY_ID", "COMMANDS", "Can", "Command", "footer"]


def _tick(digit: int) -> Command:
    help = f"tick the current step of crew member {digit}"
    foot, palette = (2 if digit == 1 else 0), digit <= 3
    return act(
        f"tick-{digit}", str(digit), "tick", help, f"digit({digit})", foot, can=under_way, palette=palette
    )


COMMANDS: tuple[Command, ...] = (
    *group(
        "Ticking",
        act("zero", "z", "start", "start the clock: PET 0 is now", "zero", 1, can=before_zero),
        *(_tick(digit) for digit in range(1, 10)),
        act(
            "late",
            "minus",
            "late",
            "late tick: - then minutes, then the crew digit",
            "prefix('late')",
            3,
            can=under_way,
            shown="-",
        ),
        act(
            "count",
            "plus",
            "count",
            "one more item of a counted step: + then the crew digit",
            "prefix('count')",
            10,
            can=under_way,
            shown="+",
        ),
        act(
            "skip",
            "s",
            "skip",
            "skip a current step: s then the crew digit",
            "prefix('skip')",
            can=under_way,
        ),
        act(
            "crew",
            "tab",
            "crew",
            "choose a crew member's line, one after the other: what it says, in full",
            "choose_crew(1)",
            3,
            shown="Tab",
            palette=False,
            wanted=beyond_digits,
        ),
        act(
            "tick-chosen",
            "space",
            "tick",
            "tick for the chosen crew member: the way beyond the ninth, who has no digit; also after - + s",
            "tick_chosen",
            3,
            can=under_way,
            shown="Space",
            palette=False,
            wanted=beyond_digits,
        ),
        act(
            "undo",
            "u",
            "undo",
            "take back this seat's latest entry, all of it; again: the one before",
            "undo",
            4,
        ),
        act("redo", "U", "redo", "bring back what was taken back", "redo"),
    ),
    *group(
        "Entry",
        act("entry", "e enter", "entry", "the entry line: anything that `tracker record` takes", "entry", 5),
        act("find", "slash", "find", "find a step by its words or its id", "find", 11, shown="/"),
        typed("note", "n", "note", "write a note", "note ", 13),
    ),
    *group(
        "Crew",
        act("hold", "h", "hold", "hold everyone from now on; the reason is typed", "hold", 9, can=under_way),
        act("resume", "r", "resume", "end every hold", "resume", 2, can=somebody_held),
        act(
            "go",
            "g",
            "go",
            "give the go for the hold point that is next",
            "go",
            3,
            can=still_open,
            wanted=go_wanted,
        ),
        typed(
            "silent",
            "y",
            "silent",
            "voice lost with a crew member; `heard` when it is back",
            "silent ",
            can=under_way,
        ),
        typed("entered", "i", "inside", "a crew member is inside", "enter ", can=under_way),
    ),
    *group(
        "Work",
        typed("hand", "o", "hand over", "a step belongs to somebody else from now on", "hand "),
        typed("drop", "d", "drop", "give a task up; the advice goes on record beside it", "drop "),
        typed("keep", "k", "keep", "choose what becomes of an optional task: keep commits to it", "choose "),
        typed("restore", "D", "restore", "take a dropped task back", "restore "),
        typed("move", "m", "move", "a new place for a task", "move "),
        typed("add", "A", "add", "unplanned work", "add "),
        typed("retime", "t", "retime", "the crew says how long a step takes", "retime "),
        typed("reading", "b", "reading", "a reading of a consumable, or a round of them", "reading ", 14),
    ),
    *group(
        "What if",
        act(
            "what-if",
            "f",
            "what if",
            "suppose events, beside what stands; better orders",
            "what_if",
            7,
            wanted=still_open,
        ),
        act(
            "record-supposed",
            "F",
            "record",
            "record what is supposed, or the chosen better order; one undo takes it back",
            "record_supposed",
            can=still_open,
        ),
    ),
    *group(
        "Alerts",
        act("acknowledge", "a", "acknowledge", "acknowledge the first alert", "acknowledge"),
        act(
            "alerts",
            "exclamation_mark",
            "alerts",
            "every alert in full, also those acknowledged",
            "view('alerts')",
            shown="!",
        ),
        act("recall", "c", "recall", "call everyone home; asked twice", "recall('home')", 12, can=under_way),
        act(
            "recall-at-once",
            "C",
            "at once",
            "call everyone home at once, leaving things open; asked twice",
            "recall('at once')",
            can=under_way,
        ),
    ),
    *group(
        "Views",
        act("view", "v", "view", "the next view in the middle of the screen", "next_view", 8),
        act("steps", "l", "steps", "the list of steps", "view('steps')"),
        act("runway", "w", "runway", "the runway: what is left towards the limit", "view('runway')"),
        act("optional", "p", "optional", "the optional tasks, turn-back and open items", "view('optional')"),
        act(
            "consumables",
            "x",
            "consumables",
            "what runs down, and how old the readings are",
            "view('consumables')",
        ),
        act("home", "H", "way home", "the way home, the earliest limit in large figures", "view('home')"),
        act("events", "j", "events", "the journal's events, to correct or take back", "view('events')", 15),
        act(
            "lead", "L", "lead's view", "the lead's view of this journal; nothing is ticked there", "lead", 16
        ),
        act("brief", "B", "brief", "the handover brief for the next operator", "view('brief')", 17),
        act("up", "up", "up", "move up in the list", "move(-1)", palette=False),
        act("down", "down", "down", "move down in the list", "move(1)", palette=False),
        act("page-up", "pageup", "page up", "move a page up", "move(-10)", shown="PgUp", palette=False),
        act(
            "page-down", "pagedown", "page down", "move a page down", "move(10)", shown="PgDn", palette=False
        ),
        act(
            "back",
            "escape",
            "back",
            "leave a view, a choice, or a late tick that was begun",
            "back",
            shown="Esc",
            palette=False,
        ),
        act(
            "take-back",
            "backspace",
            "take back",
            "take back the chosen event of the list",
            "take_back",
            shown="Backspace",
            palette=False,
        ),
    ),
    *group(
        "Desk",
        act("help", "question_mark f1", "help", "this page", "view('help')", 98, shown="?"),
        act(
            "palette",
            "ctrl+p",
            "palette",
            "find a command by its words",
            "palette",
            18,
            shown="Ctrl+P",
            palette=False,
        ),
        act("copy", "Y", "copy", "copy the chosen line, or the message, to the clipboard", "copy"),
        act("theme", "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", "theme"),
        act("close", "X", "close", "the excursion is over; asked twice", "close_excursion", can=under_way),
        act(
            "quit", "q ctrl+q ctrl+c", "quit", "leave the desk; asked twice; the journal goes on", "leave", 99
        ),
    ),
)
"""Every command, in the order of the help page."""

BY_ID = {command.id: command for command in COMMANDS}


def footer(commands: Iterable[Command], progress: Progress | None) -> list[tuple[str, str]]:
    """Return (key, words) for the footer, in its order, of what can be done now."""
    placed = [
        c for c in commands if c.foot and (progress is None or (c.can(progress) and c.wanted(progress)))
    ]
    members = min(9, len(progress.plan.crew)) if progress else 1
    pairs = []
    for command in sorted(placed, key=lambda c: c.foot):
        shown = f"1..{members}" if command.id == "tick-1" and members > 1 else command.shown
        pairs.append((shown, command.words))
    return pairs
