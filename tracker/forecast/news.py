"""What came since an estimate was made, and what of the estimate holds in spite of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tracker.forecast.figures import Alert, Estimate
from tracker.journal.kinds import ABOUT_EVENTS, BY_NAME, BY_WORD, CHANGES, DECIDES, HOLDS, TURNING
from tracker.journal.progress import Progress, called


@dataclass(frozen=True, slots=True)
class News:
    """What an estimate does not know of events that are shown with it."""

    rerouted: bool = False
    """Somebody was called home, or a recall was taken back: no figure of the way home holds."""
    turned: bool = False
    """A decision, a limit, a hold or a reading came, or one was taken back."""
    turn_home: bool = False
    """One came since it was worked out when to turn home and what to keep, which takes longer."""
    choices: bool = False
    """One came since it was worked out what each choice comes to, which takes longest."""
    alerts: tuple[Alert, ...] = ()
    """What is still asked."""


def news_since(made: Estimate | None, progress: Progress, known: int | None) -> News:
    """What came since the event whose number is `known`, the last that an estimate knows; None: nothing."""
    if made is None:
        return News()
    last = progress.number if known is None else known
    turn = _last_turn(progress)
    known_to_all = (one.entry for one in made.choices or () if one.entry is not None)
    rerouted = called(progress) != made.called
    return News(
        rerouted=progress.closed is None and rerouted,
        turned=turn > last,
        turn_home=turn > (last if made.advice.entry is None else made.advice.entry),
        choices=turn > min(known_to_all, default=turn),
        # Of a way home that is gone only what rests on facts is still asked.
        alerts=tuple(
            alert
            for alert in made.alerts
            if not (rerouted and (alert.kind not in _OF_FACTS or any(map(_decides, alert.do))))
            and not _answered(progress, alert, last)
        ),
    )


def _last_turn(progress: Progress) -> int:
    """The number of the last entry that turns what is advised, or takes back or corrects another.

    The number tells what came later, not the instant: what is typed is of the instant at which it began.
    """
    recorded = reversed(progress.fold.recorded)
    return next((event.number for event in recorded if event.kind in _TURNS), 0)


_TURNS = ABOUT_EVENTS | CHANGES | {name for name, kind in BY_NAME.items() if kind.cause in (*TURNING, HOLDS)}
"""Kinds of events after which nothing that was advised before stands unmarked."""


_OF_FACTS = frozenset({"below", "silent", "hold", "inside", "round", "reading", "question", "answer"})
"""Kinds of alerts that rest on no figure of the way home."""


def _decides(line: str) -> bool:
    return _kind(line) in (*DECIDES, "called")


def _kind(line: str) -> str:
    """The kind of event that is typed, as far as its first word says."""
    kind = BY_WORD.get(line.partition(" ")[0])
    return "" if kind is None else kind.name


def _answered(progress: Progress, alert: Alert, known: int) -> bool:
    """Whether what an alert asks for was done: its step, its go, a decision about its task since."""
    state = progress.steps.get(alert.subject or "")
    # A clock runs on though the step that would stop it was given up.
    over = {"tick": ("done", "skipped", "dropped", "left"), "clock": ("done", "skipped")}
    if state is not None and state.ended in over.get(alert.kind, ()):
        return True
    since = [e for e in progress.events if e.number > known and e.kind in DECIDES]
    decided = {str(event.body["task"]) for event in since}
    for line in alert.do:
        verb, _, about = line.partition(" ")
        if (_kind(line) in DECIDES and about in decided) or (verb in _PAST and _PAST[verb](progress, about)):
            return True
    return False


def _gone(progress: Progress, step: str) -> bool:
    state = progress.steps.get(step)
    return state is not None and (state.gone or state.ended is not None or bool(state.begin_kind))


def _settled(progress: Progress, number: str) -> bool:
    return any(str(one.number) == number and one.settled is not None for one in progress.raised)


_PAST: Mapping[str, Callable[[Progress, str], bool]] = {
    "go": _gone,
    "settle": _settled,
    "answer": _settled,
    "enter": lambda progress, member: member in progress.entered,
    "heard": lambda progress, member: member not in progress.silent,
    "resume": lambda progress, member: member not in progress.holds,
}
"""By what is typed about somebody or something, whether that has happened."""
