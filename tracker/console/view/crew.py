"""What each crew member does now, for how long against how long, what comes next, who waits for what."""

from __future__ import annotations

from tracker.console.view.scene import LARGE, Mark, Scene
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say, tall, width_of
from tracker.console.view.words import StepStanding, difference, following_step, pet, stand_of, took
from tracker.foundation.times import format_exact, format_pet

_NAME, _MARK, _WORD, _COUNT, _TIME = 9, 10, 5, 9, 18
_LEAST = 3
"""Rows that the crew keeps on the smallest screen."""


def crew_rows(scene: Scene, width: int, height: int, *, brief: bool = False) -> int:
    """Return how many rows the crew takes: two a member where there is room, else one, or what there is."""
    members = len(scene.progress.plan.crew)
    roomy = 2 * members <= height - 18 and not (brief and height < 36)
    rows = members * (1 if width >= LARGE or not roomy else 2)
    return min(rows, max(_LEAST, height - 14))


def crew_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the rows of every crew member, in plan order; the digit that ticks stands first."""
    members = [member.id for member in scene.progress.plan.crew]
    if width < LARGE and height >= 2 * len(members):
        rows = [row for n, crew in enumerate(members) for row in _two_rows(scene, n + 1, crew, width)]
        return tall(rows, width, height)
    one = _wide if width >= LARGE else _one_row
    shown = members_shown(scene, height)
    rows = [one(scene, n + 1, members[n], width) for n in shown]
    if len(shown) < len(members):
        words = f" ~ {len(members) - len(shown)} more of the crew: {scene.key('crew')} goes on"
        rows.append(crop((say(words, "dim"),), width))
    return tall(rows, width, height)


def members_shown(scene: Scene, height: int) -> range:
    """Return the places of the crew members who have a row; the chosen one is among them."""
    members = [member.id for member in scene.progress.plan.crew]
    if len(members) <= height:
        return range(len(members))
    room = max(1, height - 1)
    chosen = members.index(scene.chosen) if scene.chosen in members else 0
    first = max(0, min(chosen - room + 1, len(members) - room))
    return range(first, first + room)


def member_at(scene: Scene, width: int, height: int, row: int) -> int | None:
    """Return the number of the crew member who is written on a row, from 1."""
    members = len(scene.progress.plan.crew)
    if width < LARGE and height >= 2 * members:
        return row // 2 + 1 if row < 2 * members else None
    shown = members_shown(scene, height)
    return shown[row] + 1 if row < len(shown) else None


def _two_rows(scene: Scene, number: int, crew: str, width: int) -> list[Line]:
    stand, step = _stand(scene, crew)
    end = _end(scene, crew, step, stand)
    room = width - _NAME - 2 - _WORD - width_of(end)
    first = (
        *_name(scene, number, crew, _NAME + 2),
        put(stand.word, _WORD, stand.ink),
        put(_what(scene, step, stand), room, "strong" if stand.word == "now" else ""),
        *end,
    )
    second = (
        put("", 1),
        _mark(scene, crew, _NAME),
        Span(" "),
        *_next(scene, crew, width - _NAME - 3),
        Span(" "),
    )
    return [crop(first, width), crop(second, width)]


def _one_row(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    end = _end(scene, crew, step, stand)
    widest = max(width_of(_end(scene, m.id, *_stand(scene, m.id)[::-1])) for m in scene.progress.plan.crew)
    rest = width - _NAME - _WORD - widest
    following = rest // 2
    mark = scene.marks.get(crew)
    said = (put(mark.text, _MARK, _mark_ink(mark)),) if mark is not None else ()
    return crop(
        (
            *_name(scene, number, crew, _NAME),
            put(stand.word, _WORD, stand.ink),
            put(_what(scene, step, stand), rest - following, "strong" if stand.word == "now" else ""),
            put("", widest - width_of(end)),
            *end,
            *said,
            *_next(scene, crew, following - (_MARK if said else 0)),
        ),
        width,
    )


def _end(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Line:
    """Return the count, where there is one, and the time, with a blank at either end."""
    counted = _count(scene, step)
    time = _time(scene, crew, step, stand)
    return (
        Span(" "),
        say(counted),
        Span("  " if counted else ""),
        Span(time.text.lstrip(), time.ink),
        Span(" "),
    )


def _wide(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    following = 64 if width >= 190 else 44
    room = width - _NAME - _MARK - _WORD - _COUNT - _TIME - following - 7
    return crop(
        (
            *_name(scene, number, crew, _NAME),
            _mark(scene, crew, _MARK),
            put(stand.word, _WORD, stand.ink),
            put(_what(scene, step, stand), room, "strong" if stand.word == "now" else ""),
            Span(" "),
            put(_count(scene, step), _COUNT, right=True),
            Span("  "),
            _time(scene, crew, step, stand),
            Span("   "),
            *_next(scene, crew, following),
            Span(" "),
        ),
        width,
    )


def _name(scene: Scene, number: int, crew: str, width: int) -> tuple[Span, ...]:
    """Return the digit and the name; the chosen one is marked, also for a reader without colour."""
    digit = number if number < 10 else ""
    if scene.chosen == crew:
        return (put(">", 1, "chosen"), put(digit, 2, "chosen"), put(crew, width - 4, "chosen"), Span(" "))
    return (Span(" "), put(digit, 2, "key"), put(crew, width - 4, "strong"), Span(" "))


def _mark(scene: Scene, crew: str, width: int) -> Span:
    mark = scene.marks.get(crew)
    if mark is None:
        return put("", width)
    return put(mark.text, width, _mark_ink(mark))


def _mark_ink(mark: Mark) -> Ink:
    inks: dict[str, Ink] = {"disk": "going", "saving": "late", "unsaved": "hollow"}
    return inks[mark.state]


def _stand(scene: Scene, crew: str) -> tuple[StepStanding, str | None]:
    """Return where a crew member stands, and the step that the line is about."""
    progress = scene.progress
    step = progress.current.get(crew)
    if crew in progress.entered:
        return (StepStanding("done", f"inside since {pet(progress.entered[crew])}", "dim"), None)
    if crew in progress.holds:
        hold = progress.holds[crew]
        return (StepStanding("held", hold.text or "no reason given", "late"), step)
    if step is None:
        coming = next(iter(progress.order.get(crew, ())), None)
        if coming is None:
            return (StepStanding("done", "no step is left", "dim"), None)
        return (StepStanding("next"), coming)
    return (stand_of(progress, step, scene.now), step)


def _why(stand: StepStanding) -> str:
    return stand.why if stand.word in ("wait", "go?", "held") else ""


def _what(scene: Scene, step: str | None, stand: StepStanding) -> str:
    """Return what the crew member does; what it waits for comes first, as it is the answer wanted."""
    if step is None:
        return stand.why
    do = scene.progress.steps[step].step.do
    why = _why(stand)
    owners = scene.progress.steps[step].crew
    silent = [c for c in owners if c in scene.progress.silent]
    begin = "" if not silent else "silent, " if len(owners) == 1 else f"{' '.join(silent)} silent, "
    return f"{begin}{why}: {do}" if why else begin + do


def _count(scene: Scene, step: str | None) -> str:
    state = scene.progress.steps[step] if step else None
    return f"{state.counted} of {state.step.count}" if state and state.step.count > 1 else ""


def _time(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Span:
    """Return the running time against the planned time; for a hold how long it lasts."""
    if stand.word == "held" and crew in scene.progress.holds:
        hold = scene.progress.holds[crew]
        return put(
            f"{format_pet(max(0.0, scene.now - hold.since), with_seconds=True)} held",
            _TIME,
            "late",
            right=True,
        )
    if step is None:
        return put("", _TIME)
    state = scene.progress.steps[step]
    if stand.word in ("wait", "go?"):
        since = max(0, int(scene.now - scene.progress.free_since.get(crew, 0.0)))
        return put(f"{pet(since)} waiting", _TIME, "late", right=True)
    if stand.word == "next":
        return put(f"of {format_exact(state.step.time.likely)}", _TIME, "dim", right=True)
    over = state.elapsed_s(scene.now) > state.step.time.likely
    return put(took(state, scene.now), _TIME, "late" if over else "", right=True)


def _next(scene: Scene, crew: str, room: int) -> tuple[Span, ...]:
    """Return what comes next, with its projected begin where there is room."""
    progress = scene.progress
    step = following_step(progress, crew)
    if progress.current.get(crew) is None and step is not None:
        step = next((s for s in progress.order[crew] if s != next(iter(progress.order[crew]))), None)
    if step is None or crew in progress.entered:
        return (put("", room),)
    owners = progress.steps[step].crew
    joint = f" with {' '.join(c for c in owners if c != crew)}" if len(owners) > 1 else ""
    left_out = progress.steps[step].step.task in scene.snapshot.passed_over
    what = f"{'left out: ' if left_out else ''}{progress.steps[step].step.do}{joint}"
    if room < 40:
        return (put("next", _WORD, "dim"), put(what, max(0, room - _WORD), "dim"))
    start = scene.snapshot.course.get(step, (None, None))[0]
    planned = progress.planned.get(step, (None, None))[0]
    late = start - planned if start is not None and planned is not None else None
    counted_on = f"{pet(start)} {difference(late) if scene.started else '':>5}"
    tail = f"{scene.key('drop')} drops it" if left_out else counted_on
    return (
        put("next", _WORD, "dim"),
        put(what, room - _WORD - 12, "dim"),
        say(" "),
        put(tail, 11, "dim", right=True),
    )
