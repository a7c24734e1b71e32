"""The lead's third page: every task with its chance to be done in time, and how fresh all of this is.

Of a task: how it stands, when it is projected to be done against the plan. Then the last tick, and the last
word from each crew member.
"""

from __future__ import annotations

from rich.cells import cell_len

from tracker.console.key_events import crew_of
from tracker.console.view.scene import LeadScene
from tracker.console.view.styled_text import (
    Ink,
    Line,
    Span,
    crop,
    folded,
    heading,
    is_cut,
    put,
    region,
    remark,
    said_in,
    say,
    under,
    width_of,
)
from tracker.console.view.words import pet, pet_s, stand_of, took
from tracker.forecast.figures import TaskFigure
from tracker.forecast.wording import HALF_DONE, limit_words, verdict_words, within_words
from tracker.foundation.shown import change, pet_down, pet_nearest, pet_up
from tracker.foundation.text import percent
from tracker.journal.kinds import TICKS
from tracker.journal.progress import Recorded
from tracker.journal.wording import event_words


def tasks(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return one row per task, those at work first, then what is ahead, then what has ended."""
    estimate = scene.estimate
    back = estimate.turn_back.latest if estimate is not None else None
    # Not the chance of the limits: turning for home keeps those, whatever is not done by then.
    short = f"in time: done by turn home, {pet_down(back)}" if back is not None else ""
    beside = (
        f"in time: done before they must turn for home at {pet_down(back)}, whatever becomes of limits;"
        " closeout: inside by the elapsed limit"
        if short
        else ""
    )
    head = heading("tasks", width, beside, short)
    if estimate is None:
        return region(head, [remark("being worked out", width)], width, height)
    far = float("inf")
    ranks = {"begun": 0, "open": 1, "done": 2, "dropped": 3, "left": 3}
    figures = sorted(
        estimate.tasks,
        key=lambda f: (ranks[f.status], f.start.p50 if f.start.p50 is not None else far),
    )
    lines = [_task_titles(width)]
    for figure in figures:
        row = _task_row(scene, figure, width)
        lines.append(row)
        title = scene.progress.tasks[figure.task].task.title
        if scene.whole and (is_cut(row) or not said_in(row, title)):
            lines += under(f"{figure.task}  {title}", width)
    return region(head, lines, width, height, scene.key("whole"), "task")


def _room(width: int) -> int:
    return width - 60 - (16 if width >= 84 else 0)


def _task_titles(width: int) -> Line:
    spans = [
        put(" task", _room(width), "dim"), put("priority", 10, "dim"), put("state", 9, "dim"),
        *(put(t, 7, "dim", right=True) for t in ("begins", "ends")),
    ]  # fmt: skip
    if width >= 84:
        spans.append(put("8 in 10 between", 16, "dim", right=True))
    spans += [put("planned", 8, "dim", right=True), put("late", 8, "dim", right=True)]
    return crop((*spans, put("in time", 10, "dim", right=True)), width)


def _task_row(scene: LeadScene, figure: TaskFigure, width: int) -> Line:
    planned = _planned(scene, figure.task)
    late = None if planned is None or figure.finish.p50 is None else figure.finish.p50 - planned
    ended: Ink = "dim" if figure.status in ("done", "dropped", "left") else ""
    state = scene.progress.tasks[figure.task]
    room = _room(width)
    ids = max(len(task) for task in scene.progress.tasks)
    name = f" {figure.task:<{ids}}  {state.task.title}" if room > ids + 14 else f" {figure.task}"
    priority = "closeout" if state.task.closeout else figure.priority
    if priority != state.task.priority and not state.task.closeout:
        priority = state.task.priority if figure.status == "dropped" else "committed"
    spans = [
        put(name, room - 1, ended),
        Span(" "),
        put(priority, 10, "dim"),
        put(_stands(figure), 9, "going" if figure.status == "begun" else ended),
        put(pet_nearest(figure.start.p50), 7, ended, right=True),
        put(pet_up(figure.finish.p50), 7, ended, right=True),
    ]
    if width >= 84:
        known = figure.finish.p10 is not None and figure.finish.p90 is not None
        span = within_words(figure.finish, " and ") if known else ""
        spans.append(put(span, 16, "dim", right=True))
    spans += [put(pet_nearest(planned), 8, "dim", right=True), put(change(late), 8, ended, right=True)]
    words, ink = _chance(scene, figure)
    return crop((*spans, put(words, 10, ink, right=True)), width)


def _stands(figure: TaskFigure) -> str:
    """Return how a task stands; what was given up, by a person or by a recall, in words of its own."""
    if figure.status == "left":
        return "not done" if figure.start.p50 is None else HALF_DONE
    return "given up" if figure.status == "dropped" else figure.status


def _planned(scene: LeadScene, task: str) -> float | None:
    """Return the planned finish of a task's last step."""
    steps = (s.step.id for s in scene.progress.steps.values() if s.step.task == task)
    return max((scene.progress.planned[s][1] for s in steps if s in scene.progress.planned), default=None)


def _chance(scene: LeadScene, figure: TaskFigure) -> tuple[str, Ink]:
    """Return the chance of a task in words; closeout has that of the elapsed limit."""
    if figure.status in ("done", "dropped", "left"):
        return ("-", "dim")
    estimate = scene.estimate
    assert estimate is not None
    if scene.progress.tasks[figure.task].task.closeout:
        elapsed = next((limit for limit in estimate.limits if limit.id == "elapsed"), None)
        return ("-", "dim") if elapsed is None else _inked(1.0 - elapsed.chance)
    if figure.task in scene.chances:
        return _inked(scene.chances[figure.task])
    advised = next((f for f in estimate.optional if f.task == figure.task), None)
    if advised is not None and figure.task not in estimate.advice.kept:
        return (verdict_words(advised), "dim")
    return ("...", "dim")


def _inked(share: float) -> tuple[str, Ink]:
    return (percent(share), "late" if share < 0.5 else "")


LONG_S = 1200.0
"""Without a word for so long a crew member's row says so."""


def word(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return the age of the last tick and event, then per crew member what they do and their last word."""
    head = heading("how fresh", width, "ages as H:MM:SS")
    rows = [_event(scene, "last tick", last_tick(scene))]
    rows += [_member(scene, member.id, width) for member in scene.progress.plan.crew]
    rows.append(_event(scene, "journal", last_event(scene)))
    rows.append(_readings(scene))
    lines = [line for row in rows for line in (folded(row, width, 22) if scene.whole else [row])]
    return region(head, lines, width, height, scene.key("whole"))


def last_tick(scene: LeadScene) -> Recorded | None:
    """Return the latest tick in force."""
    return next((event for event in reversed(scene.progress.events) if event.kind in TICKS), None)


def last_event(scene: LeadScene) -> Recorded | None:
    """Return the event that was recorded last."""
    recorded = scene.progress.fold.recorded
    return recorded[-1] if recorded else None


def age(scene: LeadScene, at: float) -> str:
    """Return how long ago something was."""
    return pet_s(max(0.0, scene.now - at))


def _event(scene: LeadScene, name: str, event: Recorded | None) -> Line:
    head = put(f" {name}", 11, "dim")
    if event is None:
        return (head, put("-", 9, "dim", right=True), say("  nothing yet", "dim"))
    words = event_words(scene.progress, event.kind, event.body)
    ago = age(scene, event.at) if scene.started else "-"
    return (head, put(ago, 9, right=True), Span("  "), say(f"{event.number} {words}"))


def _member(scene: LeadScene, crew: str, width: int) -> Line:
    """Return one crew member: the age of their last word, where they stand, and what it was."""
    progress = scene.progress
    heard = progress.last_heard.get(crew)
    old = heard is not None and scene.now - heard > LONG_S and progress.closed is None
    ink: Ink = "late" if old else ""
    since = "-" if heard is None or not scene.started else age(scene, heard)
    name = say(f" {crew} ", "strong") if scene.whole and len(crew) > 10 else put(f" {crew}", 11, "strong")
    spans = [name, put(since, 9, ink, right=True), Span("  ")]
    if crew in progress.silent:
        spans.append(say(f"silent since {pet(progress.silent[crew])}  ", "alarm"))
    doing, ends = _doing(scene, crew)
    said = next((e for e in reversed(progress.events) if crew in crew_of(progress, e.body)), None)
    last = "" if said is None else f"   last: {event_words(progress, said.kind, said.body)}"
    if scene.whole:
        return (*spans, say(f"{doing}{ends}"), say(last, "dim"))
    # Words give way before figures: the last word first, then what is done.
    room = width - width_of(spans)
    if cell_len(doing + ends) + _LAST_LEAST <= room:
        return (*spans, say(f"{doing}{ends}"), *crop((say(last, "dim"),), room - cell_len(doing + ends)))
    return (*spans, *crop((say(doing),), max(0, min(cell_len(doing), room - cell_len(ends)))), say(ends))


_LAST_LEAST = 30
"""Columns from which on the last word says something."""


def _doing(scene: LeadScene, crew: str) -> tuple[str, str]:
    """Return what somebody does, and the figure at its end."""
    progress = scene.progress
    if crew in progress.entered:
        return f"inside since {pet(progress.entered[crew])}", ""
    step = progress.current.get(crew)
    if step is None:
        return "idle", ""
    stand = stand_of(progress, step, scene.now, scene.snapshot.ends)
    state = progress.steps[step]
    if stand.word == "now":
        return f"now {state.step.do}", f"  {took(state, scene.now)}"
    hold = next((progress.holds[c] for c in state.crew if c in progress.holds), None)
    until = f", until {pet(hold.until)}" if stand.word == "held" and hold and hold.until is not None else ""
    parted = ", " if stand.word in ("held", "go?") else " "
    why = f"{stand.word}{parted}{stand.why}{until}: " if stand.why else f"{stand.word} "
    return f"{why}{state.step.do}", ""


def _readings(scene: LeadScene) -> Line:
    """Return the age of the oldest of the last readings, account by account."""
    estimate = scene.estimate
    figures = estimate.consumables if estimate is not None else ()
    never = [f for f in figures if f.read_at is None]
    read = [f for f in figures if f.read_at is not None]
    head = put(" readings", 11, "dim")
    if not read:
        none = "being worked out" if estimate is None else "none yet" if figures else "no consumables"
        return (head, put("-", 9, "dim", right=True), say(f"  {none}", "dim"))
    oldest = min(read, key=lambda f: f.read_at or 0.0)
    words = f"oldest: {limit_words(f'{oldest.crew}.{oldest.consumable}')}"
    words += f"; never read: {len(never)}" if never else ""
    return (head, put(age(scene, oldest.read_at or 0.0), 9, right=True), Span("  "), say(words))
