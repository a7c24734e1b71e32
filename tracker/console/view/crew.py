"""What each crew member does now, for how long against how long, what comes next, who waits for what."""

from __future__ import annotations

from tracker.console.view.ink import Ink, Line, Span, blank, crop, put, say
from tracker.console.view.scene import LARGE, Mark, Scene
from tracker.console.view.words import Stand, difference, following_step, pet, stand_of, took
from tracker.foundation.times import format_exact, format_pet

_NAME, _MARK, _WORD, _COUNT, _TIME = 9, 10, 5, 9, 17


def crew_rows(scene: Scene, width: int, height: int) -> int:
    """Return how many rows the crew takes: two a member where there is room, else one."""
    members = len(scene.progress.plan.crew)
    roomy = 2 * members <= height - 18
    return members * (1 if width >= LARGE or not roomy else 2)


def crew_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the rows of every crew member, in plan order; the digit that ticks stands first."""
    members = scene.progress.plan.crew
    lines: list[Line] = []
    for number, member in enumerate(members, start=1):
        if width >= LARGE:
            lines.append(_wide(scene, number, member.id, width))
        elif height >= 2 * len(members):
            lines += _two_rows(scene, number, member.id, width)
        else:
            lines.append(_one_row(scene, number, member.id, width))
    return (lines + [blank(width)] * height)[:height]


def _two_rows(scene: Scene, number: int, crew: str, width: int) -> list[Line]:
    stand, step = _stand(scene, crew)
    room = width - _NAME - _WORD - _COUNT - _TIME - 5
    first = (
        *_name(number, crew, _NAME + 2),
        put(stand.word, _WORD, stand.ink),
        put(_what(scene, step, stand), room, "strong" if stand.word == "now" else ""),
        Span(" "),
        put(_count(scene, step), _COUNT, right=True),
        Span(" "),
        _time(scene, crew, step, stand),
        Span(" "),
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
    following = (width - _NAME - _WORD - _COUNT - _TIME - 3) // 2
    room = width - _NAME - _WORD - _COUNT - _TIME - 3 - following
    mark = scene.marks.get(crew)
    beside = put(stand.word, _WORD, stand.ink) if mark is None else put(mark.state, _WORD, _mark_ink(mark))
    return crop(
        (
            *_name(number, crew, _NAME),
            beside,
            put(_what(scene, step, stand), room),
            Span(" "),
            put(_count(scene, step), _COUNT, right=True),
            Span(" "),
            _time(scene, crew, step, stand),
            Span(" "),
            *_next(scene, crew, following),
        ),
        width,
    )


def _wide(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    following = 64 if width >= 190 else 44
    room = width - _NAME - _MARK - _WORD - _COUNT - _TIME - following - 7
    return crop(
        (
            *_name(number, crew, _NAME),
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


def _name(number: int, crew: str, width: int) -> tuple[Span, ...]:
    return (
        Span(" "),
        put(number if number < 10 else "", 2, "key"),
        put(crew, width - 4, "strong"),
        Span(" "),
    )


def _mark(scene: Scene, crew: str, width: int) -> Span:
    mark = scene.marks.get(crew)
    if mark is None:
        return put("", width)
    return put(mark.text, width, _mark_ink(mark))


def _mark_ink(mark: Mark) -> Ink:
    inks: dict[str, Ink] = {"disk": "going", "saving": "late", "unsaved": "hollow"}
    return inks[mark.state]


def _stand(scene: Scene, crew: str) -> tuple[Stand, str | None]:
    """Return where a crew member stands, and the step that the line is about."""
    progress = scene.progress
    step = progress.current.get(crew)
    if crew in progress.entered:
        return (Stand("done", f"inside since {pet(progress.entered[crew])}", "dim"), None)
    if crew in progress.holds:
        hold = progress.holds[crew]
        return (Stand("held", hold.text or "no reason given", "late"), step)
    if step is None:
        coming = next(iter(progress.order.get(crew, ())), None)
        if coming is None:
            return (Stand("done", "no step is left", "dim"), None)
        return (Stand("next"), coming)
    return (stand_of(progress, step, scene.now), step)


def _why(stand: Stand) -> str:
    return stand.why if stand.word in ("wait", "go?", "held") else ""


def _what(scene: Scene, step: str | None, stand: Stand) -> str:
    """Return what the crew member does; what it waits for comes first, as it is the answer wanted."""
    if step is None:
        return stand.why
    do = scene.progress.steps[step].step.do
    why = _why(stand)
    silent = [c for c in scene.progress.steps[step].crew if c in scene.progress.silent]
    tail = f"   silent: {' '.join(silent)}" if silent else ""
    return f"{why}{tail}: {do}" if why else do + tail


def _count(scene: Scene, step: str | None) -> str:
    state = scene.progress.steps[step] if step else None
    return f"{state.counted} of {state.step.count}" if state and state.step.count > 1 else ""


def _time(scene: Scene, crew: str, step: str | None, stand: Stand) -> Span:
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
    what = progress.steps[step].step.do + joint
    if room < 40:
        return (put("next", _WORD, "dim"), put(what, max(0, room - _WORD), "dim"))
    start = scene.picture.course.get(step, (None, None))[0]
    planned = progress.planned.get(step, (None, None))[0]
    late = start - planned if start is not None and planned is not None else None
    left_out = progress.steps[step].step.task in scene.picture.passed_over
    tail = "left out" if left_out else f"{pet(start)} {difference(late) if scene.started else '':>5}"
    return (
        put("next", _WORD, "dim"),
        put(what, room - _WORD - 12, "dim"),
        say(" "),
        put(tail, 11, "dim", right=True),
    )
