"""What each crew member does now, for how long against how long, what comes next, who waits for what."""

from __future__ import annotations

from rich.cells import cell_len

from tracker.console.view.scene import LARGE, Mark, Scene
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say, tall, width_of
from tracker.console.view.words import (
    StepStanding,
    expected_s,
    late,
    later,
    minutes_seconds,
    pet,
    stand_of,
    took,
)
from tracker.foundation.shown import pet_nearest
from tracker.foundation.text import plain

_NAME, _MARK, _WORD, _COUNT, _TIME = 9, 10, 5, 9, 18
_NEXT_FROM = 96
"""Columns from which on what comes next has room on the same row."""
_NEXT_LEAST = 22
"""Cells of what comes next beside which its begin has room."""


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
        put(_what(scene, step, stand, room), room, "strong" if stand.word == "now" else ""),
        *end,
    )
    # What is waited for takes the row; then the step itself is what comes next.
    said = step is None or scene.progress.steps[step].step.do in _what(scene, step, stand, room)
    about = step if said else None
    second = (
        put("", 1),
        _mark(scene, crew, _NAME),
        Span(" "),
        *_next(scene, crew, about, width - _NAME - 3),
        Span(" "),
    )
    return [crop(first, width), crop(second, width)]


def _one_row(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    end = _end(scene, crew, step, stand)
    widest = max(width_of(_end(scene, m.id, *_stand(scene, m.id)[::-1])) for m in scene.progress.plan.crew)
    rest = width - _NAME - _WORD - widest
    # What is to be decided is said whole: what comes next hangs on it.
    whole = width < _NEXT_FROM or (stand.word == "idle" and stand.why)
    following = 0 if whole else rest // 2
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
            *_next(scene, crew, step, following - (_MARK if said else 0)),
        ),
        width,
    )


def _end(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Line:
    """Return the count, where there is one, and the time, with a blank at either end."""
    counted = _count(scene, step)
    return (
        Span(" "),
        say(counted),
        Span("  " if counted else ""),
        _time(scene, crew, step, stand),
        Span(" "),
    )


def _wide(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    following = 86 if width >= 190 else 60
    time = _time(scene, crew, step, stand)
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
            put(time.text, _TIME, time.ink, right=True),
            Span("   "),
            *_next(scene, crew, step, following),
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
    inks: dict[str, Ink] = {"disk": "going", "saving": "late", "kept": "late", "unsaved": "hollow"}
    return inks[mark.state]


def _stand(scene: Scene, crew: str) -> tuple[StepStanding, str | None]:
    """Return where a crew member stands as the forecast has it, and the step that the line is about."""
    progress = scene.progress
    step = progress.current.get(crew)
    if crew in progress.entered:
        return (StepStanding("in", f"inside since {pet(progress.entered[crew])}", "dim"), None)
    if crew in progress.holds:
        hold = progress.holds[crew]
        until = f", until {pet(hold.until)}" if hold.until is not None else ""
        return (StepStanding("held", f"{hold.text or 'no reason given'}{until}"), step)
    if words := undecided(scene, crew):
        return (StepStanding("idle", words), None)
    if step is not None:
        return (stand_of(progress, step, scene.now), step)
    coming = next(iter(scene.snapshot.ahead.get(crew, ())), None)
    return (StepStanding("next"), coming) if coming else (StepStanding("idle", ink="dim"), None)


def undecided(scene: Scene, crew: str) -> str:
    """Return what is to be decided where only work that the advice leaves out is next; else nothing."""
    progress, snapshot = scene.progress, scene.snapshot
    step = progress.current.get(crew) or next(iter(progress.order.get(crew, ())), None)
    task = progress.steps[step].step.task if step is not None else None
    if task not in snapshot.passed_over:
        return ""
    letter = snapshot.letters[task]
    keep, drop = scene.key("keep"), scene.key("drop")
    return f"decide {letter} {task}: {keep} {letter} keeps, {drop} {letter} drops"


def _what(scene: Scene, step: str | None, stand: StepStanding, room: int = 0) -> str:
    """Return what the crew member does; what they wait for comes first, as it is the answer wanted."""
    if step is None:
        return stand.why
    state = scene.progress.steps[step]
    silent = [c for c in state.crew if c in scene.progress.silent]
    begin = "" if not silent else "silent, " if len(state.crew) == 1 else f"{' '.join(silent)} silent, "
    if stand.word not in ("wait", "go?", "held") or not stand.why:
        return begin + state.step.do
    about = _about(scene, step, stand)
    forms = [f"{stand.why}{about}: {state.step.do}", stand.why + about, stand.why]
    fits = (form for form in forms if room <= 0 or cell_len(plain(begin + form)) <= room)
    return begin + next(fits, stand.why)


def _about(scene: Scene, step: str, stand: StepStanding) -> str:
    """Return about when what is waited for ends, where the plan does not say it."""
    about = scene.snapshot.course.get(step, (None, None))[0]
    if stand.word != "wait" or about is None or about <= scene.now or not stand.why.startswith("for "):
        return ""
    return "" if ", from " in stand.why else f", about {pet_nearest(about)}"


def _count(scene: Scene, step: str | None) -> str:
    state = scene.progress.steps[step] if step else None
    return f"{state.counted} of {state.step.count}" if state and state.step.count > 1 else ""


def _time(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Span:
    """Return the running time of what it takes, or since when they wait or are held."""
    progress = scene.progress
    if stand.word == "held" and crew in progress.holds:
        return say(f"since {pet(progress.holds[crew].since)}")
    if step is None:
        return Span("")
    state = progress.steps[step]
    if stand.word in ("wait", "go?"):
        return say(f"since {pet(progress.free_since.get(crew, 0.0))}")
    if stand.word in ("next", "then"):
        return say(f"{minutes_seconds(expected_s(state))} min", "dim")
    return say(took(state, scene.now), "strong" if state.elapsed_s(scene.now) > expected_s(state) else "")


def _following(scene: Scene, crew: str, about: str | None) -> str | None:
    """Return the step that comes after the one that the line is about."""
    return next((s for s in scene.snapshot.ahead.get(crew, ()) if s != about), None)


def _next(scene: Scene, crew: str, about: str | None, room: int) -> tuple[Span, ...]:
    """Return what comes next, with its projected begin where there is room."""
    progress = scene.progress
    step = _following(scene, crew, about)
    if step is None or crew in progress.entered:
        return (put("", room),)
    owners = progress.steps[step].crew
    others = tuple(c for c in owners if c != crew)
    everybody = len(others) > 1 and set(owners) == set(progress.plan.outside)
    joint = " with all" if everybody else f" with {' '.join(others)}" if others else ""
    what = f"{progress.steps[step].step.do}{joint}"
    begins = _begins(scene, step)
    tail = next((words for words in begins if room >= _NEXT_LEAST + len(words)), "")
    return (
        put("next", _WORD, "dim"),
        put(what, max(0, room - _WORD - len(tail) - 1), "dim"),
        say(" " if room > _WORD else ""),
        say(tail, "dim"),
    )


def _begins(scene: Scene, step: str) -> tuple[str, ...]:
    """Return when a step begins, and how late that is, from the longest way to say it to the shortest."""
    start = scene.snapshot.course.get(step, (None, None))[0]
    planned = scene.progress.planned.get(step, (None, None))[0]
    if start is None:
        return ("",)
    words = f"begins {pet_nearest(start)}"
    delay = late(later(start, planned)) if scene.started and not scene.progress.recall else ""
    return (f"{words}, {delay}" if delay else words, words, f"at {pet_nearest(start)}")
