"""The one command table of both screens: keys, footer, help page, palette and settings come from it.

A new command is one row here, and the function that does it; a row is a line, however long. The screens look a
command up by its id, and none of them knows a key. An id is one screen's own, and that of its settings.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from tracker.console.settings import shown
from tracker.journal.progress import Progress
from tracker.journal.whereabouts import all_entered

Where = Literal["desk", "lead", "both"]
Can = Callable[[Progress], bool]
Do = Callable[[Any], object]
"""What does it, given the screen: `Any`, since the screens stand on this table and it knows neither."""
Pair = tuple[str, str]
"""A key and its words, in the footer."""


# When something can be done


def always(progress: Progress) -> bool:
    """Return True."""
    return True


def before_zero(progress: Progress) -> bool:
    """Return whether the clock has not been started."""
    return progress.zero is None


def started(progress: Progress) -> bool:
    """Return whether the clock has been started."""
    return progress.zero is not None


def under_way(progress: Progress) -> bool:
    """Return whether the clock runs."""
    return progress.zero is not None and progress.closed is None


def still_open(progress: Progress) -> bool:
    """Return whether the excursion is not over."""
    return progress.closed is None


def somebody_held(progress: Progress) -> bool:
    """Return whether somebody is held."""
    return bool(progress.holds)


def something_open(progress: Progress) -> bool:
    """Return whether something that was raised is not settled."""
    return any(one.settled is None for one in progress.raised)


def go_wanted(progress: Progress) -> bool:
    """Return whether somebody stands at a hold point without its go."""
    return any(step and not progress.steps[step].gone for step in progress.current.values())


def why_not(command: Command, progress: Progress | None, zero: str) -> str:
    """Return why a command cannot be done now; nothing where it can, or where it says so itself."""
    if progress is None or command.can(progress) or progress.closed is not None or command.ticks:
        return ""
    reasons: dict[Can, str] = {somebody_held: "nobody is held", something_open: "nothing is open"}
    if progress.zero is None:
        reasons[under_way] = f"not before the clock runs; {zero} starts it"
    return f"{command.shown} {command.words}: {why}" if (why := reasons.get(command.can)) else ""


def beyond_digits(progress: Progress) -> bool:
    """Return whether the crew has more members than there are digits."""
    return len(progress.plan.crew) > 9


# What a command is


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that a person can do at a screen."""

    id: str
    keys: tuple[str, ...]
    """As the screen library names them; the first is the one that is shown."""
    words: str
    """A word or two, for the footer."""
    help: str
    """A sentence, for the help page and the palette."""
    do: Do
    foot: int = 0
    """Place in the footer, the smallest first; 0: not there."""
    can: Can = always
    """When it can be done; what it says besides is its own."""
    wanted: Can = always
    """When it has its place in the footer."""
    state: str = ""
    """The state of the screen in which it has that place; `not STATE`: in which it has none."""
    shown: str = ""
    """The key as a person reads it."""
    types: str = ""
    """The word of a deed with which it opens the entry line."""
    asks: str = ""
    """What that line asks while nothing stands behind the word: `{crew}` and the like are filled in."""
    palette: bool = True
    where: Where | None = None
    group: str = ""
    lead_group: str = ""
    """The group of a row for both screens on the lead's help page."""

    def fits(self, states: Collection[str]) -> bool:
        """Whether it has its place in the footer in these states of the screen."""
        return (
            self.state.removeprefix("not ") not in states
            if self.state.startswith("not ")
            else (not self.state or self.state in states)
        )

    @property
    def ticks(self) -> bool:
        """Whether its key is a digit, which stands for a crew member."""
        return self.keys[0].isdigit()


def _(
    id: str, keys: str, words: str, help: str, do: Do, foot: int = 0, *, key: str = "", **more: Any
) -> Command:
    """Return a row: keys are separated by blanks, `key` is how the first is shown where its name is not."""
    every = tuple(keys.split())
    return Command(id, every, words, help, do, foot, shown=key or shown(every[0]), **more)


def _group(
    where: Where, name: str, *commands: Command, can: Can = always, lead: str = ""
) -> tuple[Command, ...]:
    """Return commands as members of a group of a screen, which can all be done at some time.

    `lead`: the group's name on the lead's view, where rows of it are for both.
    """
    return tuple(
        replace(c, where=c.where or where, group=name, lead_group=lead, can=can if c.can is always else c.can)
        for c in commands
    )


def _next_theme(screen: Any) -> None:
    """Go to the next theme; the terminal's file is not loaded before a screen is."""
    from tracker.console.terminal import next_theme

    next_theme(screen)


def _tick(digit: int) -> Command:
    """Return the row of a digit; few of them are enough for the palette, and one stands for all in the footer."""
    help, foot = f"tick the current step of crew member {digit}", 2 if digit == 1 else 0
    do: Do = lambda d: d.actions.digits.digit(digit)  # noqa: E731
    return _(f"tick-{digit}", str(digit), "tick", help, do, foot, can=under_way, palette=digit <= 3)


def _typed(id: str, keys: str, words: str, help: str, types: str, asks: str = "", **more: Any) -> Command:
    """Return the row of a deed whose key opens the entry line with its word, which then asks for the rest."""
    do: Do = lambda d: d.entry.open(d.what_if.line, f"{types} ")  # noqa: E731
    return _(id, keys, words, help, do, types=types, asks=asks, **more)


# fmt: off
TABLE: tuple[Command, ...] = (
    *_group(
        "desk", "Ticking",
        _("zero", "z", "start", "start the clock: PET 0 is now", lambda d: d.actions.zero(), 1, can=before_zero),
        *(_tick(digit) for digit in range(1, 10)),
        _("late", "minus", "late", "late tick: the crew digit, then how many minutes ago; each further - is ten minutes more", lambda d: d.actions.digits.late(), 3, can=under_way),
        _("count", "plus", "count", "one more item of a counted step: + then the crew digit", lambda d: d.actions.digits.begin("count"), 15, can=under_way),
        _("skip", "s", "skip", "skip a current step: s then the crew digit", lambda d: d.actions.digits.begin("skip"), can=under_way),
        _("crew", "tab", "crew", "choose a crew member's line, one after the other: what it says, in full", lambda d: d.choose_crew(), 3, palette=False, wanted=beyond_digits),
        _("tick-chosen", "space", "tick", "tick for the chosen crew member: the way beyond the ninth, who has no digit; also after - + s", lambda d: d.actions.digits.tick_chosen(), 3, can=under_way, palette=False, wanted=beyond_digits),
        _("undo", "u", "undo", "take back this seat's latest entry, all of it; again: the one before", lambda d: d.actions.undo(), 5),
        _("redo", "U", "redo", "put on record again what was taken back", lambda d: d.actions.redo()),
    ),
    *_group(
        "desk", "Entry",
        _("entry", "e enter", "entry", "the entry line: anything that `tracker record` takes", lambda d: d.round_line.just_ended() or d.type_about_chosen(), 6),
        _("find", "slash", "find", "find a step by its words or its id; on this page, a row of it", lambda d: d.entry.open("find-help" if d.view_name == "help" else "find"), 16),
        _typed("note", "n", "note", "write a note", "note", "what is to be noted?", foot=10, can=still_open, state="home"),
        _typed("question", "Q", "question", "a question on record, to the lead or `NAME:` to another; answered, or decided", "question", "what is asked? of the lead, or of another: `question ground: ...`", foot=18, can=still_open),
        _typed("remind", "R", "remind", "a reminder: minutes from now or a PET, before it perhaps whose; then what", "remind", "of what, and when? `remind 15 look at the gloves`: in 15 min; `remind EV2 0:50 ...`", can=still_open),
        _typed("deviation", "V", "deviation", "what went wrong and is not mended", "deviation", "what went wrong and is not mended?", can=still_open),
        _typed("message", "M", "message", "a message; `NAME:` says to whom", "message", "what, and to whom? `message ground: ...`", can=still_open),
        _typed("taken", "O", "take over", "the desk was handed over: to whom; the brief says what came about since then", "taken by", "who takes the desk over?"),
        _typed("answer", "equals_sign", "answer", "answer a question, or settle what else is open: its number, unless it is the only one, then words", "answer", "which is answered? {raised}: `answer {one} yes`", can=something_open, key="="),
    ),
    *_group(
        "desk", "Crew",
        _("hold", "h", "hold", "hold those named, or everyone, from this instant on; then perhaps why", lambda d: d.actions.hold(), 7, can=under_way, state="not home"),
        _typed("resume", "r", "resume", "end holds: of those named, or every one", "resume", "whose hold ends? nobody named: every hold; held: {held}", foot=2, can=somebody_held),
        _("go", "g", "go", "give the go for the hold point that is next", lambda d: d.actions.go(), 3, can=still_open, wanted=go_wanted),
        _typed("silent", "y", "silent", "voice lost with a crew member; the same again: it is back", "voice", "whose voice is lost, or back? {crew}", can=under_way),
        _typed("entered", "i", "inside", "crew members are inside", "enter", "who is inside? {outside}: `enter 1 2`", foot=4, can=under_way, state="home"),
        _("round", "K", "round", "ask the round that is due: o is ok, n and why is not, a number is what was read", lambda d: d.round_line.begin(), can=under_way),
        _typed("place", "P", "where", "where somebody is, when no step says it: the site, then whom", "at", "where is whom? `at {site} 1`; sites: {sites}", can=still_open),
    ),
    *_group(
        "desk", "Work",
        _typed("hand", "o", "hand over", "a step belongs to somebody else from now on", "hand", "what, and to whom? `hand 1 2`: what EV1 is at to EV2; {crew}"),
        _typed("keep", "k", "keep", "keep an optional task: it is committed from now on", "keep", "keep which? {tasks}", foot=11, state="not home"),
        _typed("drop", "d", "drop", "give a task up; the advice goes on record beside it", "drop", "give which up? {tasks}", foot=12, state="not home"),
        _typed("put-off", "l", "later", "put an optional task off to the end", "later", "put which off to the end? {tasks}"),
        _typed("restore", "D", "restore", "restore a task that was given up", "restore", "restore which? given up: {gone}"),
        _typed("move", "m", "move", "a new place for a task", "move", "which, and before which? `move a b`, `move a last`; {tasks}"),
        _typed("add", "A", "add", "unplanned work", "add", "whom, how long, what? `add EV1 0:10 Inspect the hinge`"),
        _typed("retime", "t", "retime", "the crew says how long a step takes", "retime", "whose step, how many minutes more? `retime 1 15`, in all `retime 1 of 15`; {crew}"),
        _typed("reading", "b", "reading", "a reading of a consumable, or a round of them", "reading", "which, and how much? `reading {store} 0.52 0.49`: one for each outside, {outside}", foot=8),
        can=still_open,
    ),
    *_group(
        "desk", "What if",
        _("what-if", "f", "what if", "suppose events, beside what stands; better orders", lambda d: d.what_if.open(), 13, wanted=still_open),
        _("record-supposed", "F", "record", "record what is supposed, or the chosen better order; one undo takes it back", lambda d: d.what_if.record(), 2, can=still_open, state="what if"),
    ),
    *_group(
        "desk", "Alerts",
        _("acknowledge", "a", "seen", "mark the first alert as seen; one to act upon keeps its row", lambda d: d.actions.acknowledge()),
        _("alerts", "exclamation_mark", "alerts", "every alert in full, also those seen", lambda d: d.turn_to("alerts")),
        _("recall", "c", "recall", "call everyone home; asked twice, and n instead of the second time: at once, leaving things open", lambda d: d.actions.recall(), 6, can=under_way),
    ),
    *_group(
        "desk", "Views",
        _("view", "v", "view", "the next view in the middle of the screen", lambda d: d.next_view(), 9),
        _("steps", "S", "steps", "the list of steps", lambda d: d.turn_to("steps")),
        _("runway", "w", "runway", "the runway: the work that is left, counted back from each limit that is near", lambda d: d.turn_to("runway")),
        _("optional", "p", "optional", "the optional tasks, turn-back and open items", lambda d: d.turn_to("optional")),
        _("consumables", "x", "consumables", "what runs down, and how old the readings are", lambda d: d.turn_to("consumables")),
        _("home", "H", "way home", "the way home, what is to spare in large figures; after a recall Esc leads there", lambda d: d.turn_to("home")),
        _("bad-day", "E", "bad day", "the way home on a bad day from each site, worst first", lambda d: d.turn_to("bad-day")),
        _("events", "j", "events", "the journal's events, to correct or take back", lambda d: d.turn_to("events"), 19),
        _("said", "J", "said", "what was said: by the crew of a rehearsal, in notes, what was raised; Enter enters it as of then", lambda d: d.turn_to("said")),
        _("lead", "L", "lead's view", "the lead's view of this journal; nothing is ticked there", lambda d: d.open_lead(), 17),
        _("due", "N", "due", "what comes due, all of it by its instant, and the gaps of a link", lambda d: d.turn_to("due")),
        _("brief", "B", "brief", "the handover brief for the next operator", lambda d: d.turn_to("brief"), 20),
        _("up", "up", "up", "move up in the list", lambda d: d.move(-1), key="up", palette=False),
        _("down", "down", "down", "move down in the list", lambda d: d.move(1), key="down", palette=False),
        _("page-up", "pageup", "page up", "move a page up", lambda d: d.move(-10), palette=False),
        _("page-down", "pagedown", "page down", "move a page down", lambda d: d.move(10), palette=False),
        _("back", "escape", "back", "leave a view, a choice, or a late tick that was begun", lambda d: d.back(), palette=False),
        _("take-back", "backspace", "take back", "take back the chosen event of the list", lambda d: d.take_back(), palette=False),
    ),
    *_group(
        "lead", "Pages",
        _("page", "v tab", "next page", "the next page at this size", lambda v: v.next_page(1), 1),
        _("page-before", "shift+tab", "page before", "the page before", lambda v: v.next_page(-1)),
        _("decide", "p", "choices", "what each choice comes to, questions and answers, turning for home", lambda v: v.show_region("choices")),
        _("tasks", "S", "tasks", "every task with its chance, and the last word from each crew member", lambda v: v.show_region("tasks")),
        _("limits", "w", "limits", "every limit with its trend", lambda v: v.show_region("limits")),
        _("levels", "x", "consumables", "what runs down: levels, reserves, when each was read", lambda v: v.show_region("levels")),
    ),
    *_group(
        "lead", "In full",
        _("whole", "exclamation_mark", "in full", "alerts, figures and events in full, on one page to scroll through", lambda v: v.turn_to("whole"), 3),
    ),
    *_group(
        "lead", "Back and forth",
        _("earlier", "left", "minute back", "show a minute earlier", lambda v: v.by_minutes(-1), 4, key="left"),
        _("later", "right", "minute on", "show a minute later", lambda v: v.by_minutes(1), key="right"),
        _("event-before", "up", "event before", "show the event before", lambda v: v.by_events(-1), key="up"),
        _("event-after", "down", "event after", "show the event after", lambda v: v.by_events(1), key="down"),
        _("much-earlier", "pageup", "a quarter back", "a quarter hour earlier", lambda v: v.by_minutes(-15)),
        _("much-later", "pagedown", "a quarter on", "a quarter hour later", lambda v: v.by_minutes(15)),
        _("zero", "home", "PET 0", "show the beginning", lambda v: v.go_to(0.0)),
        _("present", "end", "present", "show the present again", lambda v: v.go_to(None), 5),
        can=started,
    ),
    *_group(
        "lead", "What if",
        _("what-if", "f", "what if", "suppose events, beside what stands", lambda v: v.entry.open("what-if"), 2),
        _("nothing-supposed", "W", "as it stands", "suppose nothing any more", lambda v: v.suppose_nothing()),
    ),
    *_group(
        "lead", "What moved it",
        _("mark", "full_stop", "mark", "what moved it from the shown instant on; again: in half an hour", lambda v: v.mark(), 6, can=started),
    ),
    *_group(
        "desk", "Desk",
        _("back", "escape L", "back", "leave a page, an earlier instant, the view over a desk", lambda v: v.back(), where="lead"),
        _("help", "question_mark f1", "help", "this page", lambda s: s.turn_to("help"), 98, where="both"),
        _("palette", "ctrl+p", "palette", "find a command by its words", lambda d: d.app.action_command_palette(), 21, palette=False),
        _("copy", "Y", "copy", "copy the chosen line, or the message, to the clipboard", lambda d: d.copy()),
        _("theme", "T", "theme", "dark, light, high contrast, safe for colour-blind eyes", _next_theme, where="both"),
        _("close", "X", "close", "the excursion is over; asked twice", lambda d: d.actions.close(), 2, can=under_way, wanted=all_entered),
        _("quit", "q ctrl+q ctrl+c", "quit", "leave the desk; asked twice; the journal goes on", lambda d: d.actions.leave(), 99),
        _("quit", "q ctrl+q ctrl+c", "quit", "leave the view; nothing of it is kept", lambda v: v.leave(), 99, where="lead"),
        lead="View",
    ),
)
# fmt: on
"""Every command, a row a line, in the order of the help pages."""


def commands_of(where: Where) -> tuple[Command, ...]:
    """Return the commands of one screen, in the order of its help page."""
    return tuple(
        replace(c, group=c.lead_group or c.group) if where == "lead" else c
        for c in TABLE
        if c.where in (where, "both")
    )


ASKS: Mapping[str, str] = {command.types: command.asks for command in TABLE if command.types}
"""What the entry line asks by the word of a deed, while nothing stands behind it."""

BY_ID: Mapping[Where, Mapping[str, Command]] = {
    "desk": {command.id: command for command in commands_of("desk")},
    "lead": {command.id: command for command in commands_of("lead")},
}


# A person's own keys


def with_keys(commands: Iterable[Command], keys: Mapping[str, Sequence[str]]) -> tuple[Command, ...]:
    """Return commands with a person's keys; a command without any keeps its own."""
    return tuple(
        replace(c, keys=tuple(keys[c.id]), shown=shown(keys[c.id][0])) if keys.get(c.id) else c
        for c in commands
    )


def binding_id(where: Where, id: str, place: int) -> str:
    """Return the id of a command's binding for its first key (0) or a further one.

    Those of the lead's view have names of their own, since it may lie over a desk.
    """
    return f"{'lead-' if where == 'lead' else ''}{id}{f'.{place}' if place else ''}"


def keymap_of(where: Where, keys: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Return a person's keys by the ids of bindings; every binding of a command gets all of them."""
    return {
        binding_id(where, command.id, place): ",".join(keys[command.id])
        for command in commands_of(where)
        if keys.get(command.id)
        for place in range(len(command.keys))
    }


# Footer and help page


def footer(
    commands: Iterable[Command], progress: Progress | None, states: Collection[str] = ()
) -> list[Pair]:
    """Return keys and words for the footer, in its order, of what can be done now; `states` of the screen."""
    table = {c.id: c for c in commands}
    placed = [
        c
        for c in table.values()
        if c.foot and c.fits(states) and (progress is None or (c.can(progress) and c.wanted(progress)))
    ]
    return [_footed(c, table, progress) for c in sorted(placed, key=lambda c: c.foot)]


def _footed(command: Command, table: Mapping[str, Command], progress: Progress | None) -> Pair:
    """Return a command's key and words; digits, and the keys back and forth, are told together."""
    members = min(9, len(progress.plan.crew)) if progress else 1
    if command.ticks and members > 1:
        return (f"1..{members}", command.words)
    if command.id == "earlier":
        keys = [command.shown, table["later"].shown]
        return ("arrows" if keys == ["left", "right"] else " ".join(keys), "back")
    return (command.shown, command.words)


def clicked(table: Mapping[str, Command], key: str | None) -> Command | None:
    """Return the command whose key in the footer was clicked; digits told together choose among the crew."""
    if key is not None and ".." in key:
        return table["crew"]
    return next((command for command in table.values() if command.shown == key), None)


def help_rows(commands: Iterable[Command]) -> list[tuple[str, str, str]]:
    """Return group, key and sentence of every command for the help page; digits are told once."""
    every = list(commands)
    digits = [c for c in every if c.ticks]
    first = [(c.group, "1 ... 9", "tick the current step of that crew member") for c in digits[:1]]
    return first + [(c.group, c.shown, c.help) for c in every if not c.ticks]


TYPING: tuple[tuple[str, str, str], ...] = tuple(
    ("What is typed", sign, words)
    for sign, words in (
        ("1  EV1  *", "a crew member by digit or name, everybody outside; for a step: what they are at"),
        ("a  lamp", "an optional task by its letter in the list, any task by its id or words"),
        (
            "15",
            "minutes, behind whom or what it is about: t 1 15 from now on, t 1 of 15 in all; 03: no digit of the crew",
        ),
        ("-3  2:14", "three minutes ago, a PET; last of a text it is its time, in quotes it is text"),
        ("t 1 15", "a key and a blank stand for its word, here retime"),
        ("by lead", "who decided or said it"),
    )
)
"""Short forms of what is typed, for the desk's help page."""

NOTHING_WRITTEN = (
    "Reading only",
    "1 ... 9",
    "nothing here, nor does any key write; at the desk a digit ticks",
)
"""A row of the lead's help page."""

READING_IT: tuple[tuple[str, str, str], ...] = tuple(
    ("What the figures mean", sign, words)
    for sign, words in (
        (
            "INSIDE",
            "when the last of those outside is inside, in the middle of the courses played; what it counts stands beside it",
        ),
        (
            "likeliest",
            "the limit that is broken in most of the courses played, where another one comes first",
        ),
        (
            "8 in 10",
            "of ten ways in which it may go on from here eight end between these instants, one before, one after",
        ),
        ("9 in 10", "what nine courses of ten have to spare, or more"),
        ("chance", "of a limit: that it is kept; of a task: that it is done before they must turn for home"),
        (
            "to spare",
            "the instant of the limit named, the one that comes first, less INSIDE of whom it binds; SHORT where it lies before",
        ),
        ("start by", "the last instant at which an optional task can begin and all that is needed be kept"),
        ("turn home by", "the last instant at which closeout can begin and all that is needed be kept"),
        ("trend", "how what is to spare changed in half an hour; less than 5 min is steady"),
        (
            "shift",
            "by how many minutes INSIDE is later with it than as advised, all else the same; two together may differ",
        ),
        (
            "value",
            "on the lead's view: what the plan says optional tasks are worth, added up over those done",
        ),
        (
            "not counted",
            "work that the advice leaves out, for want of time: INSIDE is without it; you decide",
        ),
        (
            "runway",
            "the work that is left, counted back from each limit that is near: what stays free is to spare",
        ),
        ("musts alone", "INSIDE with must work, closing what is open and closeout alone"),
        ("committed", "an optional task that a person chose to keep"),
        ("38 %<", "a chance below the one that is needed"),
        ("~", "cut, or more than has room; the page of everything has it in full"),
    )
)
"""Figures and signs of both screens, for their help pages."""
