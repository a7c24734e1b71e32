"""What people want of a person: decisions on optional work, questions, voice, holds, who is inside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tracker.forecast.alert_inputs import LATE_S, SOON_S, Look, by_itself, from_to, when_raised
from tracker.forecast.alert_words import (
    HEARD_RECALL,
    deed,
    slot,
)
from tracker.forecast.due import matters_until, settles
from tracker.forecast.figures import Alert, OptionalFigure, Raised
from tracker.forecast.wording import (
    chance_of,
    need_of,
    verdict_words,
)
from tracker.foundation.shown import down
from tracker.foundation.text import plain
from tracker.journal.progress import StepState
from tracker.journal.rounds import rounds_at
from tracker.journal.whereabouts import all_entered, came_along, unowned

MATTERS_SOON_S = 15 * 60.0
"""How long before a question matters it is told."""
WAITS_S = 600.0
"""How long a question stays unsettled before it is told, and how long an answer is told."""


def of_crew(look: Look) -> Iterator[Alert]:
    """Every alert about what somebody has to decide or to say."""
    yield from _questions(look)
    yield from _rounds(look)
    yield from _silence(look)
    yield from _recall_heard(look)
    yield from _holds(look)
    if look.progress.zero is not None:
        yield from _last_calls(look)
        yield from _idle(look)
        yield from _inside(look)


def _last_calls(look: Look) -> Iterator[Alert]:
    for figure in look.made.optional:
        yield from _last_call(look, figure)


def _last_call(look: Look, figure: OptionalFigure) -> Iterator[Alert]:
    """What is announced of a last call: near, and not coming by itself; passed, until it was seen."""
    task, call = figure.task, figure.last_call
    if figure.begun:
        return
    alone = figure.advice == "keep" and by_itself(look.progress, task, figure.in_time)
    for soon in sorted(SOON_S):
        id = f"last-call:{task}:{soon // 60}"
        past = look.past(id)
        near = call is not None and not alone and 0 <= call - look.now <= soon
        if past is not None and (id in look.progress.acknowledged or _decided(look, task, past.at)):
            past = None
        if near or past is not None:
            yield _called(look, figure, id, past)
            return


def _called(look: Look, figure: OptionalFigure, id: str, past: Raised | None) -> Alert:
    task = figure.task
    then = look.choice(f"{'later' if figure.advice == 'later' else 'keep'}:{task}")
    call = figure.last_call if figure.last_call is not None or past is None else past.figure
    moved = past is not None and down(past.figure) != down(call)
    do, offered = _offered(figure)
    shift = "" if figure.advice == "keep" else f"; kept {slot('shift', 'shift')}"
    chances = "" if then is None or not shift else f", {from_to()}"
    return look.alert(
        id,
        f"{task}: start by {slot('call', 'down')}, {slot('call', 'in')}; {offered[0]}{shift}{chances}. "
        f"{', '.join(map(deed, offered[1:]))}{when_raised('down', 'by ') if moved else ''}",
        subject=task,
        since=past.at if past is not None else look.now,
        by=call,
        do=do,
        call=call,
        shift=figure.cost if then is None else then.shift,
        safe=look.advised[1],
        then_safe=None if then is None else chance_of(then, look.made),
        need=need_of(look.made)[2],
        was=None if past is None else past.figure,
        raised=None if past is None else past.at,
    )


def _offered(figure: OptionalFigure) -> tuple[Sequence[str], Sequence[str]]:
    """What is typed about a task, and what is said of it: the advice, then what each line does."""
    task = figure.task
    keeps, drops = (f"keep {task}", "keeps"), (f"drop {task}", "drops")
    said, lines = verdict_words(figure), [keeps, drops]
    if said == "later":
        lines = [(f"later {task}", "puts it off to the end"), drops]
    if figure.advice == "keep":
        said, lines = "keep, and it does not come by itself", [drops]
    return [line for line, _ in lines], [said, *(verb for _, verb in lines)]


def _decided(look: Look, task: str, since: float) -> bool:
    """Whether somebody has decided about a task, or it has begun or ended."""
    state = look.progress.tasks.get(task)
    chosen = any(d.task == task and d.at >= since and d.choice != "open" for d in look.progress.decisions)
    return state is None or not state.optional or state.status != "open" or chosen


def _idle(look: Look) -> Iterator[Alert]:
    """Crew members outside whose next work nobody counts."""
    progress, undecided = look.progress, {figure.task for figure in look.made.optional if not figure.begun}
    for member in progress.plan.outside:
        order = progress.order.get(member, ())
        if member in progress.holds or member in progress.entered or not order:
            continue
        state = progress.steps[order[0]]
        if state.began is None and state.step.task in undecided - look.made.counted:
            yield _stands(look, member, state)


def _stands(look: Look, member: str, state: StepState) -> Alert:
    """That somebody has nothing to do until it is decided about a task."""
    task = state.step.task
    keeps = look.choice(f"keep:{task}")
    inside = f"inside {slot('inside', 'up')} -> {slot('then_inside', 'up')}, {slot('then_safe', 'chance')}"
    figure = next((one for one in look.made.steps if one.step == state.step.id), None)
    cause = ((figure and figure.waits_for) or "").split(" ")[-1]
    waits = f", waits for {cause}" if cause else ""
    return look.alert(
        f"idle:{member}",
        f"{member} idle{waits}: decide {task}. {deed('keeps')}{'' if keeps is None else f': {inside}'}, "
        f"{deed('drops')}",
        subject=member,
        since=look.progress.free_since.get(member),
        by=look.now,
        do=[f"keep {task}", f"drop {task}"],
        inside=look.advised[0],
        then_inside=None if keeps is None else keeps.inside.p50,
        then_safe=None if keeps is None else chance_of(keeps, look.made),
        need=need_of(look.made)[2],
    )


def _questions(look: Look) -> Iterator[Alert]:
    """What is open for ten minutes, or soon matters; and what was just answered."""
    for one in look.progress.raised:
        until = matters_until(look.progress, look.made, one)
        text = plain(one.text, most=100)
        said = f"{one.what} at {slot('asked', 'down')}: {text}"
        if one.settled is None:
            old = one.what == "question" and look.now - one.at >= WAITS_S
            soon_s = 0.0 if one.what == "reminder" else MATTERS_SOON_S
            if not old and (until is None or until - look.now > soon_s):
                continue
            due = "due" if one.what == "reminder" else "matters until"
            matters = f"; {due} {slot('until', 'down')}" if until is not None else ""
            yield look.alert(
                f"{one.what}:{one.number}",
                f"{said}{matters}. {deed('settles it')}",
                subject=str(one.number),
                since=one.at,
                by=until,
                do=[settles(one)],
                asked=one.at,
                until=until,
            )
        elif one.what == "question" and 0 <= look.now - one.settled.at <= WAITS_S:
            who = f", {plain(one.settled.by, most=20)}" if one.settled.by else ""
            answer = plain(one.settled.text, most=80) or one.settled.kind
            yield look.alert(
                f"answer:{one.number}",
                f"{said} -> {answer}{who} at {slot('answered', 'down')}",
                subject=str(one.number),
                since=one.settled.at,
                asked=one.at,
                answered=one.settled.at,
            )


def _rounds(look: Look) -> Iterator[Alert]:
    """Rounds that are late, and whose answer is missing."""
    for one in rounds_at(look.progress, look.now):
        if one.late_s(look.now) >= LATE_S:
            yield look.alert(
                f"round:{one.round.id}",
                f"{one.round.id} round was due {slot('due', 'down')}: {' '.join(one.missing)} to answer. "
                f"{deed('asks')}",
                subject=one.round.id,
                since=one.due,
                by=one.due,
                do=[f"check {one.round.id}"],
                due=one.due,
            )


def _silence(look: Look) -> Iterator[Alert]:
    for member, since in look.progress.silent.items():
        heard = look.progress.last_heard.get(member)
        last = f", last word {slot('heard', 'down')}" if heard is not None else ""
        yield look.alert(
            f"silent:{member}",
            f"{member} silent {slot('silent', 'for')}{last}. {deed('heard')}",
            subject=member,
            since=since,
            by=since,
            do=[f"heard {member}"],
            silent=since,
            heard=heard,
        )


def _holds(look: Look) -> Iterator[Alert]:
    for member, hold in look.progress.holds.items():
        if hold.until is not None and hold.until <= look.now:
            yield look.alert(
                f"hold:{member}",
                f"{member}'s hold ended {slot('until', 'down')}. {deed('resumes')}",
                subject=member,
                since=hold.until,
                by=hold.until,
                do=[f"resume {member}"],
                until=hold.until,
            )


def _recall_heard(look: Look) -> Iterator[Alert]:
    """That a recall was taken back which the crew has heard, until somebody is on record as going on."""
    progress = look.progress
    recorded, force = progress.fold.recorded, {event.number for event in progress.events}
    calls = {event.number for event in recorded if event.kind == "called"} - force
    back = [e for e in recorded if e.kind == "withdrawn" and e.body["event"] in calls]
    if not back or progress.recall:
        return
    number, since = back[-1].number, back[-1].at
    since_then = (e for e in progress.events if e.number > number and e.kind in ("done", "counted", "began"))
    tasks = {progress.steps[one].step.task for e in since_then if (one := e.body["step"]) in progress.steps}
    if any(not progress.tasks[task].task.closeout for task in tasks):
        return
    id, words = f"heard-recall:{number}", f"{HEARD_RECALL}. {deed('once told')}"
    yield look.alert(id, words, since=since, by=look.now, do=[f"ack {id}"])


def _inside(look: Look) -> Iterator[Alert]:
    """Who has done all their steps and was not said to be inside; and that all are inside."""
    progress = look.progress
    outside = progress.plan.outside
    if all_entered(progress):
        since = max(progress.entered[c] for c in outside)
        left = [plain(progress.steps[one].step.do, most=40) for one in unowned(progress)]
        more = f", not ticked: {', '.join(left[:2])}{f' and {len(left) - 2} more' if left[2:] else ''}"
        along = came_along(progress, look.now)
        brought = f", taken as back with them: {', '.join(along)}"
        said = f"{more if left else ''}{brought if along else ''}"
        yield look.alert(
            "inside:*",
            f"all inside since {slot('inside', 'down')}{said}: {deed('closes')}",
            since=since,
            by=since,
            do=["close"],
            inside=since,
        )
        return
    for member in outside:
        own = [s for s in progress.steps.values() if member in s.crew]
        done = [s.done for s in own if s.ended == "done" and s.done is not None]
        if member not in progress.entered and done and all(s.ended is not None for s in own):
            yield look.alert(
                f"inside:{member}",
                f"{member} inside? {deed()}",
                subject=member,
                since=max(done),
                by=max(done),
                do=[f"enter {member}"],
            )
