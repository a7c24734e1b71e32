"""Every event that can be typed: its words, what they take, and what they mean.

The one table from which the entry line, `tracker record`, help and completion come.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Type = Literal[
    "step", "task", "crew", "crews", "count", "number", "level", "span", "pet", "instant", "text", "choice",
    "window", "consumable", "limit", "event", "object", "flag", "name",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Argument:
    """One key of an event, and how it is typed."""

    key: str
    type: Type
    required: bool = True
    marker: str | None = None
    """A word that stands before the value, as in `hold EV1 until 2:30`."""
    choices: tuple[str, ...] = ()
    keyed: bool = False
    """Only as KEY=VALUE, never by its place."""


@dataclass(frozen=True, slots=True)
class Word:
    """One kind of event and the words for it."""

    kind: str
    words: tuple[str, ...]
    """Plain words; the kind itself is always understood too."""
    arguments: tuple[Argument, ...]
    meaning: str
    example: str

    def argument(self, key: str) -> Argument | None:
        """Return the argument with this key."""
        return next((one for one in self.arguments if one.key == key), None)


_TEXT = Argument("text", "text", required=False)
_KEYED_TEXT = Argument("text", "text", required=False, keyed=True)
_STEP = Argument("step", "step")
_TASK = Argument("task", "task")
_CREW = Argument("crew", "crew")
_SOME = Argument("crew", "crews")
_CREWS = Argument("crew", "crews", required=False)
_PLACE = (
    Argument("before", "task", required=False, marker="before"),
    Argument("last", "flag", required=False),
)
_CONSUMABLE = (Argument("consumable", "consumable"), Argument("value", "level"))

WORDS = (
    Word(
        "zero",
        ("start",),
        (Argument("utc", "instant", required=False), _KEYED_TEXT),
        "starts the clock",
        "zero 14:00Z",
    ),
    Word("began", ("begin",), (_STEP, _TEXT), "work on a step started or goes on", "begin mate"),
    Word(
        "counted",
        ("count",),
        (_STEP, Argument("count", "count"), _TEXT),
        "so many items of a step are done",
        "1 3 of 4",
    ),
    Word(
        "done",
        ("tick",),
        (_STEP, Argument("count", "count", required=False, keyed=True), _TEXT),
        "ticks a step off",
        "1 -3",
    ),
    Word("skipped", ("skip",), (_STEP, _TEXT), "a step will not be done", "skip wipe no cloth left"),
    Word("dropped", ("drop",), (_TASK, _TEXT), "gives a task up", "drop latch"),
    Word("restored", ("restore",), (_TASK, _TEXT), "takes a task back", "restore latch"),
    Word(
        "held",
        ("hold",),
        (_CREWS, Argument("until", "pet", required=False, marker="until"), _TEXT),
        "a hold starts, for one or for all",
        "hold EV1 until 2:30 glove check",
    ),
    Word("resumed", ("resume",), (_CREWS, _KEYED_TEXT), "a hold ends", "resume EV1"),
    Word("went", ("go",), (_STEP, _TEXT), "gives the go for a hold point", "go power-on"),
    Word(
        "handed",
        ("hand",),
        (_STEP, Argument("crew", "crews", marker="to"), _TEXT),
        "gives a step to others",
        "hand mate to EV2",
    ),
    Word("moved", ("move",), (_TASK, *_PLACE, _TEXT), "a new place for a task", "move trays before mast"),
    Word(
        "added",
        ("add",),
        (Argument("task", "object"), *_PLACE, _TEXT),
        "adds work: who, how long, what",
        "add EV1 0:10 Inspect the hinge",
    ),
    Word(
        "retimed",
        ("retime",),
        (_STEP, Argument("time", "span"), Argument("left", "flag", required=False), _TEXT),
        "the crew says how long a step takes",
        "retime mate 0:20 left",
    ),
    Word(
        "limited",
        ("limit",),
        (Argument("limit", "limit"), Argument("value", "level"), _TEXT),
        "changes a limit or a reserve",
        "limit elapsed 6:45",
    ),
    Word(
        "reading",
        ("read",),
        (_CREW, *_CONSUMABLE, _TEXT),
        "readings of a consumable, in the order of the crew",
        "reading oxygen 0.52 0.49",
    ),
    Word(
        "replaced",
        ("replace",),
        (_CREW, *_CONSUMABLE, _TEXT),
        "a bottle or battery changed",
        "replace EV1 oxygen 0.75",
    ),
    Word(
        "seen",
        ("see",),
        (Argument("window", "window"), _TEXT),
        "a window opened at this instant",
        "seen daylight -1",
    ),
    Word("entered", ("enter", "in"), (_CREW, _TEXT), "a crew member is inside", "enter EV1"),
    Word(
        "called",
        ("call", "recall"),
        (Argument("call", "choice", choices=("home", "at once")), _CREWS, _TEXT),
        "calls the crew home",
        "call home",
    ),
    Word("silent", (), (_SOME, _TEXT), "voice lost", "silent EV2"),
    Word("heard", ("hear",), (_SOME, _TEXT), "voice back", "heard EV2"),
    Word("noted", ("note",), (Argument("text", "text"),), "a note", "note glare on the left visor"),
    Word(
        "chose",
        ("choose",),
        (
            _TASK,
            Argument("choice", "choice", choices=("keep", "drop", "open")),
            Argument("advice", "name", required=False, keyed=True),
            Argument("figures", "object", required=False, keyed=True),
            _TEXT,
        ),
        "what was decided about an optional task",
        "choose latch keep",
    ),
    Word(
        "acknowledged",
        ("acknowledge", "ack"),
        (Argument("alert", "name"), _TEXT),
        "an alert was seen",
        "ack last-call:latch:5",
    ),
    Word("withdrawn", ("withdraw", "undo"), (Argument("event", "event"), _KEYED_TEXT), "undo", "undo"),
    Word(
        "amended",
        ("amend",),
        (
            Argument("event", "event"),
            Argument("utc", "instant", required=False, keyed=True),
            _KEYED_TEXT,
        ),
        "corrects when an event happened",
        "amend 41 2:13",
    ),
    Word("closed", ("close",), (_TEXT,), "the excursion is over", "close"),
)  # fmt: skip

BY_WORD = {word: entry for entry in WORDS for word in (entry.kind, *entry.words)}
"""Each word that begins an entry."""

BY_KIND = {entry.kind: entry for entry in WORDS}
