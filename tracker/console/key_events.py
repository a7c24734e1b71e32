"""What a key means for the journal: events to write and the words for it, or why nothing is written. Pure.

Keys that want digits after them: a late tick, one more item, a skipped step.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

from tracker.console.view.words import AGAIN, TOOK_BACK, next_go, pet_s, redo_words
from tracker.forecast.alert_words import HEARD_RECALL
from tracker.forecast.figures import Estimate
from tracker.forecast.wording import verdict_words
from tracker.foundation.shown import running
from tracker.journal.kept_press import State
from tracker.journal.kinds import ABOUT_EVENTS, is_partner, partner_of
from tracker.journal.progress import Progress, Recorded
from tracker.journal.typed.match import NO_GO
from tracker.journal.wording import event_words
from tracker.plan.windows import slip_s

Event = dict[str, Any]


@dataclass(frozen=True, slots=True)
class EventBatch:
    """Events to be written together, and what is said about them."""

    events: tuple[Event, ...] = ()
    """Empty: nothing is written, and `words` says why."""
    words: str = ""
    crew: tuple[str, ...] = ()
    """Beside whose names the write is shown."""
    asks: str = ""
    """Why it is asked twice."""
    settles: tuple[str, State] | None = None
    """A press that was refused, and what becomes of it once this is on record."""


def refusal(words: str) -> EventBatch:
    """Return a batch that writes nothing and says why."""
    return EventBatch((), words)


def member_of(progress: Progress, digit: int) -> str | None:
    """Return the crew member of a digit, in plan order from 1."""
    members = progress.plan.crew
    return members[digit - 1].id if 1 <= digit <= len(members) else None


def tick(
    progress: Progress,
    digit: int,
    shown: str | None,
    now: float,
    minutes: int | None = None,
    *,
    start: str = "z",
    left_out: Collection[str] = (),
) -> EventBatch:
    """Return the tick of the step that the seat shows for a crew member, perhaps minutes ago.

    `start`: the key that starts the clock; `left_out`: optional tasks that the advice does not count.
    """
    crew = member_of(progress, digit)
    if crew is None:
        return refusal(f"there is no crew member {digit}")
    if progress.zero is None:
        return refusal(f"nothing can be ticked before the clock starts: {start} starts it")
    step = progress.current.get(crew)
    if shown is not None and shown != step:
        return refusal(f"not written: {crew} is no longer at {_do(progress, shown)}")
    if step is None:
        return refusal(f"{crew} has no step to tick")
    if missing := progress.missing(step):
        where = ", ".join(_elsewhere(progress, other) for other in missing)
        return refusal(f"not written: it needs {where}, too ({_do(progress, step)})")
    event: Event = {"kind": "done", "step": step}
    if minutes is not None:
        event["at"] = round(now) - 60 * minutes
    when = f" at {pet_s(event['at'])}" if minutes is not None else ""
    state = progress.steps[step]
    short = 0 < state.counted < state.step.count
    counted = f", {state.counted} of {state.step.count} counted" if short else ""
    return EventBatch(
        (event,),
        f"{' '.join(state.crew)} done {state.step.do}{when}{counted}"
        f"{_next(progress, digit, crew, step, left_out)}",
        state.crew,
    )


def _next(progress: Progress, digit: int, crew: str, step: str, left_out: Collection[str]) -> str:
    """Return what comes next for a crew member, or what is asked once nothing does."""
    ahead = (one for one in progress.order.get(crew, ()) if one != step)
    coming = next((one for one in ahead if progress.steps[one].step.task not in left_out), None)
    if coming is not None:
        return f"; next {_do(progress, coming)}"
    return f"; {crew} inside?  i {digit}" if crew in outside(progress) else ""


def asked(
    batch: EventBatch, progress: Progress, left_out: Collection[str], digit: int, now: float
) -> EventBatch:
    """Return a tick that is asked twice: before the one before it, at once behind it, or of left-out work.

    `left_out`: optional tasks that the advice does not count; such a one is kept with its tick.
    """
    if not batch.events:
        return batch
    event = batch.events[0]
    step = str(event["step"])
    if doubts := tick_doubts(progress, step, float(event.get("at", now))):
        return replace(batch, asks=f"{doubts[0]}; the last key again writes it")
    task = progress.steps[step].step.task
    if task not in left_out:
        quick = quick_doubts(progress, batch.events, now)
        asks = f"{quick[0]}: {digit} again ticks {_do(progress, step)}" if quick else ""
        return replace(batch, asks=asks)
    keeps: Event = {"kind": "chose", "task": task, "choice": "keep"}
    asks = f"{task} is not counted: {digit} again ticks it and keeps {task}"
    return replace(batch, events=(keeps, *batch.events), words=f"{batch.words}; kept {task}", asks=asks)


def digits_words(progress: Progress) -> str:
    """Return what the digits do: `1 ticks what EV1 is at, 2 EV2, 3 IV`."""
    first, *others = [member.id for member in progress.plan.crew[:9]]
    return ", ".join((f"1 ticks what {first} is at", *(f"{n} {id}" for n, id in enumerate(others, 2))))


def outside(progress: Progress) -> tuple[str, ...]:
    """Return who is outside."""
    return tuple(c for c in progress.plan.outside if c not in progress.entered)


def batch_of(progress: Progress, events: list[Event], words: str) -> EventBatch:
    """Return events as a batch that is shown beside the names of all whom they are about."""
    crew = dict.fromkeys(c for event in events for c in crew_of(progress, event))
    return EventBatch(tuple(events), words, tuple(crew))


def windows_words(zero: datetime, planned: datetime) -> str:
    """Return what becomes of windows in PET where the clock starts far from the planned instant.

    Nothing where they are more than seven days apart: the event then carries a warning that says it.
    """
    return "" if slip_s(zero, planned) is None else ": windows stay where they are in UTC"


def _do(progress: Progress, step: str) -> str:
    return progress.steps[step].step.do if step in progress.steps else step


def _elsewhere(progress: Progress, crew: str) -> str:
    """Return who is missing and what they are at."""
    step = progress.current.get(crew)
    return f"{crew}, still at {_do(progress, step)}" if step else crew


def one_more(progress: Progress, digit: int) -> EventBatch:
    """Return one more item counted of a crew member's current step."""
    crew = member_of(progress, digit)
    step = progress.current.get(crew) if crew else None
    if crew is None or step is None:
        return refusal(f"crew member {digit} has no step to count")
    state = progress.steps[step]
    if state.step.count <= 1:
        return refusal(f"{state.step.do} has no items to count")
    if state.counted >= state.step.count:
        return refusal(f"all {state.step.count} are counted; {digit} ticks the step")
    count = state.counted + 1
    event: Event = {"kind": "counted", "step": step, "count": count}
    return EventBatch((event,), f"{crew} {count} of {state.step.count}  {state.step.do}", state.crew)


def skip(progress: Progress, digit: int) -> EventBatch:
    """Return the skipping of a crew member's current step."""
    crew = member_of(progress, digit)
    step = progress.current.get(crew) if crew else None
    if crew is None or step is None:
        return refusal(f"crew member {digit} has no step to skip")
    return EventBatch(
        ({"kind": "skipped", "step": step},),
        f"{crew} skipped {_do(progress, step)}",
        progress.steps[step].crew,
    )


def went(progress: Progress, key: str = "g") -> EventBatch:
    """Return the go for the first step that waits for one, or will next; asked twice where it is ahead.

    `key`: the key that gives it.
    """
    step, ahead = next_go(progress)
    if step is None:
        return refusal(NO_GO)
    state = progress.steps[step]
    batch = EventBatch(({"kind": "went", "step": step},), f"go for {state.step.do}", state.crew)
    return replace(batch, asks=f"{batch.words}, before its time: {key} again gives it") if ahead else batch


def undo(progress: Progress, seat: str, *, redo: str = "U") -> EventBatch:
    """Return what takes back this seat's latest event in force, with those it was written together with.

    `redo`: the key that puts it on record again.
    """
    taken = progress.fold.undo(seat)
    if not taken:
        return refusal("this seat has nothing to take back")
    last = taken[0]
    events = tuple({"kind": "withdrawn", "event": e.number} for e in taken)
    more = f" and {len(taken) - 1} with it" if len(taken) > 1 else ""
    heard = f"; {HEARD_RECALL}" if any(event.kind == "called" for event in taken) else ""
    return EventBatch(
        events,
        f"{TOOK_BACK} {last.number}{more}: {_about(progress, last)}{heard}{redo_words(redo)}",
        _all_of(progress, reversed(taken)),
    )


def redo(progress: Progress, seat: str) -> EventBatch:
    """Return what puts on record again what this seat took back last, unless it wrote since."""
    back = progress.fold.redo(seat)
    if not back:
        return refusal("nothing was taken back since this seat's last event")
    numbers = {e.body["event"] for e in back}
    targets = [e for e in progress.fold.recorded if e.number in numbers] or [back[0]]
    events = tuple({"kind": "withdrawn", "event": e.number} for e in back)
    more = f" and {len(targets) - 1} with it" if len(targets) > 1 else ""
    words = f"{AGAIN}: {targets[-1].number}{more}, {_about(progress, targets[-1])}"
    return EventBatch(events, words, _all_of(progress, targets))


def pointed_at(event: Event) -> int | None:
    """Return the number of the event that this one takes back or corrects."""
    number = event.get("event")
    return number if event.get("kind") in ABOUT_EVENTS and isinstance(number, int) else None


def _about(progress: Progress, event: Recorded) -> str:
    return f"{event_words(progress, event.kind, event.body)} at {pet_s(event.at)}"


def _all_of(progress: Progress, events: Iterable[Recorded]) -> tuple[str, ...]:
    """Return whom events are about, each once."""
    return tuple(dict.fromkeys(c for event in events for c in crew_of(progress, event.body)))


def crew_of(progress: Progress, body: Mapping[str, Any]) -> tuple[str, ...]:
    """Return whom an event's own keys are about: its step's owners, or its crew."""
    step = progress.steps.get(str(body.get("step", "")))
    if step is not None:
        return step.crew
    crew = body.get("crew")
    named = crew if isinstance(crew, (list, tuple)) else [crew]
    return tuple(str(c) for c in named if c in progress.plan.member)


def with_decisions(events: Iterable[Event], estimate: Estimate | None) -> tuple[Event, ...]:
    """Return the events with what was advised beside what was decided.

    Dropping an optional task is a decision: `chose` goes with it. A `chose` gets the advice of the moment.
    """
    advised = {figure.task: figure for figure in estimate.optional} if estimate else {}
    given = list(events)
    chosen = {e["task"] for e in given if e.get("kind") == "chose"}
    for event in list(given):
        does = partner_of(event)
        if does is not None and not any(is_partner(one, does) for one in given):
            given.append(does)
    out: list[Event] = []
    for event in given:
        figure = advised.get(str(event.get("task", "")))
        if figure is not None and event.get("kind") == "chose" and "advice" not in event:
            event = {**event, "advice": verdict_words(figure), "figures": _figures(figure, estimate)}
        out.append(event)
        if figure is not None and event.get("kind") == "dropped" and figure.task not in chosen:
            chose = {"kind": "chose", "task": figure.task, "choice": "drop", "advice": verdict_words(figure)}
            shared: Event = {key: event[key] for key in ("at", "by") if key in event}
            out.append({**chose, "figures": _figures(figure, estimate), **shared})
    return tuple(out)


def _figures(figure: Any, estimate: Estimate | None) -> dict[str, Any]:
    safe = estimate.safe if estimate else None
    return {"last_call": figure.last_call, "in_time": figure.in_time, "cost": figure.cost, "safe": safe}


REPEAT_S = 0.3
"""A key that comes again within this time is a bounce."""
PAIR_S = 0.05
"""The same where it is asked for a second time, so that two quick presses are meant."""
ENTERED_S = 1.0
"""Enter that comes again within this time after it entered a line opens no empty one."""
LAPSE_S = 6.0
"""A key that was begun and forgotten must not bend a tick long after."""


DEAF_S = 1.5
"""How long digits are swallowed behind a prefix that was refused: the tail of a mistake never ticks."""
MOST_TENS = 9

Kind = Literal["late", "count", "skip"]


@dataclass(frozen=True, slots=True)
class Prefix:
    """What was pressed so far: of a late tick the tens of minutes, then whose it is."""

    kind: Kind
    since: float
    tens: int = 0
    crew: int | None = None
    """The crew member's number."""

    def words(self, progress: Progress, again: str) -> str:
        """Return what is wanted next; `again`: the key that adds ten minutes."""
        if self.kind != "late":
            what = {"count": "one more item", "skip": "skip the current step"}[self.kind]
            return f"{what}: whose? {_everybody(progress)}"
        more = f"{10 * self.tens} and " if self.tens else ""
        if self.crew is None:
            late = f"late by {more}more" if more else "late"
            return f"{late}: whose? {_everybody(progress)}; {again} again adds ten minutes"
        return f"{member_of(progress, self.crew)}, {more}how many minutes ago?"

    def lapsed(self, mono: float) -> bool:
        """Return whether it was forgotten."""
        return mono - self.since > LAPSE_S

    def ten_more(self, mono: float) -> Prefix:
        """Return it with ten minutes more."""
        return Prefix("late", mono, min(MOST_TENS, self.tens + 1), self.crew)

    def of(self, number: int, mono: float) -> Prefix | None:
        """Return it with whose tick it is; None where that was said, or nothing follows."""
        return Prefix("late", mono, self.tens, number) if self.kind == "late" and self.crew is None else None

    def minutes(self, digit: int) -> int:
        """Return how many minutes ago the last digit makes it."""
        return 10 * self.tens + digit


def _everybody(progress: Progress) -> str:
    """Return the digits of the crew: `1 EV1 2 EV2 3 IV`."""
    return " ".join(f"{n} {member.id}" for n, member in enumerate(progress.plan.crew[:9], 1))


def over_doubts(events: Iterable[Mapping[str, Any]], progress: Progress) -> list[str]:
    """Return that what is decided or said is about work which has ended, so that nothing changes."""
    found: dict[str, None] = {}
    for event in events:
        kind, state = event.get("kind"), progress.tasks.get(str(event.get("task")))
        step = progress.steps.get(str(event.get("step")))
        if (
            kind in ("dropped", "chose", "moved")
            and state is not None
            and state.status not in ("open", "begun")
        ):
            found[f"{state.task.id} is {_ENDED.get(state.status, state.status)}: nothing changes"] = None
        if kind in ("retimed", "went", "counted") and step is not None and step.ended is not None:
            found[
                f"{_do(progress, step.step.id)} is {_ENDED.get(step.ended, step.ended)}: nothing changes"
            ] = None
    return list(found)


_ENDED = {"dropped": "given up", "left": "not done since the recall"}
"""How work that was given up is told, by a person or by a recall."""


def tick_doubts(progress: Progress, step: str, at: float, ticked: Collection[str] = ()) -> list[str]:
    """Return that a tick shuts somebody out, comes before what it needs, or before the last one of its crew.

    `ticked`: steps whose tick is written with it, before it.
    """
    out, late = _shut_out(progress, step, ticked), _before_last(progress, step, at)
    return [*out, *late] if out else [*late, *_before_needs(progress, step, ticked)]


def _before_needs(progress: Progress, step: str, ticked: Collection[str]) -> list[str]:
    """Return what a step needs and is not done; for one that closes something also what its crew leaves."""
    state = progress.steps.get(step)
    if state is None or state.ended is not None:
        return []
    task = progress.tasks[state.step.task].task
    orders = [progress.order.get(c, ()) for c in state.crew] if task.closeout or state.step.closes else []
    before = [other for order in orders if step in order for other in order[: order.index(step)]]
    near = [other for other in before if task.closeout or progress.steps[other].step.task == task.id]
    own = [other for other in near if not _not_begun(progress, other)]
    wanted = [progress.steps[other] for other in dict.fromkeys((*progress.needs.get(step, ()), *own))]
    return [
        f"{one.step.do} ({' '.join(one.crew) or 'nobody'}) is not done yet"
        for one in wanted
        if one.ended is None and one.step.id not in ticked
    ]


def _not_begun(progress: Progress, step: str) -> bool:
    """Return whether a step is of optional work that nobody has begun, so that nothing waits for it."""
    task = progress.tasks[progress.steps[step].step.task]
    return task.optional and task.status == "open"


def _shut_out(progress: Progress, step: str, ticked: Collection[str]) -> list[str]:
    """Return who is not in yet where a step of closeout follows one of theirs, or shuts what is open."""
    state = progress.steps.get(step)
    if state is None or not (task := progress.tasks[state.step.task].task).closeout:
        return []
    names = [one.id for one in task.steps]
    before = names[: names.index(step)] if state.step.closes and step in names else []
    found: dict[str, str] = {}
    for other in dict.fromkeys((*before, *progress.needs.get(step, ()))):
        theirs = progress.steps[other]
        if theirs.ended is None and other not in ticked:
            late = [c for c in theirs.crew if c not in (*state.crew, *progress.entered)]
            found |= {c: theirs.step.do for c in late if c not in found and c in progress.plan.outside}
    return [f"{c} is not in yet, {do} is not done" for c, do in found.items()]


def _before_last(progress: Progress, step: str, at: float) -> list[str]:
    """Return that a tick lies before the one before it, of one of its crew."""
    before = _last_tick(progress, step)
    if before is None or at >= before[0]:
        return []
    return [f"{pet_s(at)} lies before the tick before it: {before[1]}, {pet_s(before[0])}"]


QUICK_S, QUICK_SHARE = 60.0, 0.25
"""A step of more than two minutes that is ticked within so long after the tick before it, and within such a
share of its time, is asked about: a digit that was pressed twice, or two ticks that came late."""


def quick_doubts(progress: Progress, events: Iterable[Mapping[str, Any]], now: float) -> list[str]:
    """Return that the one tick of some events comes at once behind the one before it, of one of its crew.

    Nothing where several are caught up together, or where it was said when it was.
    """
    ticks = [event for event in events if event.get("kind") == "done"]
    if len(ticks) != 1 or "at" in ticks[0] or (step := str(ticks[0].get("step"))) not in progress.steps:
        return []
    before, expected = _last_tick(progress, step), progress.steps[step].expected_s
    since = None if before is None else now - before[0]
    if since is None or expected <= 2 * QUICK_S or not 0 <= since < min(QUICK_S, QUICK_SHARE * expected):
        return []
    return [f"{running(since, expected)} since the tick before"]


def _last_tick(progress: Progress, step: str) -> tuple[float, str] | None:
    """Return when somebody of a step's crew had the latest tick, and what they had done by it."""
    state = progress.steps.get(step)
    crew = set(state.crew) if state is not None else set()
    return max(
        (
            (s.done, s.step.do)
            for s in progress.steps.values()
            if s.ended == "done" and s.done is not None and crew & set(s.crew)
        ),
        default=None,
    )
