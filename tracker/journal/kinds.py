"""The one table of event kinds: whatever depends on the kind of an event is a column here.

Everything that treats kinds differently reads its column: the border which keys a kind takes, the fold
what it changes and when it may happen, the entry line how it is typed, the screens what it is called,
attribution the cause that it counts as, the debrief where it is listed. The table itself imports nothing: the
body's model and the effect are named, and looked up once by whoever uses them (`events.MODELS`,
`fold.EFFECTS`), so that a screen may word events before anything heavy is loaded.

A new kind is its body in `events`, its effect in one file of `folding`, and its row here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Type = Literal[
    "step", "task", "crew", "crews", "count", "number", "level", "span", "pet", "instant", "text", "choice",
    "each", "window", "consumable", "limit", "event", "object", "flag", "name", "subject", "site",
    "round", "hardware", "answers",
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


PACE = "pace"
"""The cause of what is said of a step's progress: the pace of its kind of work."""
HOLDS = "holds"
GO = "waiting for a go"
WINDOWS = "waiting for a window"
KEPT = "optional work kept or left"
MOVE_NO_WORK = ("readings", "limits")
"""Causes that may turn what is thought of limits and advised, though they move no work."""
TURNING = (*MOVE_NO_WORK, KEPT)
"""Causes that turn what was advised at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EventKind:
    """One kind of event."""

    name: str
    """As it stands in files; contract."""
    body: str
    """Its model in `events`."""
    effect: str | None
    """Its effect on the state, as FILE.FUNCTION of `folding`; None where it changes which events count."""

    before_zero: bool = False
    """Whether it may happen before the clock starts, and counts as PET 0 then."""
    after_closed: bool = False
    """Whether it may still be recorded, for any time, once the excursion is closed."""
    about_events: bool = False
    """Whether it is about another event and has no place in time of its own."""
    timed: bool = True
    """Whether the present is its time where nobody says one."""
    begins: bool = True
    """Whether work that waited can begin with it."""
    heard: bool = True
    """Whether naming a step means that there was word from its crew."""

    words: tuple[str, ...] = ()
    """Plain words that are typed for it; its name is always understood too."""
    means: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Further words that are typed for it, and the key and value that each of them says by itself."""
    arguments: tuple[Argument, ...]
    """Its own keys, in the order in which they are typed."""
    meaning: str
    example: str

    verb: str
    """How it is told: the words before those for what it is about."""
    tick: bool = False
    """Whether it says how far the work has come, so that its age is the age of what is known."""
    handover: bool = False
    """Whether its text is told to whoever takes over."""
    settles: str | None = None
    """The key of its body that says what it is about, where it also answers the questions about that."""

    cause: str | None = None
    """What it counts as where the ingress moved; None where it moves nothing."""
    ends_stretch: bool = False
    """Whether the time before it belongs to that cause as well."""
    news: bool = True
    """Whether the advice is asked anew after it."""
    listed: Literal["change", "hold", "note"] = "note"
    """Where the debrief lists it: as a change of plan, as a hold, or for its text alone."""

    keys: Mapping[str, str] = field(default_factory=dict)
    """Keys that open the entry line with one of its words, and stand for it there before a blank."""

    @property
    def every_word(self) -> tuple[str, ...]:
        """Each word that begins an entry of this kind."""
        return (self.name, *self.words, *self.means)

    def argument(self, key: str) -> Argument | None:
        """The argument with this key; None without one."""
        return next((one for one in self.arguments if one.key == key), None)

    @property
    def says_text(self) -> bool:
        """Whether its text is what it says, not a remark on it."""
        text = self.argument("text")
        return text is not None and text.required

    @property
    def of_all(self) -> bool:
        """Whether it is about the whole crew where it names nobody."""
        crew = self.argument("crew")
        return crew is not None and not crew.required


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
_SITE = Argument("site", "site", marker="at")

NOT_OK = "not ok"
"""Begins an answer in a round that is neither ok nor a reading; behind a colon stands why."""
VOICE = "voice"
"""Typed for a crew member: voice lost, or back where it was lost."""
OPEN = ("question", "reminder", "deviation", "message")
"""What can be raised."""

KINDS = (
    EventKind(
        name="zero", body="Zero", effect="conditions.zero", timed=False, words=("start",),
        arguments=(Argument("utc", "instant", required=False), _KEYED_TEXT),
        meaning="starts the clock", example="zero 14:00Z", verb="the clock starts", cause="zero",
    ),
    EventKind(
        name="began", body="OneStep", effect="work.began", words=("begin",), arguments=(_STEP, _TEXT),
        meaning="work on a step started or goes on", example="begin mate", verb="began", tick=True,
        cause=PACE, ends_stretch=True,
    ),
    EventKind(
        name="counted", body="Counted", effect="work.counted", words=("count",),
        arguments=(_STEP, Argument("count", "count"), _TEXT),
        meaning="so many items of a step are done", example="1 3 of 4", verb="items",
        tick=True, cause=PACE, ends_stretch=True,
    ),
    EventKind(
        name="done", body="Done", effect="work.done", words=("tick",),
        arguments=(_STEP, Argument("count", "count", required=False, keyed=True), _TEXT),
        meaning="ticks a step off", example="1 -3", verb="done", tick=True,
        cause=PACE, ends_stretch=True,
    ),
    EventKind(
        name="skipped", body="OneStep", effect="work.skipped", heard=False, words=("skip",),
        arguments=(_STEP, _TEXT), meaning="a step will not be done", example="skip wipe no cloth left",
        verb="skipped", keys={"s": "skip"}, tick=True, cause="dropped work", listed="change",
    ),
    EventKind(
        name="dropped", body="OneTask", effect="plan_changes.dropped", before_zero=True, words=("drop",),
        arguments=(_TASK, _TEXT), meaning="gives a task up", example="drop latch", verb="dropped",
        keys={"d": "drop"}, cause="dropped work", listed="change", settles="task",
    ),
    EventKind(
        name="restored", body="OneTask", effect="plan_changes.restored", before_zero=True, words=("restore",),
        arguments=(_TASK, _TEXT), meaning="restores a task that was given up", example="restore latch",
        verb="restored", keys={"D": "restore"},
        cause="restored work", listed="change",
    ),
    EventKind(
        name="held", body="Held", effect="conditions.held", words=("hold",),
        arguments=(_CREWS, Argument("until", "pet", required=False, marker="until"), _TEXT),
        meaning="a hold starts, for one or for all", example="hold EV1 until 2:30 glove check",
        keys={"h": "hold"}, verb="held", handover=True, cause=HOLDS, listed="hold",
    ),
    EventKind(
        name="resumed", body="SomeCrew", effect="conditions.resumed", words=("resume",),
        arguments=(_CREWS, _KEYED_TEXT), meaning="a hold ends", example="resume EV1", verb="resumed",
        keys={"r": "resume"},
        cause=HOLDS, ends_stretch=True,
    ),
    EventKind(
        name="went", body="OneStep", effect="conditions.went", before_zero=True, heard=False, words=("go",),
        arguments=(_STEP, _TEXT), meaning="gives the go for a hold point", example="go power-on",
        keys={"g": "go"}, verb="go for", cause=GO, ends_stretch=True, settles="step",
    ),
    EventKind(
        name="handed", body="Handed", effect="plan_changes.handed", before_zero=True, heard=False,
        words=("hand",),
        arguments=(_STEP, Argument("crew", "crews", marker="to"), _TEXT),
        meaning="gives a step to others", example="hand mate to EV2", verb="handed",
        keys={"o": "hand"},
        cause="handed over", listed="change",
    ),
    EventKind(
        name="moved", body="Moved", effect="plan_changes.moved", before_zero=True, words=("move",),
        arguments=(_TASK, *_PLACE, _TEXT), meaning="a new place for a task", example="move trays before mast",
        keys={"m": "move"}, verb="moved", cause="new order", listed="change",
    ),
    EventKind(
        name="added", body="Added", effect="plan_changes.added", before_zero=True, words=("add",),
        arguments=(Argument("task", "object"), *_PLACE, _TEXT),
        meaning="adds work: who, how long, what", example="add EV1 0:10 Inspect the hinge", verb="added",
        keys={"A": "add"},
        cause="added work", listed="change",
    ),
    EventKind(
        name="retimed", body="Retimed", effect="plan_changes.retimed", before_zero=True, heard=False,
        words=("retime",),
        arguments=(_STEP, Argument("time", "span"), Argument("left", "flag", required=False), _TEXT),
        meaning="the crew says how long a step takes: from now on, or `of` so long in all",
        example="retime 1 15", verb="time changed:", keys={"t": "retime"},
        cause="retimed steps", listed="change",
    ),
    EventKind(
        name="limited", body="Limited", effect="conditions.limited", before_zero=True, words=("limit",),
        arguments=(Argument("limit", "limit"), Argument("value", "level"), _TEXT),
        meaning="changes a limit or a reserve", example="limit elapsed 6:45", verb="limit",
        cause="limits", listed="change", settles="limit",
    ),
    EventKind(
        name="reading", body="Level", effect="conditions.reading", before_zero=True, begins=False,
        words=("read",), arguments=(_CREW, *_CONSUMABLE, _TEXT),
        meaning="readings of a consumable, in the order of the crew", example="reading oxygen 0.52 0.49",
        keys={"b": "reading"}, verb="reading", cause="readings",
    ),
    EventKind(
        name="replaced", body="Level", effect="conditions.reading", begins=False, words=("replace",),
        arguments=(_CREW, *_CONSUMABLE, _TEXT),
        meaning="a bottle or battery changed", example="replace EV1 oxygen 0.75", verb="replaced",
        cause="readings", listed="change",
    ),
    EventKind(
        name="seen", body="Seen", effect="conditions.seen", words=("see",),
        arguments=(Argument("window", "window"), _TEXT),
        meaning="a window opened at this instant", example="seen daylight -1", verb="seen",
        cause=WINDOWS, listed="change",
    ),
    EventKind(
        name="entered", body="OneMember", effect="conditions.entered", words=("enter", "in"),
        arguments=(Argument("crew", "each"), _TEXT), meaning="crew members are inside", example="enter 1 2",
        keys={"i": "enter"}, verb="inside", cause="ingress",
    ),
    EventKind(
        name="called", body="Called", effect="conditions.called", words=("call", "recall"),
        means={"terminate": ("call", "home"), "abort": ("call", "at once")}, keys={"c": "call"},
        arguments=(Argument("call", "choice", choices=("home", "at once")), _CREWS, _TEXT),
        meaning="calls the crew home", example="call home", verb="called", handover=True,
        cause="recall", listed="change", settles="crew",
    ),
    EventKind(
        name="silent", body="NamedCrew", effect="conditions.silent", begins=False, arguments=(_SOME, _TEXT),
        words=(VOICE,), keys={"y": VOICE},
        meaning="voice lost; `voice` alone: lost, or back", example="silent EV2", verb="silent", news=False,
    ),
    EventKind(
        name="heard", body="NamedCrew", effect="conditions.heard", begins=False, words=("hear",),
        arguments=(_SOME, _TEXT), meaning="voice back", example="heard EV2", verb="heard", news=False,
    ),
    EventKind(
        name="noted", body="Noted", effect="conditions.noted",
        before_zero=True, after_closed=True, begins=False,
        words=("note",), keys={"n": "note"}, arguments=(Argument("text", "text"),),
        meaning="a note", example="note glare on the left visor", verb="note", handover=True,
        news=False,
    ),
    EventKind(
        name="chose", body="Chose", effect="plan_changes.chose", before_zero=True, begins=False,
        words=("choose",),
        means={"keep": ("choice", "keep"), "later": ("choice", "later")}, keys={"k": "keep", "l": "later"},
        arguments=(
            _TASK,
            Argument("choice", "choice", choices=("keep", "drop", "open", "later")),
            Argument("advice", "name", required=False, keyed=True),
            Argument("figures", "object", required=False, keyed=True),
            _TEXT,
        ),
        meaning="what was decided about an optional task", example="choose latch keep", verb="chose",
        cause=KEPT, settles="task",
    ),
    EventKind(
        name="acknowledged", body="Acknowledged", effect="conditions.acknowledged", begins=False,
        words=("acknowledge", "ack"), arguments=(Argument("alert", "name"), _TEXT),
        meaning="an alert was seen", example="ack last-call:latch:5", verb="seen", news=False,
    ),
    EventKind(
        name="withdrawn", body="Withdrawn", effect=None, after_closed=True, about_events=True, timed=False,
        words=("withdraw", "undo"),
        arguments=(
            Argument("event", "event"), Argument("job", "text", required=False, keyed=True), _KEYED_TEXT,
        ),
        meaning="undo", example="undo", verb="takes back",
    ),
    EventKind(
        name="amended", body="Amended", effect=None, after_closed=True, about_events=True, timed=False,
        words=("amend",),
        arguments=(
            Argument("event", "event"),
            Argument("utc", "instant", required=False, keyed=True),
            _KEYED_TEXT,
        ),
        meaning="corrects when an event happened", example="amend 41 2:13", verb="corrects",
    ),
    EventKind(
        name="closed", body="Nothing", effect="conditions.closed", words=("close",), arguments=(_TEXT,),
        meaning="the excursion is over", example="close", verb="the excursion is closed",
    ),
    EventKind(
        name="raised", body="Raised", effect="conditions.raised",
        before_zero=True, after_closed=True, begins=False, words=("raise",),
        means={**{word: ("what", word) for word in OPEN}, "remind": ("what", "reminder")},
        keys={"Q": "question", "R": "remind", "V": "deviation", "M": "message"},
        arguments=(
            Argument("what", "choice", choices=OPEN),
            Argument("about", "subject", required=False, marker="about"),
            Argument("due", "pet", required=False, marker="due"),
            Argument("after", "step", required=False, marker="after"),
            Argument("owner", "name", required=False, marker="owner"),
            Argument("to", "name", required=False, marker="to"),
            Argument("text", "text"),
        ),
        meaning="something is open until it is settled", example="question about latch: do we keep it?",
        verb="raised", handover=True, news=False,
    ),
    EventKind(
        name="settled", body="Settled", effect="conditions.settled",
        before_zero=True, after_closed=True, begins=False, words=("settle", "answer"), keys={"=": "answer"},
        arguments=(Argument("event", "event"), _TEXT),
        meaning="what was raised is done or answered", example="answer 41 yes", verb="settled",
        handover=True, news=False,
    ),
    EventKind(
        name="checked", body="Checked", effect="conditions.checked", before_zero=True, begins=False,
        words=("check",), keys={"K": "check"},
        arguments=(
            Argument("round", "round", required=False), _CREW, Argument("answers", "answers"), _TEXT,
        ),
        meaning="what somebody answers in a round: ok, no and why, or what was read",
        example="check 1 ok 0.52 ok", verb="checked", cause="readings",
    ),
    EventKind(
        name="took", body="Took", effect="conditions.took", before_zero=True, begins=False,
        arguments=(Argument("hardware", "hardware"), _CREW, _TEXT),
        meaning="who has a piece of hardware", example="took wrench EV2", verb="took", news=False,
    ),
    EventKind(
        name="put", body="Put", effect="conditions.put", before_zero=True, begins=False,
        arguments=(Argument("hardware", "hardware"), _SITE, _TEXT),
        meaning="where hardware was left; `lock`: it was brought back", example="put wrench truss-4",
        verb="put", news=False,
    ),
    EventKind(
        name="placed", body="Placed", effect="conditions.placed", before_zero=True, begins=False,
        words=("at",),
        keys={"P": "at"},
        arguments=(_SITE, Argument("crew", "each"), _TEXT),
        meaning="where somebody is, when no step says it", example="at truss-4 EV2", verb="placed",
        cause="way home",
    ),
    EventKind(
        name="taken", body="Nothing", effect="conditions.noted",
        before_zero=True, after_closed=True, begins=False, arguments=(_TEXT,),
        meaning="the desk was handed over, `by` says to whom", example="taken by Bryn", verb="desk taken",
        keys={"O": "taken"},
        handover=True, news=False,
    ),
    EventKind(
        name="clocked", body="Clocked", effect="conditions.clocked", before_zero=True, begins=False,
        words=("clock",),
        arguments=(
            Argument("trust", "choice", choices=("boot", "wall")),
            Argument("by_s", "number", required=False, marker="set"),
            _TEXT,
        ),
        meaning="which clock of this machine is right once it was set: `boot`, the one that never steps, or "
        "`wall`, the set one",
        example="clock wall set 40", verb="clock", news=False,
    ),
)  # fmt: skip
"""Every kind, in the order of the contract."""

BY_NAME = {kind.name: kind for kind in KINDS}

BY_KEY = {key: word for kind in KINDS for key, word in kind.keys.items()}
"""The word for which each key stands."""

BY_WORD = {word: kind for kind in KINDS for word in kind.every_word}
"""Each word that begins an entry."""

BEFORE_ZERO = frozenset(kind.name for kind in KINDS if kind.before_zero)
AFTER_CLOSED = frozenset(kind.name for kind in KINDS if kind.after_closed)
ABOUT_EVENTS = frozenset(kind.name for kind in KINDS if kind.about_events)
UNTIMED = frozenset(kind.name for kind in KINDS if not kind.timed)
TICKS = frozenset(kind.name for kind in KINDS if kind.tick)
NO_NEWS = frozenset(kind.name for kind in KINDS if not kind.news)
CHANGES = frozenset(kind.name for kind in KINDS if kind.listed == "change" or kind.cause == KEPT)
"""What changes the work that lies ahead, or what holds for it, by somebody's decision."""
DECIDES = frozenset(kind.name for kind in KINDS if kind.settles == "task")
"""What is decided about a task."""
HANDOVER = frozenset(kind.name for kind in KINDS if kind.handover)


def partner_of(event: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the event with which a decision has to stand on record; None where it stands alone.

    What was chosen is kept apart from what it does: `chose` with `drop` wants a `dropped`, with `later` a
    `moved` to the end.
    """
    if event.get("kind") != "chose":
        return None
    shared = {key: event[key] for key in ("at", "seat", "by") if key in event}
    match event.get("choice"):
        case "drop":
            return {"kind": "dropped", "task": event.get("task"), **shared}
        case "later":
            return {"kind": "moved", "task": event.get("task"), "last": True, **shared}
    return None


def is_partner(event: Mapping[str, Any], wanted: Mapping[str, Any]) -> bool:
    """Whether an event is the one that a decision wants beside it, whenever it happened."""
    return all(event.get(key) == wanted.get(key) for key in ("kind", "task", "last"))
