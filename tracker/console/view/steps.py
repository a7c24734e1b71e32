"""One list of what is done and what is ahead, by time: when it begins or ended, and how late that is.

The way home: what is to spare in large figures, and what who is on it still has to do.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from rich.cells import cell_len

from tracker.console.view.scene import Scene, Snapshot
from tracker.console.view.styled_text import (
    Form,
    Ink,
    Line,
    Span,
    blank,
    block,
    crop,
    fitted,
    heading,
    large,
    put,
    say,
    tall,
    text_lines,
    width_of,
)
from tracker.console.view.words import (
    StepStanding,
    called_words,
    clock_words,
    crew_words,
    later,
    pet,
    stand_of,
)
from tracker.forecast.due import left_running, over_words
from tracker.forecast.wording import (
    by_spare,
    left_words,
    limit_at,
    too_late_words,
)
from tracker.foundation.shown import change, duration, pet_down, pet_nearest, pet_up, spare_words
from tracker.foundation.text import ADVISORY, columns, count, plain
from tracker.journal.progress import Progress
from tracker.journal.whereabouts import out_now, place_of
from tracker.plan.bad_day import BY_PLAN, HEADING, HEADS, WayHome, against, ways_home

STEPS_LEAST = 3
"""Rows of steps that the way home keeps, whatever else wants room."""
MOST_WIDE = 120
"""Columns of the way home; further apart, a step and its times are no longer read together."""


def way_home(scene: Scene, width: int, height: int) -> list[Line]:
    """Return what is to spare on the way home in large figures, and the steps home of who is on it."""
    near = min(width, MOST_WIDE)
    figure = _large_spare(scene, width)
    steps = [_step(scene, step, near) for step in _steps(scene)]
    last = _left(scene, width, height - len(figure), min(len(steps), STEPS_LEAST))
    room = max(0, height - len(figure) - len(last))
    if len(steps) > room > 0:
        more = crop((say(f" {count(len(steps) - room + 1, 'more step')}", "dim"),), width)
        steps = [*steps[: room - 1], more]
    return tall([*figure, *steps[:room], *last], width, height)


def _large_spare(scene: Scene, width: int) -> list[Line]:
    """Return what is to spare to the limit that comes first, until when that is, and what follows."""
    estimate = scene.estimate
    if estimate is None:
        words = f" what is to spare is being worked out; {_called(scene)[0]}"
        return [crop((say(words, "dim"),), width)]
    limits = by_spare(estimate.limits)
    if not limits:
        return [crop((say(" no limit binds", "dim"),), width)]
    left = limits[0].to_spare or 0.0
    figure = large(duration(abs(left)), "alarm" if left < 0 else "accent")
    word = "SHORT" if left < 0 else "to spare"
    full, brief = (limit_at(limits[0], brief=brief) for brief in (False, True))
    then = [f"{limit_at(one, brief=True)}, {spare_words(one.to_spare)}" for one in limits[1:3]]
    side = width - width_of(figure[0]) - 3
    forms: list[list[Sequence[Form]]] = [
        [[f"then {words}"] if n == 0 else [words, ""] for n, words in enumerate(then)],
        [[say(f"{word} until {full}", "strong"), say(f"{word}: {brief}", "strong")]],
        [_called(scene)],
    ]
    rows = [(Span("  " if k != 1 else " "), *fitted(side, forms[k])) for k in range(3)]
    return [crop((Span(" "), *figure[k], *rows[k]), width) for k in range(3)]


def _called(scene: Scene) -> list[str]:
    """Return who was called home and when; where nobody was, whether this is the way home, or is planned.

    From the longest way to say it to the shortest.
    """
    calls = {recall.call: pet(recall.at) for recall in scene.progress.recall.values()}
    words = {"home": "called home {}", "at once": "called at once, at {}"}
    said = "; ".join(words[call].format(at) for call, at in calls.items())
    turn = None if scene.estimate is None else scene.estimate.turn_back
    due = None if turn is None else turn.missed
    late = f"; turn for home was due by {pet_down(due)}" if due is not None and due < scene.now else ""
    if not said and turn is not None and turn.homebound:
        said = "nobody outside has other work than closeout"
    return [f"{form}{late}" for form in ([said] if said else _as_it_goes(scene))]


def _as_it_goes(scene: Scene) -> list[str]:
    """Return when closeout begins where nobody is called, and what a call now comes to."""
    course, called = home_on_course(scene), called_words(scene.estimate)
    latest = None if scene.estimate is None else scene.estimate.turn_back.latest
    late = too_late_words(course, latest)
    begins = [] if course is None else [f"closeout begins {pet_nearest(course)}{late}"]
    call = [f"if called now{called}"] if called else []
    full = "; ".join([", ".join(["nobody is called", *begins]), *call])
    return [full, *("; ".join(told) for told in ([*begins, *call], call) if told)]


def home_on_course(scene: Scene) -> float | None:
    """Return when closeout is projected to begin; None where none is ahead."""
    progress, course = scene.progress, scene.snapshot.course
    steps = {s for crew in progress.plan.outside for s in progress.order.get(crew, ()) if s in course}
    closeout = (s for s in steps if progress.tasks[progress.steps[s].step.task].task.closeout)
    return min((course[s][0] for s in closeout), default=None)


def on_the_way(scene: Scene) -> tuple[str, ...]:
    """Return who is outside and on the way home: who was called, else everybody."""
    progress = scene.progress
    outside = [c for c in progress.plan.outside if c not in progress.entered]
    return tuple(c for c in outside if c in progress.recall or not progress.recall)


def _steps(scene: Scene) -> list[str]:
    """Return what they still have to do, by its projected begin."""
    ahead = scene.snapshot.ahead
    steps = {step for crew in on_the_way(scene) for step in ahead.get(crew, ())}
    place = {step: n for n, step in enumerate(scene.progress.steps)}
    course = scene.snapshot.course
    return sorted(steps, key=lambda s: (course[s] if s in course else (float("inf"),) * 2, place[s]))


def _step(scene: Scene, step: str, width: int) -> Line:
    state = scene.progress.steps[step]
    stand = stand_of(scene.progress, step, scene.now, scene.snapshot.ends)
    begin, end = scene.snapshot.course.get(step, (None, None))
    closes = f": closes {', '.join(state.step.closes)}" if state.step.closes else ""
    span = f"until {pet_up(end)}" if stand.word == "now" else f"{pet_nearest(begin)} until {pet_up(end)}"
    asked = (
        next((one for one in scene.estimate.unheard if one.step == step), None) if scene.estimate else None
    )
    if asked is not None:
        span = over_words(asked, state, scene.now)[1]
    spans = (
        Span(" "),
        put(stand.word, 5, stand.ink),
        put(crew_words(scene.progress, state.crew), 9),
        put(state.step.do + closes, max(10, width - 32)),
        put(span, 16, right=True),
        Span(" "),
    )
    return crop(spans, width)


def _left(scene: Scene, width: int, room: int, steps: int) -> list[Line]:
    """Return what is not done any more, what is open or out still, and how far home it is on a bad day.

    As long as `room` leaves so many steps in full; else of the bad day the least alone, and the key of the
    page that has the rest; where that is too much, all of it in one paragraph.
    """
    words, here = [*_undone(scene), *_still_open(scene)], _from_here(scene, on_the_way(scene))
    told = [f"{BY_PLAN}: {c} {way.words}" for c, way in here.items()]
    rows = [*_rows([*words, *told], width), *(block(ADVISORY, width, "dim") if here else [])]
    if here and len(rows) > room - steps:
        brief = ", ".join(f"{c} from {way.site} {spare_words(way.to_spare)}" for c, way in here.items())
        words.append(f"{BY_PLAN}: {brief}; all of it {scene.key('bad-day')}")
        rows = _rows(words, width)
    if len(rows) <= room - steps:
        return rows
    spare = [way.to_spare for way in here.values() if way.to_spare is not None]
    more = f"or more; all of it {scene.key('bad-day')}"
    least = [f"{BY_PLAN}: {spare_words(min(spare))} {more}"] if spare else []
    told = [*_still_open(scene), *least, *_undone(scene)]
    return block("; ".join(told), width, most=max(room - steps, 1), indent=2) if told else []


def _rows(words: Iterable[str], width: int) -> list[Line]:
    return [row for one in words for row in block(one, width, indent=2)]


def _undone(scene: Scene) -> list[str]:
    # On the way home nobody begins optional work any more.
    tasks = scene.progress.tasks.items()
    optional = [task for task, state in tasks if state.status == "open" and state.optional]
    told = left_words(scene.progress, scene.now, optional)
    return [told] if told else []


def _still_open(scene: Scene) -> list[str]:
    made = scene.estimate
    ahead = (one for one in (made.clocks if made else ()) if scene.progress.steps[one.step].ended is None)
    clocks = [clock_words(scene.progress, made, clock) for clock in ahead if made is not None]
    return [*clocks, *open_words(scene)]


def _from_here(scene: Scene, crew: Iterable[str]) -> dict[str, WayHome]:
    """Return for crew members the ways home on a bad day from where they are, as far as that is known."""
    ways = {way.site: way for way in ways_home(scene.progress.plan)}
    places = {c: place_of(scene.progress, c, scene.now) for c in crew} if ways else {}
    return {c: ways[place.site] for c, place in places.items() if place is not None}


def bad_day(scene: Scene, width: int) -> list[Line]:
    """Return the page of the ways home on a bad day: where somebody is, then the others, worst first."""
    plan = scene.progress.plan
    there: dict[str, list[str]] = {}
    for c, way in _from_here(scene, [c for c in plan.outside if c not in scene.progress.entered]).items():
        there.setdefault(way.site, []).append(c)
    ways = sorted(ways_home(plan), key=lambda way: way.site not in there)
    heads = ("", *HEADS[:-1], "of the supply")
    table = [
        against(plan),
        *columns([heads, *((" ".join(there.get(w.site, ())), *w.cells) for w in ways)], indent=""),
    ]
    bare = ["the plan has neither `emergency` nor a site with `assisted`: nothing is known"]
    rows = text_lines(table if ways else bare, width)
    return [heading(HEADING, width), *rows, *block(ADVISORY, width, "dim")]


def open_words(scene: Scene) -> list[str]:
    """Return what is open, and who closes it about when, clocks that run on, then what hardware is out.

    As `OPEN hatch, EV1 closes it about 3:59`, `CLOCK until 2:40, nobody stops it: Power the drive` and
    `OUT wrench with EV2 since 2:10`.
    """
    progress, course = scene.progress, scene.snapshot.course
    words: list[str] = []
    for item in progress.open_items:
        state = progress.steps.get(item.closed_by)
        end = course.get(item.closed_by, (None, None))[1]
        gone = state is None or state.ended is not None or progress.entered.keys() >= set(state.crew)
        if state is None or gone:
            words.append(f"OPEN {item.item}, nobody closes it")
            continue
        verb = "closes" if len(state.crew) == 1 else "close"
        words.append(f"OPEN {item.item}, {crew_words(progress, state.crew)} {verb} it about {pet_up(end)}")
    words += left_clocks(progress, scene.now)
    return [*words, *(f"OUT {piece.words}" for piece in out_now(progress, scene.now))]


def left_clocks(progress: Progress, now: float) -> list[str]:
    """Return the hardware clocks that nobody stops any more: `CLOCK until 2:40, nobody stops it: Start`."""
    told = []
    for state, at in left_running(progress):
        runs = f"until {pet_down(at)}, nobody stops it" if at > now else f"ran out at {pet_down(at)}"
        told.append(f"CLOCK {runs}: {state.step.do}")
    return told


@dataclass(frozen=True, slots=True)
class Row:
    """One step of the list."""

    step: str
    done: bool
    planned: float | None
    """Planned begin, or planned end once it is done."""
    real: float | None
    """Projected or actual begin, or actual end once it is done."""


def rows_of(snapshot: Snapshot) -> list[Row]:
    """Return every step that is done or ahead, by time; without dropped work and what is advised against."""
    progress, course = snapshot.progress, snapshot.course
    done, ahead = [], []
    for step, state in progress.steps.items():
        planned = progress.planned.get(step, (None, None))
        if state.ended in ("done", "skipped"):
            done.append(Row(step, True, planned[1], state.done))
        elif state.ended is None and state.step.task not in snapshot.passed_over:
            ahead.append(Row(step, False, planned[0], course.get(step, (None, None))[0]))
    done.sort(key=lambda row: row.real if row.real is not None else row.planned or 0.0)
    place = {step: n for n, step in enumerate(progress.steps)}
    current = {step for step in progress.current.values() if step}
    ahead.sort(key=lambda r: (r.step not in current, r.real is None, r.real or 0.0, place[r.step]))
    return done + ahead


def first_shown(rows: Sequence[Row], height: int, chosen: str | None) -> int:
    """Return the first row to show: some done ones above, what is ahead below; the chosen one in sight."""
    done = sum(row.done for row in rows)
    top = max(0, min(done - max(2, height // 4), len(rows) - height))
    if chosen is not None:
        at = next((i for i, row in enumerate(rows) if row.step == chosen), None)
        if at is not None and not top <= at < top + height:
            top = max(0, min(at - height // 2, len(rows) - height))
    return top


def steps_list(scene: Scene, width: int, height: int) -> list[Line]:
    """Return the head and as many rows as there is room for."""
    rows = rows_of(scene.snapshot)
    room = height - 1
    top = first_shown(rows, room, scene.chosen)
    shown = rows[top : top + room]
    lines = [_head(scene, rows, top, len(shown), width)]
    lines += [_line(scene, row, width) for row in shown]
    if all(row.done for row in rows) and scene.progress.closed is None:
        words = f" The plan has no steps left. {scene.key('close')} closes the excursion."
        lines = [*lines[: height - 1], crop((say(words, "dim"),), width)]
    return (lines + [blank(width)] * height)[:height]


def step_at(scene: Scene, height: int, line: int) -> str | None:
    """Return the step that is written on a line of the list."""
    rows = rows_of(scene.snapshot)
    place = first_shown(rows, height - 1, scene.chosen) + line - 1
    return rows[place].step if line >= 1 and place < len(rows) else None


def found_by(scene: Scene, text: str) -> list[str]:
    """Return the steps of the list whose words or id hold every word of a text; none without words."""
    return [row.step for row in rows_of(scene.snapshot) if text.strip() and _has(scene, row.step, text)]


def left_out_by(scene: Scene, text: str) -> str:
    """Return the steps with these words that are advised to be left out."""
    out = scene.snapshot.passed_over
    steps = [state.step for state in scene.progress.steps.values() if state.step.task in out]
    return ", ".join(plain(step.do) for step in steps if _has(scene, step.id, text))


def _has(scene: Scene, step: str, text: str) -> bool:
    words = f"{step} {scene.progress.steps[step].step.do}".casefold()
    return all(word in words for word in text.casefold().split())


def _head(scene: Scene, rows: Sequence[Row], top: int, shown: int, width: int) -> Line:
    """Return how much is done, ahead and not counted, what has no room, and the heads of the columns."""
    below = len(rows) - top - shown
    done = sum(row.done for row in rows)
    hidden = ", ".join(f"{n} {where}" for n, where in ((top, "above"), (below, "below")) if n)
    tail = _columns("planned", "begins", "late", width)
    counts = f"{done} done, {len(rows) - done} ahead"
    out = _not_counted(scene)
    title: list[Sequence[Form]] = [
        [say(f"{counts}{f', {words}' if words else ''}", "dim") for words in (*out, "")],
        [say(f"({hidden})", "dim") if hidden else "", ""],
    ]
    room = width - width_of(tail) - 1
    return crop((Span(" "), *fitted(room, title, (*[0] * (len(out) - 1), 1)), *tail), width)


def _not_counted(scene: Scene) -> list[str]:
    """Return how many steps are not done after a recall, or not counted by the advice, and of which tasks."""
    progress, out = scene.progress, scene.snapshot.passed_over
    tasks = [state.step.task for state in progress.steps.values()]
    left = sum(state.ended == "left" for state in progress.steps.values())
    number = sum(task in out for task in tasks)
    if left:
        return [f"{left} not done"]
    return [f"{number} not counted: {', '.join(sorted(out))}", f"{number} not counted"] if number else []


def _columns(plan: str, real: str, late: str, width: int, ink: Ink = "dim") -> tuple[Span, ...]:
    """Return the right-hand columns: with much room planned, then begins or ended, then late."""
    spans = [put(plan, 8, "dim", right=True)] if width >= 88 else []
    return (*spans, put(real, 12, ink, right=True), put(late, 8, ink, right=True), Span(" "))


def _line(scene: Scene, row: Row, width: int) -> Line:
    progress = scene.progress
    state = progress.steps[row.step]
    stand = stand_of(progress, row.step, scene.now, scene.snapshot.ends)
    if row.step in scene.hollow:
        stand = StepStanding("unsaved" if scene.disk.unsaved else "saving", ink="hollow")
    ink: Ink = "dim" if row.done else "strong" if stand.word == "now" else ""
    fact = state.began is not None
    late = change(later(row.real, row.planned, fact=fact)) if _has_plan(scene, row) else ""
    real = f"{'ended ' if row.done else ''}{pet_down(row.real) if fact else pet_nearest(row.real)}"
    tail = _columns(pet_nearest(row.planned), real, late, width, ink)
    left = (
        Span(" "),
        put(stand.word, 8 if stand.ink == "hollow" else 5, stand.ink or ink),
        put(crew_words(progress, state.crew), 9 if width >= 90 else 8, "dim" if row.done else ""),
    )
    room = width - sum(len(s.text) for s in (*left, *tail))
    line = (*left, *_doing(scene, row, stand, room, ink), *tail)
    if scene.chosen == row.step:
        line = tuple(Span(span.text, "chosen") for span in line)
    return crop(line, width)


def _has_plan(scene: Scene, row: Row) -> bool:
    """Return whether it means something how late a step is: not before the clock, nor after a recall."""
    state = scene.progress.steps[row.step]
    recall = min((one.at for one in scene.progress.recall.values()), default=inf)
    return scene.started and (recall == inf if state.done is None else state.done < recall)


def _doing(scene: Scene, row: Row, stand: StepStanding, room: int, ink: Ink) -> tuple[Span, ...]:
    """Return what the step is, its count, its reason to wait, and with much room its id."""
    state = scene.progress.steps[row.step]
    counted = f"  {state.counted} of {state.step.count}" if state.step.count > 1 else ""
    tail = counted
    if stand.word in ("wait", "go?", "held") and stand.why and room >= 56:
        tail += f"   {stand.why}"
    text = state.step.do + tail
    if scene.progress.tasks[state.step.task].optional:
        text, counted = f"[{text}]", f"{counted}]" if counted else ""
    name = (put(row.step, 26, "dim"),) if room >= 70 else ()
    room -= 26 if name else 0
    if counted and cell_len(plain(text)) > room > len(counted) + 8:
        # The count is read more often than the end of the words.
        begin = "[" if counted.endswith("]") else ""
        return (put(begin + state.step.do, room - len(counted), ink), Span(counted, ink), *name)
    return (put(text, room, ink), *name)
