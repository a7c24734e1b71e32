"""What is unlikely about what would be written: a level, a tick, many ticks at once, must work given up.

Hides against what a level is held: what is expected at its own instant, between the readings around it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from tracker.console.key_events import quick_doubts, tick_doubts
from tracker.forecast.figures import ConsumableFigure, Estimate, Range
from tracker.forecast.wording import limit_words
from tracker.foundation.shown import pet_down
from tracker.foundation.text import amount, count
from tracker.journal.progress import Progress, TaskState
from tracker.journal.typed.match import crew_or_none
from tracker.journal.whereabouts import leads_home, place_of, place_words
from tracker.plan.model import Consumable

Event = Mapping[str, Any]


FAR_SD = 3.0
"""From so many standard deviations on a reading is unlikely."""
_SD = 2.563
"""Standard deviations from the tenth to the ninetieth percentile of a bell curve."""


def doubts(events: Iterable[Event], progress: Progress, estimate: Estimate | None, now: float) -> list[str]:
    """Return what is unlikely about events that would be written now, the most telling first."""
    events = [*events]
    found, ticked = list[str](), list[str]()
    for event in events:
        at = float(event.get("at", now))
        if event.get("kind") in ("reading", "replaced"):
            found += reading_doubts(event, progress, estimate, at)
        elif event.get("kind") == "checked":
            found += [
                one
                for read in _read_in(event, progress)
                for one in reading_doubts(read, progress, estimate, at)
            ]
        elif event.get("kind") == "done":
            found += tick_doubts(progress, str(event.get("step")), at, ticked)
            ticked.append(str(event.get("step")))
    return found or quick_doubts(progress, events, now)


MOST_TICKS = 5
"""Ticks of one line beyond which it is asked whether its last step is the one that was meant."""


def far_doubts(events: Iterable[Event], progress: Progress, left_out: Collection[str]) -> list[str]:
    """Return how far a line of several ticks goes: through which tasks, and before which need.

    Nothing where they are few and reach neither work before its need nor another optional task not begun.
    `left_out`: optional tasks that the advice does not count.
    """
    ticks = [str(event.get("step")) for event in events if event.get("kind") == "done"]
    if len(ticks) < 2 or not all(step in progress.steps for step in ticks):
        return []
    tasks = list(dict.fromkeys(progress.steps[step].step.task for step in ticks))
    needs: dict[str, str] = {}
    for n, step in enumerate(ticks):
        skipped = [need for need in progress.needs.get(step, ()) if need not in (*ticks[:n], *needs)]
        words = [progress.steps[one].step.do for one in (step, *skipped)]
        needs |= dict.fromkeys(skipped, f"{words[0]} before {', '.join(words[1:])}")
    why = {task: "not begun" for task in tasks[1:] if _not_begun(progress.tasks[task])}
    why |= {task: "not counted" for task in tasks if task in left_out}
    if len(ticks) <= MOST_TICKS and not needs and not why:
        return []
    through = ", ".join(f"{task} ({why[task]})" if task in why else task for task in tasks)
    return ["; ".join((f"{count(len(ticks), 'event')} through {through}", *dict.fromkeys(needs.values())))]


def _not_begun(task: TaskState) -> bool:
    return task.optional and task.status == "open"


def number_notes(text: str, events: Iterable[Event], progress: Progress) -> list[str]:
    """Return whom the last number of a hold means, and how as many minutes are written.

    Whom first, then minutes: a digit that is somebody's is theirs, in a crew of any size.
    """
    held = [event for event in events if event.get("kind") == "held" and "until" not in event]
    numbers = [word for word in text.split() if word.isdigit()]
    if not held or len(numbers) < 2 or (crew := crew_or_none(progress, numbers[-1])) not in held[0]["crew"]:
        return []
    return [f"{numbers[-1]} is {crew}; {count(int(numbers[-1]), 'minute')}: 0{numbers[-1]}"]


def must_doubts(events: Iterable[Event], progress: Progress) -> list[str]:
    """Return what is said where work is dropped that the plan has as must work."""
    tasks = [str(event.get("task")) for event in events if event.get("kind") == "dropped"]
    states = [(task, progress.tasks.get(task)) for task in tasks]
    musts = [task for task, state in states if state is not None and not state.task.optional]
    return [f"{' and '.join(musts)}: must work, for the lead to give up"] if musts else []


def enter_doubts(events: Iterable[Event], progress: Progress, now: float) -> list[str]:
    """Return what speaks against it that somebody is inside: where they were, what they still have to do."""
    every, found = [*events], list[str]()
    ticked = {str(event.get("step")) for event in every if event.get("kind") == "done"}
    for event in every:
        crew = str(event.get("crew"))
        if event.get("kind") != "entered" or crew in progress.entered:
            continue
        ahead = [progress.steps[one].step for one in progress.order.get(crew, ()) if one not in ticked]
        home = [one for one in ahead if progress.tasks[one.task].task.closeout]
        gone = any(leads_home(progress, progress.steps[one].step) for one in ticked if one in progress.steps)
        place = None if gone else place_of(progress, crew, float(event.get("at", now)))
        told = [f"is at {place_words(place)}"] if place is not None and place.home_s > 0 else []
        told += [f"has not done {listed([one.do for one in home])}"] if home else []
        found += [f"{crew} {', and '.join(told)}"] if told else []
    return found


def listed(what: list[str], most: int = 3) -> str:
    """Return the first of what there is, and how many more there are."""
    more = f" and {len(what) - most} more" if len(what) > most else ""
    return f"{', '.join(what[:most])}{more}"


def _read_in(event: Event, progress: Progress) -> Iterator[Event]:
    """Yield the readings among somebody's answers."""
    for item, value in dict(event.get("answers") or {}).items():
        store = progress.plan.consumable.get(item)
        if store is not None and isinstance(value, int | float):
            yield {"crew": "*" if store.shared else event.get("crew"), "consumable": item, "value": value}


def reading_doubts(event: Event, progress: Progress, estimate: Estimate | None, at: float) -> list[str]:
    """Return what is unlikely about a reading: far from what is expected, above the start or the last one."""
    crew, store = str(event.get("crew")), progress.plan.consumable.get(str(event.get("consumable")))
    value = event.get("value")
    if store is None or not isinstance(value, (int, float)):
        return []
    said = f"{limit_words(f'{crew}.{store.id}')} {amount(value, digits=4)}"
    found = []
    replaced = event.get("kind") == "replaced"
    figure = reading_figure(estimate, crew, store.id)
    if not replaced and figure is not None and estimate is not None:
        found += _far(said, float(value), _Course.of(figure, progress, estimate.at), at)
    if value > store.start:
        found.append(f"{said}: more than the {amount(store.start, store.unit)} it started with")
    return found if replaced else found + _above_last(said, float(value), progress, crew, store, at)


@dataclass(frozen=True, slots=True)
class _Course:
    """How a store is taken to have fallen since its readings, to what is expected by an estimate."""

    read: tuple[tuple[float, float], ...]
    """PET and level of its readings so far, before them its start; the earliest first."""
    at: float
    expected: Range | None
    sd: float

    @classmethod
    def of(cls, figure: ConsumableFigure, progress: Progress, at: float) -> _Course:
        """Return the course of a figure's store."""
        store = progress.plan.consumable[figure.consumable]
        read = [
            (r.at, r.value) for r in progress.readings if (r.crew, r.consumable) == (figure.crew, store.id)
        ]
        return cls(((0.0, store.start), *sorted(read)), at, figure.expected, store.reading_sd)

    def stretch(self, at: float) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Return the known levels before and after an instant; None where what is expected is not known."""
        middle = None if self.expected is None else self.expected.p50
        if middle is None:
            return None
        before = [one for one in self.read if one[0] <= at]
        after = [one for one in self.read if one[0] > at]
        return (before or [self.read[0]])[-1], (after or [(max(self.at, at), middle)])[0]

    def level(self, at: float) -> float | None:
        """Return the level at an instant."""
        ends = self.stretch(at)
        if ends is None:
            return None
        (since, start), (until, end) = ends
        return end if until <= since else start + (end - start) * (at - since) / (until - since)


def level_taken(event: Event, progress: Progress, estimate: Estimate | None) -> float | None:
    """Return the level that a store had at the instant of its reading as far as was known without it."""
    figure = reading_figure(estimate, str(event.get("crew")), str(event.get("consumable")))
    if figure is None or estimate is None:
        return None
    at = float(event.get("at", estimate.at))
    return figure.now if at >= estimate.at else _Course.of(figure, progress, estimate.at).level(at)


def reading_figure(estimate: Estimate | None, crew: str, store: str) -> ConsumableFigure | None:
    """Return the figure of a store; None where there is none."""
    figures = estimate.consumables if estimate is not None else ()
    return next((one for one in figures if (one.crew, one.consumable) == (crew, store)), None)


def _far(said: str, value: float, course: _Course, at: float) -> list[str]:
    """Return that a level is far from what is expected at its instant, and when it would fit.

    Far is also what has hardly fallen since the last reading, or several times as much as it should have, by
    more than gauges scatter: then it is asked whether it was read at another time.
    """
    expected, middle = course.expected, course.level(at)
    if expected is None or expected.p10 is None or expected.p90 is None or middle is None:
        return []
    low, high = sorted((expected.p10, expected.p90))
    ends, off = course.stretch(at), value - middle
    assert ends is not None
    (since, start), _ = ends
    fell, should = start - value, start - middle
    jumps = at - since >= JUMP_S and should > 0 and not SLOW * should <= fell <= FAST * should
    strange = jumps and since > 0 and abs(off) > JUMP_SD * course.sd
    if abs(off) <= FAR_SD * (high - low) / _SD and not strange:
        return []
    shift = middle - (expected.p50 or 0.0)
    side, size = "below" if off < 0 else "above", amount(abs(off))
    span = f"{amount(low + shift)} to {amount(high + shift)}"
    back = (at - since) * (1 - fell / should) / 60 if should > 0 and 0 <= fell < should else 0
    fits = f"; read {round(back)} min ago? -{round(back)} behind it" if back >= LATE_MIN else ""
    return [f"{said}: expected {amount(middle)} ({span}), {size} {side}{fits}"]


JUMP_S, JUMP_SD, SLOW, FAST = 600.0, 2.0, 0.25, 2.5
"""From so long after the last reading a level that is so many standard deviations of its gauge off what is
expected is unlikely where it fell by less, or more, than so many times what it should have."""
LATE_MIN = 5
"""From so many minutes on it is asked whether a level was read before."""


def _above_last(
    said: str, value: float, progress: Progress, crew: str, store: Consumable, at: float
) -> list[str]:
    read = [r for r in progress.readings if (r.crew, r.consumable) == (crew, store.id) and r.at <= at]
    last = max(read, key=lambda reading: (reading.at, reading.number), default=None)
    if last is None or value <= last.value:
        return []
    return [f"{said}: above the last one, {amount(last.value, digits=4)}, read {pet_down(last.at)}"]
