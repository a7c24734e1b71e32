"""The one command table: keys, footer, help page, palette and manual come from it.

What a command is: its keys, its words, its action, and when it can be done.

The command table of the lead's view. Nothing in it writes: the view has no way to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from tracker.journal.progress import Progress

Can = Callable[[Progress], bool]


def always(progress: Progress) -> bool:
    """Return True."""
    return True


def before_zero(progress: Progress) -> bool:
    """Return whether the clock has not been started."""
    return progress.zero is None


def under_way(progress: Progress) -> bool:
    """Return whether the clock runs."""
    return progress.zero is not None and progress.closed is None


def still_open(progress: Progress) -> bool:
    """Return whether the excursion is not over."""
    return progress.closed is None


def somebody_held(progress: Progress) -> bool:
    """Return whether somebody is held."""
    return bool(progress.holds)


def go_wanted(progress: Progress) -> bool:
    """Return whether somebody stands at a hold point without its go."""
    return any(step and not progress.steps[step].gone for step in progress.current.values())


def beyond_digits(progress: Progress) -> bool:
    """Return whether the crew has more members than there are digits."""
    return len(progress.plan.crew) > 9


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
    can: Can = always
    """When it can be done."""
    palette: bool = True
    wanted: Can = always
    """When it has its place in the footer."""


def group(name: str, *commands: Command) -> tuple[Command, ...]:
    """Return commands as members of a group."""
    return tuple(replace(command, group=name) for command in commands)


def act(
    id: str,
    keys: str,
    words: str,
    help: str,
    action: str,
    foot: int = 0,
    *,
    can: Can = always,
    shown: str = "",
    palette: bool = True,
    wanted: Can = always,
) -> Command:
    """Return a command of some keys, separated by blanks."""
    every = tuple(keys.split())
    return Command(id, every, shown or every[0], words, help, "", action, foot, can, palette, wanted)


def typed(
    id: str, key: str, words: str, help: str, start: str, foot: int = 0, *, can: Can = still_open
) -> Command:
    """Return a command that opens the entry line with the beginning of an event."""
    return act(id, key, words, help, f"fill({start!r})", foot, can=can)


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
