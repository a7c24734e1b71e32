"""What happens to the clock, limits, stores and windows, and what is only noted."""

from __future__ import annotations

from datetime import datetime

from tracker.foundation.times import parse_instant, parse_pet
from tracker.journal.folding.lookup import the_consumable, the_crew, the_step
from tracker.journal.folding.remaining import open_items
from tracker.journal.folding.setup import open_windows
from tracker.journal.folding.state import State, on_record, pet, refuse
from tracker.journal.progress import Reading, Recorded
from tracker.plan.windows import slip_s


def zero(state: State, event: Recorded, at: float) -> None:
    """Start the clock: PET 0 is this instant."""
    if state.zero is not None:
        refuse(event, "the clock is already running; amend the event that started it")
    state.zero = parse_instant(event.body["utc"])
    in_pet = any(window.in_pet for window in state.plan.windows)
    if in_pet and slip_s(state.zero, state.plan.zero_planned) is None:
        state.warn(
            event,
            "zero is more than seven days from the planned one: windows in PET are meant from the actual "
            "zero; record `seen` when one opens",
        )
    open_windows(state)


def went(state: State, event: Recorded, at: float) -> None:
    """The go for a hold point is given."""
    s = the_step(state, event)
    if s.step.hold_point is None:
        state.warn(event, f"{s.step.id} asks for no go")
    if s.ended is not None:
        state.warn(event, on_record(state, s.step.id))
    state.went.setdefault(s.step.id, at)
    state.change(s.step.id, gone=True)


def limited(state: State, event: Recorded, at: float) -> None:
    """A limit or a reserve is changed."""
    name, value = event.body["limit"], event.body["value"]
    if name in state.limits:
        state.limits[name] = _limit(value)
        open_windows(state)
        return
    crew, dot, consumable = name.partition(".")
    if not dot:
        known = [*state.limits, *(f"{c}.{k}" for c, k in state.reserves)]
        refuse(event, f"there is no limit {name}; there are {', '.join(known[:12])}")
    if isinstance(value, str):
        refuse(event, f"a reserve of {consumable} is a number, not {value}")
    if crew != "*" and crew not in state.crew:
        refuse(event, f"there is no crew member {crew}; the crew is {', '.join(state.crew)}")
    found = state.plan.consumable.get(consumable)
    if crew == "*" and found is not None and not found.shared:
        state.reserves.update({(c, consumable): float(value) for c in found.crew})
        return
    the_consumable(state, event, consumable, crew)
    state.reserves[crew, consumable] = float(value)


def _limit(value: float | str) -> float | datetime:
    if isinstance(value, str):
        return parse_instant(value) if "T" in value else float(parse_pet(value))
    return float(value)


def reading(state: State, event: Recorded, at: float) -> None:
    """A consumable was read, or its store replaced."""
    body = event.body
    if body["crew"] != "*":
        the_crew(state, event)
    store = the_consumable(state, event, body["consumable"], body["crew"])
    value = float(body["value"])
    if value > 1.5 * store.start:
        state.warn(event, f"{value:g} {store.unit} of {store.id} is more than it started with")
    replaced = event.kind == "replaced"
    found = Reading(body["crew"], store.id, at, value, replaced, event.number)
    state.readings = state.readings.add(found)


def seen(state: State, event: Recorded, at: float) -> None:
    """A window opened at this instant; its other openings shift with it."""
    window = event.body["window"]
    if window not in state.plan.window:
        refuse(event, f"there is no window {window}; there are {', '.join(state.plan.window) or 'none'}")
    state.seen[window] = at
    open_windows(state)


def noted(state: State, event: Recorded, at: float) -> None:
    """A note changes nothing but what is on record."""


def acknowledged(state: State, event: Recorded, at: float) -> None:
    """An alert was seen."""
    state.acknowledged |= {event.body["alert"]}


def closed(state: State, event: Recorded, at: float) -> None:
    """The excursion is over."""
    if state.closed is not None:
        refuse(event, f"the excursion was closed at {pet(state.closed)}")
    if still := open_items(state, at):
        items = ", ".join(f"{one.item} (closed by {one.closed_by})" for one in still)
        state.warn(event, f"closing with open items: {items}")
    state.closed = at
