"""The one command table: keys, footer, help page, palette and manual come from it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

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


def _typed(
    id: str, key: str, words: str, help: str, group: str, start: str, *, shown: str = "", can: Can = _open
) -> Command:
    """Return a command that opens the entry line with the beginning of an event."""
    return Command(id, (key,), shown or key, words, help, group, f"fill({start!r})", can=can)


_TICKS = tuple(
    Command(
        f"tick-{n}", (str(n),), str(n), "tick", f"tick the current step of crew member {n}", "Ticking",
        f"digit({n})", foot=2 if n == 1 else 0, can=_under_way if n == 1 else _under_way, palette=n <= 3,
    )
    for n in range(1, 10)
)  # fmt: skip

COMMANDS: tuple[Command, ...] = (
    Command("zero", ("z",), "z", "start", "start the clock: PET 0 is now", "Ticking", "zero", 1, _before_zero),
    *_TICKS,
    Command("late", ("minus",), "-", "late", "late tick: - then minutes, then the crew digit", "Ticking",
            "prefix('late')", 3, _under_way),
    Command("count", ("plus",), "+", "count", "one more item of a counted step: + then the crew digit", "Ticking",
            "prefix('count')", 9, _under_way),
    Command("skip", ("s",), "s", "skip", "skip a current step: s then the crew digit", "Ticking",
            "prefix('skip')", can=_under_way),
    Command("undo", ("u",), "u", "undo", "take back this seat's latest event; again: the one before", "Ticking", "undo", 4),
    Command("redo", ("U",), "U", "redo", "bring back what was taken back", "Ticking", "redo"),
    Command("entry", ("e", "enter"), "e", "entry", "open the entry line: anything that `tracker record` takes",
            "Entry", "entry", 5),
    Command("find", ("slash",), "/", "find", "find a step by its words or its id", "Entry", "find", 6),
    _typed("note", "n", "note", "write a note", "Entry", "note "),
    Command("hold", ("h",), "h", "hold", "hold everyone from now on; the reason is typed", "Crew", "hold", 8, _under_way),
    Command("resume", ("r",), "r", "resume", "end every hold", "Crew", "resume", 8, _held),
    Command("go", ("g",), "g", "go", "give the go for the hold point that is next", "Crew", "go", can=_open),
    _typed("silent", "y", "silent", "voice lost with a crew member; `heard` when it is back", "Crew", "silent ", can=_under_way),
    _typed("entered", "i", "inside", "a crew member is inside", "Crew", "enter ", can=_under_way),
    _typed("hand", "o", "hand over", "a step belongs to somebody else from now on", "Work", "hand "),
    _typed("drop", "d", "drop", "give a task up; the advice of the moment goes on record beside it", "Work", "drop "),
    _typed("keep", "k", "keep", "commit to an optional task: from now on it counts as must", "Work", "choose "),
    _typed("restore", "D", "restore", "take a dropped task back", "Work", "restore "),
    _typed("move", "m", "move", "a new place for a task", "Work", "move "),
    _typed("add", "A", "add", "unplanned work", "Work", "add "),
    _typed("retime", "t", "retime", "the crew says how long a step takes", "Work", "retime "),
    _typed("reading", "b", "reading", "a reading of a consumable", "Work", "reading "),
    Command("acknowledge", ("a",), "a", "acknowledge", "acknowledge the first alert", "Alerts", "acknowledge"),
    Command("recall", ("c",), "c", "recall", "call everyone home; asked twice", "Alerts", "recall('home')", 10, _under_way),
    Command("recall-at-once", ("C",), "C", "at once", "call everyone home at once, leaving things open; asked twice",
            "Alerts", "recall('at once')", can=_under_way),
    Command("view", ("v",), "v", "view", "the next view in the middle of the screen", "Views", "next_view", 7),
    Command("steps", ("l",), "l", "steps", "the list of steps", "Views", "view('steps')"),
    Command("runway", ("w",), "w", "runway", "the runway: what is left towards the limit", "Views", "view('runway')"),
    Command("optional", ("p",), "p", "optional", "the optional tasks, turn-back and open items", "Views", "view('optional')"),
    Command("consumables", ("x",), "x", "consumables", "what runs down, and how old the readings are", "Views", "view('consumables')"),
    Command("home", ("H",), "H", "way home", "the way home, with the earliest limit in large figures", "Views", "view('home')"),
    Command("events", ("j",), "j", "events", "the journal's events, to correct or take back", "Views", "view('events')"),
    Command("brief", ("B",), "B", "brief", "the handover brief for the next operator", "Views", "view('brief')"),
    Command("up", ("up",), "up", "up", "move up in the list", "Views", "move(-1)", palette=False),
    Command("down", ("down",), "down", "down", "move down in the list", "Views", "move(1)", palette=False),
    Command("page-up", ("pageup",), "PgUp", "page up", "move a page up", "Views", "move(-10)", palette=False),
    Command("page-down", ("pagedown",), "PgDn", "page down", "move a page down", "Views", "move(10)", palette=False),
    Command("back", ("escape",), "Esc", "back", "leave a view, a choice or a late tick that was begun", "Views", "back", palette=False),
    Command("take-back", ("backspace",), "Backspace", "take back", "take back the chosen event of the list", "Views",
            "take_back", palette=False),
    Command("help", ("question_mark", "f1"), "?", "help", "this page", "Desk", "view('help')", 11),
    Command("palette", ("ctrl+p",), "Ctrl+P", "palette", "find a command by its words", "Desk", "palette", palette=False),
    Command("theme", ("T",), "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", "Desk", "theme"),
    Command("close", ("X",), "X", "close", "the excursion is over; asked twice", "Desk", "close_excursion", can=_under_way),
    Command("quit", ("q", "ctrl+q", "ctrl+c"), "q", "quit", "leave the desk; asked twice; the journal goes on", "Desk", "leave", 12),
)  # fmt: skip
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
