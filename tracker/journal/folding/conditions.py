"""Effects on the conditions of work: holds, voice, recall, being inside, clock, limits, stores, windows.

Where people and hardware are as far as no step says it, what is answered in a round, and what stays open
until somebody settles it (questions, reminders, deviations, messages) stand here too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from tracker.foundation.text import did_you_mean, meant, near
from tracker.foundation.times import parse_instant, parse_pet
from tracker.journal.folding.order import give_up, go_on, open_items, queue_again
from tracker.journal.folding.setup import STOPS, beyond, horizon_s, open_windows
from tracker.journal.folding.spending import account, account_all, break_off, stop
from tracker.journal.folding.state import State, on_record, pet, refuse, the_consumable, the_crew, the_step
from tracker.journal.kinds import BY_NAME
from tracker.journal.progress import Hold, Reading, Recall, Recorded
from tracker.journal.raised import Raised, Settlement
from tracker.plan.model import LOCK
from tracker.plan.windows import slip_s


def held(state: State, event: Recorded, at: float) -> None:
    """A hold starts; holding one member of a joint step holds the step."""
    until, text = _until(state, event), event.body.get("text", "")
    crew = the_crew(state, event)
    if "crew" not in event.body:
        crew = tuple(c for c in crew if c not in state.entered)
    fresh = [c for c in crew if c not in state.holds]
    again = [c for c in crew if c in state.holds]
    if again and "crew" in event.body:
        state.warn(event, f"{', '.join(again)} is in a hold since {pet(state.holds[again[0]].since)}")
    for c in again:
        state.holds[c] = Hold(c, state.holds[c].since, until, text or state.holds[c].text)
    if not fresh:
        return
    for step in dict.fromkeys(state.current[c] for c in fresh):
        if step is not None and state.at_work(step, at):
            _suspend(state, step, at)
    account_all(state, fresh, at)
    for c in fresh:
        state.holds[c] = Hold(c, at, until, text)


def _until(state: State, event: Recorded) -> int | None:
    """Return when a hold is to end, at the horizon at the latest."""
    until: int | None = event.body.get("until")
    if until is None:
        return None
    _warn_beyond(state, event, until)
    return min(until, int(horizon_s(state)))


def _warn_beyond(state: State, event: Recorded, at: float | datetime) -> None:
    if wrong := beyond(state, at):
        state.warn(event, f"{wrong}; {STOPS}")


def _suspend(state: State, step: str, at: float) -> None:
    account_all(state, state.members(step), at)
    stop(state, step, at)
    if state.steps[step].began is not None:
        state.suspended.add(step)


def resumed(state: State, event: Recorded, at: float) -> None:
    """A hold ends."""
    crew = the_crew(state, event)
    if "crew" in event.body:
        if free := [c for c in crew if c not in state.holds]:
            refuse(event, f"{', '.join(free)} is not held")
    elif not state.holds:
        refuse(event, "nobody is held")
    release(state, [c for c in crew if c in state.holds], at)


def release(state: State, crew: list[str], at: float) -> None:
    """End the holds of these crew members; steps go on once no member of theirs is held."""
    steps = [step for c in crew if (step := state.current[c]) is not None]
    account_all(state, crew, at)
    for step in steps:
        account_all(state, state.members(step), at)
    for c in crew:
        del state.holds[c]
    for step in steps:
        if not any(c in state.holds for c in state.steps[step].crew):
            state.suspended.discard(step)


def entered(state: State, event: Recorded, at: float) -> None:
    """Take in that a crew member is inside; what they still had to do asks for a new owner."""
    (c,) = the_crew(state, event)
    if c in state.entered:
        state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
        return
    if not state.plan.member[c].outside:
        state.warn(event, f"{c} was not outside")
        return
    if c in state.holds:
        release(state, [c], at)
    step = state.current[c]
    if step is not None and state.steps[step].crew == (c,):
        break_off(state, step, at)
    account(state, c, at)
    for name in state.queue[c]:
        s = state.steps[name]
        left = tuple(other for other in s.crew if other != c)
        state.change(name, crew=left, evidence=s.evidence and s.began is None)
    state.entered[c] = at
    state.queue[c] = ()
    go_on(state, at)


def silent(state: State, event: Recorded, at: float) -> None:
    """Voice is lost; until it is back nobody knows how long work really takes."""
    for c in the_crew(state, event):
        if c in state.silent:
            state.warn(event, f"{c} is silent since {pet(state.silent[c])}")
        else:
            state.silent[c] = at
            _no_evidence(state, c, at)


def heard(state: State, event: Recorded, at: float) -> None:
    """Voice is back."""
    for c in the_crew(state, event):
        if c in state.silent:
            _no_evidence(state, c, at)
            del state.silent[c]
        elif "crew" in event.body:
            state.warn(event, f"{c} was not silent")


def _no_evidence(state: State, crew: str, at: float) -> None:
    step = state.current[crew]
    began = state.steps[step].began if step is not None else None
    if step is not None and began is not None and began < at:
        state.change(step, evidence=False)


def called(state: State, event: Recorded, at: float) -> None:
    """The recall: what is in progress is broken off; closers of open items and closeout remain."""
    crew = the_crew(state, event)
    for c in crew:
        if c in state.entered:
            if "crew" in event.body:
                state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
            continue
        state.recall[c] = Recall(at, event.body["call"], crew)
    state.taken_up = frozenset()
    queue_again(state)
    give_up(state, event, at)


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
    for limit in state.limits.values():
        _warn_beyond(state, event, limit)
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
        state.limits[name] = limit_value(value)
        _warn_beyond(state, event, state.limits[name])
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


def limit_value(value: float | str) -> float | datetime:
    """Return the PET in seconds, or the instant, that a changed limit's value says."""
    if isinstance(value, str):
        return parse_instant(value) if "T" in value else float(parse_pet(value))
    return float(value)


def reading(state: State, event: Recorded, at: float) -> None:
    """A consumable was read, or its store replaced."""
    body = event.body
    if body["crew"] != "*":
        the_crew(state, event)
    take_reading(state, event, body["crew"], body["consumable"], float(body["value"]), at)


def take_reading(state: State, event: Recorded, crew: str, consumable: str, value: float, at: float) -> None:
    """Note what a store held; `crew` is `*` for a shared one."""
    store = the_consumable(state, event, consumable, crew)
    if value > 1.5 * store.start:
        state.warn(event, f"{value:g} {store.unit} of {store.id} is more than it started with")
    found = Reading(crew, store.id, at, value, event.kind == "replaced", event.number)
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


def clocked(state: State, event: Recorded, at: float) -> None:
    """Keep which clock is right: it says something of instants on record, and changes nothing by itself."""


def placed(state: State, event: Recorded, at: float) -> None:
    """Somebody is at a site, and goes home from there until a step says otherwise."""
    (c,) = _outside(state, event)
    state.site[c] = _known(event, "site", state.plan.sites)


def took(state: State, event: Recorded, at: float) -> None:
    """Somebody has a piece of hardware; `journal.places` follows it."""
    _known(event, "hardware", [one.id for one in state.plan.hardware])
    _outside(state, event)


def put(state: State, event: Recorded, at: float) -> None:
    """A piece of hardware was left at a site, or brought back into the lock."""
    _known(event, "hardware", [one.id for one in state.plan.hardware])
    _known(event, "site", [*state.plan.sites, LOCK])


def checked(state: State, event: Recorded, at: float) -> None:
    """Somebody answered a round; a number is a reading."""
    (c,) = _outside(state, event)
    rounds = {one.id: one for one in state.plan.rounds}
    asked = rounds[_known(event, "round", rounds)].ask
    for item, answer in event.body["answers"].items():
        if item not in asked:
            why = f"{event.body['round']} does not ask {item}; it asks {', '.join(asked)}"
            refuse(event, why)
        if not isinstance(answer, str):
            shared = item in state.plan.consumable and state.plan.consumable[item].shared
            take_reading(state, event, "*" if shared else c, item, float(answer), at)
    if missing := [item for item in asked if item not in event.body["answers"]]:
        state.warn(event, f"{c} was not asked {', '.join(missing)}")


def _outside(state: State, event: Recorded) -> tuple[str, ...]:
    """Return whom an event names; it is unusual of somebody inside."""
    crew = the_crew(state, event)
    for c in crew:
        if c in state.entered:
            state.warn(event, f"{c} is inside since {pet(state.entered[c])}")
    return crew


def _known(event: Recorded, key: str, known: Iterable[str]) -> str:
    """Return what an event names by a key, or refuse what the plan has not."""
    found, ids = str(event.body[key]), list(known)
    if found not in ids:
        right = meant(found, ids, ", ".join(ids) or "none in this plan", most=3)
        refuse(event, f"there is no {key} {found}; {right}")
    return found


def raised(state: State, event: Recorded, at: float) -> None:
    """Something is open from now on."""
    body = event.body
    about, due = body.get("about"), body.get("due")
    if about is not None and about not in (known := subjects(state)):
        why = f"there is no step, task, limit or crew member {about}"
        refuse(event, why + did_you_mean(near(about, known)))
    if "after" in body:
        the_step(state, event, "after")
    state.raised[event.number] = Raised(
        number=event.number,
        at=at,
        what=body["what"],
        text=body["text"],
        about=about,
        due=None if due is None else float(due),
        after=body.get("after"),
        owner=body.get("owner"),
        to=body.get("to"),
        by=body.get("by"),
        seat=event.seat,
    )


def subjects(state: State) -> tuple[str, ...]:
    """Return all that something can be about: tasks, steps, crew members, limits, reserves."""
    reserves = (f"{crew}.{consumable}" for crew, consumable in state.reserves)
    shared = (f"*.{consumable}" for consumable in state.plan.consumable)
    return (*state.tasks, *state.steps, *state.crew, *state.limits, *reserves, *shared)


def settled(state: State, event: Recorded, at: float) -> None:
    """It is done or answered; a further answer stands in the place of the one before."""
    number = event.body["event"]
    found = state.raised.get(number)
    if found is None:
        still = ", ".join(str(one.number) for one in state.raised.values() if one.settled is None)
        refuse(event, f"event {number} raised nothing by then; {still or 'nothing'} is open")
    before = found.settled
    if before is not None and before.kind == "settled":
        state.warn(event, f"{found.what} {number} was settled at {pet(before.at)} (event {before.number})")
    _settle(state, found, event, at)


def answered(state: State, event: Recorded, at: float) -> None:
    """Take a decision as the answer to every open question about what it decides."""
    key = BY_NAME[event.kind].settles
    if key is None or not state.raised:
        return
    for one in list(state.raised.values()):
        if one.settled is None and one.what == "question" and _about(state, one.about, event, key):
            _settle(state, one, event, at)


def _settle(state: State, one: Raised, event: Recorded, at: float) -> None:
    text, by = event.body.get("text", ""), event.body.get("by")
    how = Settlement(event.number, event.kind, at, text, by, event.seat)
    state.raised[one.number] = replace(one, settled=how)


def _about(state: State, subject: str | None, event: Recorded, key: str) -> bool:
    """Whether a question about a subject is about what an event decides."""
    if subject is None:
        return False
    decided = event.body.get(key)
    if key == "crew":
        return subject in (state.crew if decided is None else decided)
    if key == "task":
        return subject == decided or (subject in state.steps and state.steps[subject].step.task == decided)
    everybody = str(decided).removeprefix("*") if key == "limit" and str(decided).startswith("*.") else ""
    return subject == decided or bool(everybody and subject.endswith(everybody))
