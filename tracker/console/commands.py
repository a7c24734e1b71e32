"""The one command table: keys, footer, help page, palette and manual come from it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from tracker.journal.progress import Progress

Can = Callable[[Progress], bool]


def _always(progress: Progress) -> bool:
    return True


def _before_zero(progress: Progress) -> bool:
    return progress.zero is None


def _under_way(progress: Progress) -> bool:
    return progress.zero is not None and progress.closed is None


def _open(progress: Progress) -> bool:
    return progress.closed is None


def _held(progress: Progress) -> bool:
    return bool(progress.holds)


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that a person can do at the desk."""

    id: str
    keys: tuple[str, ...]
    """As the screen library names them; the first is the one that is shown."""
    shown: str
    """The key as a person reads it."""
    words: str
    """A word or two, for the footer."""
    help: str
    """A sentence, for the help page and the palette."""
    group: str
    action: str
    """Name of the desk's action, with its arguments."""
    foot: int = 0
    """Place in the footer, the smallest first; 0: not there."""
    can: Can = _always
    """When it can be done."""
    palette: bool = True


def _group(name: str, *commands: Command) -> tuple[Command, ...]:
    """Return commands as members of a group."""
    return tuple(replace(command, group=name) for command in commands)


def _key(
    id: str,
    keys: str,
    words: str,
    help: str,
    action: str,
    foot: int = 0,
    *,
    can: Can = _always,
    shown: str = "",
    palette: bool = True,
) -> Command:
    """Return a command of some keys, separated by blanks."""
    every = tuple(keys.split())
    return Command(id, every, shown or every[0], words, help, "", action, foot, can, palette)


def _typed(id: str, key: str, words: str, help: str, start: str, *, can: Can = _open) -> Command:
    """Return a command that opens the entry line with the beginning of an event."""
    return _key(id, key, words, help, f"fill({start!r})", can=can)


def _tick(digit: int) -> Command:
    help = f"tick the current step of crew member {digit}"
    foot, palette = (2 if digit == 1 else 0), digit <= 3
    return _key(
        f"tick-{digit}", str(digit), "tick", help, f"digit({digit})", foot, can=_under_way, palette=palette
    )


COMMANDS: tuple[Command, ...] = (
    *_group(
        "Ticking",
        _key("zero", "z", "start", "start the clock: PET 0 is now", "zero", 1, can=_before_zero),
        *(_tick(digit) for digit in range(1, 10)),
        _key(
            "late",
            "minus",
            "late",
            "late tick: - then minutes, then the crew digit",
            "prefix('late')",
            3,
            can=_under_way,
            shown="-",
        ),
        _key(
            "count",
            "plus",
            "count",
            "one more item of a counted step: + then the crew digit",
            "prefix('count')",
            9,
            can=_under_way,
            shown="+",
        ),
        _key(
            "skip",
            "s",
            "skip",
            "skip a current step: s then the crew digit",
            "prefix('skip')",
            can=_under_way,
        ),
        _key("undo", "u", "undo", "take back this seat's latest event; again: the one before", "undo", 4),
        _key("redo", "U", "redo", "bring back what was taken back", "redo"),
    ),
    *_group(
        "Entry",
        _key("entry", "e enter", "entry", "the entry line: anything that `tracker record` takes", "entry", 5),
        _key("find", "slash", "find", "find a step by its words or its id", "find", 6, shown="/"),
        _typed("note", "n", "note", "write a note", "note "),
    ),
    *_group(
        "Crew",
        _key(
            "hold", "h", "hold", "hold everyone from now on; the reason is typed", "hold", 8, can=_under_way
        ),
        _key("resume", "r", "resume", "end every hold", "resume", 8, can=_held),
        _key("go", "g", "go", "give the go for the hold point that is next", "go", can=_open),
        _typed(
            "silent",
            "y",
            "silent",
            "voice lost with a crew member; `heard` when it is back",
            "silent ",
            can=_under_way,
        ),
        _typed("entered", "i", "inside", "a crew member is inside", "enter ", can=_under_way),
    ),
    *_group(
        "Work",
        _typed("hand", "o", "hand over", "a step belongs to somebody else from now on", "hand "),
        _typed("drop", "d", "drop", "give a task up; the advice goes on record beside it", "drop "),
        _typed("keep", "k", "keep", "choose what becomes of an optional task: keep commits to it", "choose "),
        _typed("restore", "D", "restore", "take a dropped task back", "restore "),
        _typed("move", "m", "move", "a new place for a task", "move "),
        _typed("add", "A", "add", "unplanned work", "add "),
        _typed("retime", "t", "retime", "the crew says how long a step takes", "retime "),
        _typed("reading", "b", "reading", "a reading of a consumable, or a round of them", "reading "),
    ),
    *_group(
        "What if",
        _key("what-if", "f", "what if", "suppose events, beside what stands; better orders", "what_if"),
        _key(
            "record-supposed",
            "F",
            "record",
            "record what is supposed, or the chosen better order; one undo takes it back",
            "record_supposed",
            can=_open,
        ),
    ),
    *_group(
        "Alerts",
        _key("acknowledge", "a", "acknowledge", "acknowledge the first alert", "acknowledge"),
        _key(
            "recall", "c", "recall", "call everyone home; asked twice", "recall('home')", 10, can=_under_way
        ),
        _key(
            "recall-at-once",
            "C",
            "at once",
            "call everyone home at once, leaving things open; asked twice",
            "recall('at once')",
            can=_under_way,
        ),
    ),
    *_group(
        "Views",
        _key("view", "v", "view", "the next view in the middle of the screen", "next_view", 7),
        _key("steps", "l", "steps", "the list of steps", "view('steps')"),
        _key("runway", "w", "runway", "the runway: what is left towards the limit", "view('runway')"),
        _key("optional", "p", "optional", "the optional tasks, turn-back and open items", "view('optional')"),
        _key(
            "consumables",
            "x",
            "consumables",
            "what runs down, and how old the readings are",
            "view('consumables')",
        ),
        _key("home", "H", "way home", "the way home, the earliest limit in large figures", "view('home')"),
        _key("events", "j", "events", "the journal's events, to correct or take back", "view('events')"),
        _key("lead", "L", "lead's view", "the lead's view of this journal; nothing is ticked there", "lead"),
        _key("brief", "B", "brief", "the handover brief for the next operator", "view('brief')"),
        _key("up", "up", "up", "move up in the list", "move(-1)", palette=False),
        _key("down", "down", "down", "move down in the list", "move(1)", palette=False),
        _key("page-up", "pageup", "page up", "move a page up", "move(-10)", shown="PgUp", palette=False),
        _key(
            "page-down", "pagedown", "page down", "move a page down", "move(10)", shown="PgDn", palette=False
        ),
        _key(
            "back",
            "escape",
            "back",
            "leave a view, a choice, or a late tick that was begun",
            "back",
            shown="Esc",
            palette=False,
        ),
        _key(
            "take-back",
            "backspace",
            "take back",
            "take back the chosen event of the list",
            "take_back",
            shown="Backspace",
            palette=False,
        ),
    ),
    *_group(
        "Desk",
        _key("help", "question_mark f1", "help", "this page", "view('help')", 11, shown="?"),
        _key(
            "palette",
            "ctrl+p",
            "palette",
            "find a command by its words",
            "palette",
            shown="Ctrl+P",
            palette=False,
        ),
        _key("copy", "Y", "copy", "copy the chosen line, or the message, to the clipboard", "copy"),
        _key("theme", "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", "theme"),
        _key("close", "X", "close", "the excursion is over; asked twice", "close_excursion", can=_under_way),
        _key(
            "quit", "q ctrl+q ctrl+c", "quit", "leave the desk; asked twice; the journal goes on", "leave", 12
        ),
    ),
)
"""Every command, in the order of the help page."""

BY_ID = {command.id: command for command in COMMANDS}


def footer(commands: Iterable[Command], progress: Progress | None) -> list[tuple[str, str]]:
    """Return (key, words) for the footer, in its order, of what can be done now."""
    placed = [c for c in commands if c.foot and (progress is None or c.can(progress))]
    members = len(progress.plan.crew) if progress else 1
    pairs = []
    for command in sorted(placed, key=lambda c: c.foot):
        shown = f"1..{members}" if command.id == "tick-1" and members > 1 else command.shown
        pairs.append((shown, command.words))
    return pairs
