"""What makes an entry unlikely, in words: Enter is then wanted twice before anything is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from tracker.console.view.words import pet_s
from tracker.forecast.values import ConsumableFigure, Estimate
from tracker.foundation.shown import pet_down
from tracker.foundation.text import amount
from tracker.journal.progress import Progress
from tracker.plan.model import Consumable

Event = Mapping[str, Any]

FAR_SD = 3.0
"""From so many standard deviations on a reading is unlikely."""
_SD = 2.563
"""Standard deviations from the tenth to the ninetieth percentile of a bell curve."""
NEAR_S = 120.0
"""How far from the instant of an estimate a reading may be held against what is expected then."""


def doubts(events: Iterable[Event], progress: Progress, estimate: Estimate | None, now: float) -> list[str]:
    """Return what is unlikely about events that would be written now, the most telling first."""
    found = []
    for event in events:
        at = float(event.get("at", now))
        if event.get("kind") in ("reading", "replaced"):
            found += reading_doubts(event, progress, estimate, at)
        elif event.get("kind") == "done":
            found += tick_doubts(progress, str(event.get("step")), at)
    return found


def tick_doubts(progress: Progress, step: str, at: float) -> list[str]:
    """Return that a tick lies before the one before it, of one of its crew."""
    state = progress.steps.get(step)
    crew = set(state.crew) if state is not None else set()
    ticked = [
        (s.done, s.step.do)
        for s in progress.steps.values()
        if s.ended == "done" and s.done is not None and crew & set(s.crew)
    ]
    last, do = max(ticked, default=(at, ""))
    return [f"{pet_s(at)} lies before the tick before it: {do}, {pet_s(last)}"] if at < last else []


def reading_doubts(event: Event, progress: Progress, estimate: Estimate | None, at: float) -> list[str]:
    """Return what is unlikely about a reading: far from what is expected, above the start or the last one."""
    crew, store = str(event.get("crew")), progress.plan.consumable.get(str(event.get("consumable")))
    value = event.get("value")
    if store is None or not isinstance(value, (int, float)):
        return []
    said = f"{crew if crew != '*' else 'shared'} {store.id} {amount(value, digits=4)}"
    found = []
    replaced = event.get("kind") == "replaced"
    figure = _figure(estimate, crew, store.id)
    if not replaced and figure is not None and estimate is not None and abs(estimate.at - at) <= NEAR_S:
        found += _far(said, float(value), figure)
    if value > store.start:
        found.append(f"{said}: more than the {amount(store.start, store.unit)} it started with")
    return found if replaced else found + _above_last(said, float(value), progress, crew, store, at)


def _figure(estimate: Estimate | None, crew: str, store: str) -> ConsumableFigure | None:
    figures = estimate.consumables if estimate is not None else ()
    return next((one for one in figures if (one.crew, one.consumable) == (crew, store)), None)


def _far(said: str, value: float, figure: ConsumableFigure) -> list[str]:
    expected = figure.expected
    if expected is None or expected.p10 is None or expected.p50 is None or expected.p90 is None:
        return []
    off, low, high = value - expected.p50, *sorted((expected.p10, expected.p90))
    if abs(off) <= FAR_SD * (high - low) / _SD:
        return []
    side = "below" if off < 0 else "above"
    middle, size = amount(expected.p50), amount(abs(off))
    return [f"{said}: expected {middle} ({amount(low)} to {amount(high)}), {size} {side}"]


def _above_last(
    said: str, value: float, progress: Progress, crew: str, store: Consumable, at: float
) -> list[str]:
    read = [r for r in progress.readings if (r.crew, r.consumable) == (crew, store.id) and r.at <= at]
    last = max(read, key=lambda reading: (reading.at, reading.number), default=None)
    if last is None or value <= last.value:
        return []
    return [f"{said}: above the last one, {amount(last.value, digits=4)}, read {pet_down(last.at)}"]
