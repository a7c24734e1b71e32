"""What each crew member does now, for how long against how long, what comes next, who waits for what."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import takewhile

from rich.cells import cell_len

from tracker.console.view.scene import LARGE, SMALL, Mark, Scene
from tracker.console.view.styled_text import Ink, Line, Span, crop, put, say, tall, under, width_of
from tracker.console.view.words import (
    StepStanding,
    late,
    later,
    pet,
    stand_of,
    took,
)
from tracker.foundation.shown import MINUTE_S, minutes_seconds, nearest, pet_nearest
from tracker.foundation.text import count, plain
from tracker.journal.whereabouts import leads_home, place_of, place_words

_NAME, _MARK, _WORD, _COUNT, _TIME = 9, 10, 5, 9, 18
ASKS = "done? "
"""Before the running time of a step whose tick may be missing."""
_NEXT_FROM = 96
"""Columns from which on what comes next has room on the same row."""
_AT_LEAST = 30
"""Cells that the words of a row keep where somebody's place stands beside them."""
_NEXT_LEAST = 22
"""Cells of what comes next beside which its begin has room."""


def crew_lines(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the rows of every crew member, in plan order; the digit that ticks stands first."""
    groups = _groups(scene, width, height)
    lines = [line for _, own in groups for line in own]
    left = len(scene.progress.plan.crew) - len(groups)
    hidden = crew_rows(scene, width, double=False) - len(lines)
    if left or hidden > 0:
        words = f" ~ {left} more of the crew: {scene.key('crew')} goes on"
        words = words if left else f" ~ {count(hidden, 'more row')} to heed: {scene.key('brief')} has them"
        lines = [*lines[: height - 1], crop((say(words, "dim"),), width)]
    return tall(lines, width, height)


def member_at(scene: Scene, width: int, height: int, row: int) -> int | None:
    """Return the number of the crew member who is written on a row, from 1."""
    places = [n + 1 for n, own in _groups(scene, width, height) for _ in own]
    return places[row] if row < len(places) else None


def crew_rows(scene: Scene, width: int, *, double: bool, ahead: bool = False) -> int:
    """Return how many rows the crew wants: two for each where there is room, and all that is to be heeded."""
    rows = sum(len(now) + (len(following) if ahead else 0) for now, following in _heeds(scene, width, double))
    return rows + len(scene.progress.plan.crew) * (1 + double)


def _groups(scene: Scene, width: int, height: int) -> list[tuple[int, list[Line]]]:
    """Return the rows of crew members by their places: as much of each as there is room for in all.

    Where there is none for everybody the chosen one is among those shown.
    """
    everybody = range(len(scene.progress.plan.crew))
    for double, ahead in _FORMS[width >= LARGE :]:
        if crew_rows(scene, width, double=double, ahead=ahead) <= height:
            return _rows(scene, width, everybody, double=double, ahead=ahead)
    groups = _rows(scene, width, everybody, double=False, ahead=False)
    if len(groups) <= height:
        return _squeezed(groups, height)
    ids = [member.id for member in scene.progress.plan.crew]
    last = ids.index(scene.chosen) if scene.chosen in ids else 0
    return _about_one(groups, last, max(1, height - 1))


_FORMS = ((True, True), (True, False), (False, True))
"""Two rows each or one, with what is to be heeded next or not; the fullest first. Wide rows are never two."""


def _squeezed(groups: list[tuple[int, list[Line]]], height: int) -> list[tuple[int, list[Line]]]:
    """Return everybody's row with what is to be heeded as far as there is room, and a row to say so."""
    spare = height - len(groups)
    if sum(len(own) - 1 for _, own in groups) > spare:
        spare -= 1
    found = []
    for n, own in groups:
        found.append((n, own[: 1 + max(0, spare)]))
        spare -= len(own) - 1
    return found


def _about_one(groups: list[tuple[int, list[Line]]], one: int, room: int) -> list[tuple[int, list[Line]]]:
    """Return as many groups as there is room for, from the first on, or ending with `one`."""
    sizes = [len(own) for _, own in groups]
    first = 0
    while first < one and sum(sizes[first : one + 1]) > room:
        first += 1
    end = first + 1
    while end < len(groups) and sum(sizes[first : end + 1]) <= room:
        end += 1
    return groups[first:end]


def _rows(
    scene: Scene, width: int, places: Iterable[int], *, double: bool, ahead: bool
) -> list[tuple[int, list[Line]]]:
    heeds, members = _heeds(scene, width, double), scene.progress.plan.crew
    found = []
    for n in places:
        if double:
            own = _two_rows(scene, n + 1, members[n].id, width)
        else:
            own = [(_wide if width >= LARGE else _one_row)(scene, n + 1, members[n].id, width)]
        now, following = heeds[n]
        found.append((n, [own[0], *now, *own[1:], *(following if ahead else ())]))
    return found


def _heeds(scene: Scene, width: int, double: bool) -> list[tuple[list[Line], list[Line]]]:
    """Return what each crew member heeds now, and next; a joint step's stands with the first of them."""
    indent = _NAME + _WORD + (2 if double else _MARK if width >= LARGE else 0)
    at_hand = [_now_and_next(scene, member.id) for member in scene.progress.plan.crew]
    seen: set[str | None] = set()
    found: list[tuple[list[Line], list[Line]]] = [([], []) for _ in at_hand]
    for which in (0, 1):
        for n, steps in enumerate(at_hand):
            ink: Ink = "dim" if which else "strong"
            begin = "next: " if which and not (double and steps[0]) else ""
            heed = _heed(scene, steps[which]) if steps[which] not in seen else ()
            found[n][which].extend(
                line for words in heed for line in under(begin + words, width, ink, indent)
            )
            seen.add(steps[which])
    return found


def _now_and_next(scene: Scene, crew: str) -> tuple[str | None, str | None]:
    """Return the step that a crew member is at or waits for, and the one that comes after it."""
    stand, step = _stand(scene, crew)
    return (None, step) if stand.word == "next" else (step, _following(scene, crew, step))


def _heed(scene: Scene, step: str | None) -> tuple[str, ...]:
    return () if step is None else scene.progress.steps[step].step.heed


def _two_rows(scene: Scene, number: int, crew: str, width: int) -> list[Line]:
    stand, step = _stand(scene, crew)
    end = _end(scene, crew, step, stand)
    room = width - _NAME - 2 - _WORD - width_of(end)
    if place := _place(scene, crew, width, room):
        end, room = (*place, *end), room - width_of(place)
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
    if width - _NAME - _WORD - widest < _AT_LEAST:
        widest = width_of(end)  # Ends stand below one another where they all have room.
    rest = width - _NAME - _WORD - widest
    # What is to be decided is said whole: what comes next hangs on it.
    whole = width < _NEXT_FROM or (stand.word == "idle" and stand.why)
    following = 0 if whole else rest // 2
    mark = scene.marks.get(crew)
    said = (put(mark.text, _MARK, _mark_ink(mark)),) if mark is not None else ()
    room = rest - following
    place = () if whole else _place(scene, crew, width, _AT_LEAST + following, behind=" ")
    following -= width_of(place)
    return crop(
        (
            *_name(scene, number, crew, _NAME),
            put(stand.word, _WORD, stand.ink),
            put(_what(scene, step, stand, room), room, "strong" if stand.word == "now" else ""),
            put("", widest - width_of(end)),
            *end,
            *said,
            *place,
            *_next(scene, crew, step, following - (_MARK if said else 0)),
        ),
        width,
    )


def _end(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Line:
    """Return the count, where there is one, and the time, parted from what stands before and after it."""
    counted = _count(scene, step)
    return (
        Span("  "),
        say(counted),
        Span("  " if counted else ""),
        _time(scene, crew, step, stand),
        Span(" "),
    )


def _place(scene: Scene, crew: str, width: int, room: int, behind: str = "   ") -> Line:
    """Return where somebody is and how far home, parted from what stands beside it, where there is room."""
    told = width >= SMALL and scene.started and not _goes_home(scene, crew)
    place = place_of(scene.progress, crew, scene.now) if told else None
    # What stands behind it is a time, and no time of that.
    words = f" {place_words(place)}{behind}" if place is not None else ""
    return (say(words, "dim"),) if words and room - cell_len(words) >= _AT_LEAST else ()


def _goes_home(scene: Scene, crew: str) -> bool:
    """Return whether somebody is on the way to the lock, and so no longer where they were last."""
    state = scene.progress.steps.get(scene.progress.current.get(crew) or "")
    if state is None or state.running_since is None or state.running_since > scene.now:
        return False
    return leads_home(scene.progress, state.step)


def _wide(scene: Scene, number: int, crew: str, width: int) -> Line:
    stand, step = _stand(scene, crew)
    following = 86 if width >= 190 else 60
    following -= 16 if following == 60 and _place(scene, crew, width, width) else 0
    time, cells = _time(scene, crew, step, stand), _TIME
    if scene.estimate is not None and scene.estimate.unheard:
        cells += len(ASKS)
    room = width - _NAME - _MARK - _WORD - _COUNT - cells - following - 7
    place = _place(scene, crew, width, room)
    return crop(
        (
            *_name(scene, number, crew, _NAME),
            _mark(scene, crew, _MARK),
            put(stand.word, _WORD, stand.ink),
            put(_what(scene, step, stand), room - width_of(place), "strong" if stand.word == "now" else ""),
            *place,
            Span(" "),
            put(_count(scene, step), _COUNT, right=True),
            Span("  "),
            put(time.text, cells, time.ink, right=True),
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
        return (stand_of(progress, step, scene.now, scene.snapshot.ends), step)
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
    # Words give way before the instant: what is waited for, then whom.
    brief = [stand.why.partition(" to ")[0] + about, about.removeprefix(", ")] if about else []
    forms = [f"{stand.why}{about}: {state.step.do}", stand.why + about, *brief, stand.why]
    fits = (form for form in forms if room <= 0 or cell_len(plain(begin + form)) <= room)
    return begin + next(fits, stand.why)


def _about(scene: Scene, step: str, stand: StepStanding) -> str:
    """Return about when what is waited for ends, where the plan does not say it."""
    about = stand.until or scene.snapshot.course.get(step, (None, None))[0]
    if stand.word != "wait" or about is None or about <= scene.now or not stand.why.startswith("for "):
        return ""
    return "" if ", from " in stand.why else f", about {pet_nearest(about)}"


def _count(scene: Scene, step: str | None) -> str:
    state = scene.progress.steps[step] if step else None
    return f"{state.counted} of {state.step.count}" if state and state.step.count > 1 else ""


def _time(scene: Scene, crew: str, step: str | None, stand: StepStanding) -> Span:
    """Return the running time of what it takes, or since when they wait or are held.

    A time so long that a tick may be missing asks whether it is done, at every size.
    """
    progress = scene.progress
    if stand.word == "held" and crew in progress.holds:
        return say(f"since {pet(progress.holds[crew].since)}")
    if step is None:
        return Span("")
    state = progress.steps[step]
    if stand.word in ("wait", "go?"):
        # A hold in between is no new wait: they stand at this step since then.
        past = reversed(progress.spent.get(crew, ()))
        stood = [one.start for one in takewhile(lambda one: one.step == step and one.kind != "work", past)]
        return say(f"since {pet(min(stood, default=progress.free_since.get(crew, 0.0)))}")
    if stand.word in ("next", "then"):
        return say(f"{minutes_seconds(state.expected_s)} min", "dim")
    if scene.estimate is not None and any(one.step == step for one in scene.estimate.unheard):
        return say(f"{ASKS}{took(state, scene.now)}", "late")
    return say(took(state, scene.now), "strong" if state.elapsed_s(scene.now) > state.expected_s else "")


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
        put(what, max(0, room - _WORD - len(tail) - 2), "dim"),
        say("  " if room > _WORD + 1 else " " if room > _WORD else ""),
        say(tail, "dim"),
    )


def _begins(scene: Scene, step: str) -> tuple[str, ...]:
    """Return when a step begins, and how late that is, from the longest way to say it to the shortest."""
    start = scene.snapshot.course.get(step, (None, None))[0]
    planned = scene.progress.planned.get(step, (None, None))[0]
    if start is None:
        return ("",)
    if scene.started and (nearest(start) or 0.0) < scene.now - MINUTE_S:
        return ("",)  # Of who is held nobody knows an end, and what has passed is no begin to come.
    words = f"begins {pet_nearest(start)}"
    told = scene.started and not scene.progress.recall and _could_be_late(scene)
    delay = late(later(start, planned)) if told else ""
    return (f"{words}, {delay}" if delay else words, words, f"at {pet_nearest(start)}")


def _could_be_late(scene: Scene) -> bool:
    """Return whether anything ended, or was to end by now: before that nobody is early or late."""
    ends = (end for _, end in scene.progress.planned.values())
    ended = any(state.ended is not None for state in scene.progress.steps.values())
    return ended or min(ends, default=scene.now) <= scene.now
