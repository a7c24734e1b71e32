"""Every task: how it stands, when it is projected to be done against the plan, and its chance.

Every limit: its chance, when it is reached, what is to spare, and where that is going.
"""

from __future__ import annotations

from tracker.console.view.grid import heading, is_cut, region, remark, said_in, under
from tracker.console.view.scene import TREND_S, LeadScene
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say
from tracker.forecast.values import Estimate, LimitFigure, TaskFigure
from tracker.forecast.wording import limit_words, need_of
from tracker.foundation.shown import change, duration, pet_down, pet_nearest, pet_up, spare_words
from tracker.foundation.text import percent

STEADY_S = 300.0
"""A margin that changed by less is called steady."""
NEAR_S = 600.0
"""How far from half an hour ago an estimate may lie to be told a trend from."""


def limits(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return one row per limit, the binding one first."""
    head = heading("limits", width, "the binding one first; to spare: from INSIDE of whom it binds", "")
    estimate = scene.estimate
    if estimate is None:
        return region(head, [remark("being worked out", width)], width, height)
    lines = [_limit_titles(width)]
    for figure in sorted(estimate.limits, key=LimitFigure.tightness):
        row = _limit_row(scene, estimate, figure, width)
        lines.append(row)
        if scene.whole and is_cut(row):
            lines += under(limit_words(figure.id), width)
    return region(head, lines, width, height, scene.key("whole"), "limit")


_FIGURES, _NINE, _BEFORE, _TREND = 30, 14, 14, 17


def _columns(width: int) -> tuple[int, bool, bool]:
    """Return the room of the name, and whether nine in ten and how it was before have columns."""
    nine, before = width >= 72, width >= 88
    return (width - _FIGURES - _TREND - _NINE * nine - _BEFORE * before, nine, before)


def _limit_titles(width: int) -> Line:
    name, nine, before = _columns(width)
    spans = [
        put(" limit", name, "dim"),
        put("chance", 8, "dim", right=True),
        put("reached", 9, "dim", right=True),
        put("to spare", 13, "dim", right=True),
    ]
    if nine:
        spans.append(put("9 in 10", _NINE, "dim", right=True))
    if before:
        spans.append(put(f"{duration(TREND_S)} ago", _BEFORE, "dim", right=True))
    return crop((*spans, put("  trend", _TREND, "dim")), width)


def _limit_row(scene: LeadScene, estimate: Estimate, figure: LimitFigure, width: int) -> Line:
    name, nine, before = _columns(width)
    binds = estimate.binding is not None and figure.id == estimate.binding.id
    over: Ink = "late" if (figure.to_spare or 0) < 0 or figure.chance > 0.5 else ""
    spans = [
        put(f" {limit_words(figure.id)}", name, "strong" if binds else ""),
        put(percent(1 - figure.chance, need_of(estimate)[2]), 8, over, right=True),
        put("-" if figure.reached is None else pet_down(figure.reached.p50), 9, over, right=True),
        put(_spare(figure.to_spare), 13, over, right=True),
    ]
    if nine:
        spans.append(put(_spare(figure.margin.p90), _NINE, over, right=True))
    was = _before(scene, figure.id)
    if before:
        spans.append(put(_spare(was), _BEFORE, "dim", right=True))
    return crop((*spans, say(f"  {trend(was, figure.margin.p50)}")), width)


def _spare(seconds: float | None) -> str:
    """Return what is to spare under its head: `67 min`, `38 min SHORT`; a dash for none."""
    return spare_words(seconds).removesuffix(" to spare")


def _before(scene: LeadScene, limit: str) -> float | None:
    """Return what was to spare half an hour ago, in the middle of the courses."""
    estimate = scene.estimate
    assert estimate is not None
    point = scene.point_at(estimate.at - TREND_S, NEAR_S)
    return point.margins.get(limit) if point is not None and point.at < estimate.at else None


def trend(before: float | None, now: float | None) -> str:
    """Return where what is to spare goes: `shrinks 8 min`, `grows 4 min`, `steady`; nothing where unknown."""
    if before is None or now is None:
        return ""
    change = now - before
    if abs(change) < STEADY_S:
        return "steady"
    return f"{'grows' if change > 0 else 'shrinks'} {duration(change)}"


def tasks(scene: LeadScene, width: int, height: int) -> list[Line]:
    """Return one row per task, those at work first, then what is ahead, then what has ended."""
    estimate = scene.estimate
    back = estimate.turn_back.latest if estimate is not None else None
    short = f"chance: done by {pet_down(back)}" if back is not None else ""
    beside = (
        f"chance: done before they must turn for home at {pet_down(back)}; closeout: inside in time"
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
    return width - 59 - (16 if width >= 84 else 0)


def _task_titles(width: int) -> Line:
    spans = [
        put(" task", _room(width), "dim"), put("priority", 10, "dim"), put("state", 8, "dim"),
        *(put(t, 7, "dim", right=True) for t in ("begins", "ends")),
    ]  # fmt: skip
    if width >= 84:
        spans.append(put("8 in 10 between", 16, "dim", right=True))
    spans += [put("planned", 8, "dim", right=True), put("late", 8, "dim", right=True)]
    return crop((*spans, put("chance", 10, "dim", right=True)), width)


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
        priority = "committed"
    spans = [
        put(name, room - 1, ended),
        Span(" "),
        put(priority, 10, "dim"),
        put(figure.status, 8, "going" if figure.status == "begun" else ended),
        put(pet_nearest(figure.start.p50), 7, ended, right=True),
        put(pet_up(figure.finish.p50), 7, ended, right=True),
    ]
    if width >= 84:
        low, high = figure.finish.p10, figure.finish.p90
        span = "" if low is None or high is None or low == high else f"{pet_up(low)} and {pet_up(high)}"
        spans.append(put(span, 16, "dim", right=True))
    spans += [put(pet_nearest(planned), 8, "dim", right=True), put(change(late), 8, ended, right=True)]
    words, ink = _chance(scene, figure)
    return crop((*spans, put(words, 10, ink, right=True)), width)


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
        return (advised.advice, "dim")
    return ("...", "dim")


def _inked(share: float) -> tuple[str, Ink]:
    return (percent(share), "late" if share < 0.5 else "")
