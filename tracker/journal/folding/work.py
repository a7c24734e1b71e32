"""Effects of work on a step: it begins, counts and ends; its tick, and the time that belongs to it."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite

from tracker.foundation.times import instant_of
from tracker.journal.folding.begin import in_window, latest, needs_of, open_needs
from tracker.journal.folding.order import give_up, go_on, is_open, queue_again, unqueue
from tracker.journal.folding.spending import (
    TOGETHER_S,
    account,
    break_off,
    planned_s,
    settle,
    stop,
)
from tracker.journal.folding.state import Batch, State, Tick, on_record, pet, refuse, the_step
from tracker.journal.progress import Observation, Recorded, StartKind, StepState


def began(state: State, event: Recorded, at: float) -> None:
    """Work on the step started or goes on; whoever of its crew was at another step sets that aside."""
    s = the_step(state, event)
    step = s.step.id
    if s.ended == "done":
        refuse(event, f"{on_record(state, step)}; withdraw or amend one of the two")
    if step in state.firm and state.at_work(step, at) and len(state.members(step)) == len(s.crew):
        since = s.running_since or 0.0
        state.warn(event, f"{step} is already at work since {pet(since)}")
        return
    take_up(state, event, step)
    _warn_begin(state, event, step, at)
    _gather(state, step, at)
    held = any(c in state.holds for c in s.crew)
    s = state.steps[step]
    state.change(
        step,
        began=at if s.began is None else s.began,
        begin_kind="stated",
        running_since=None if held else at,
        waited_for=state.cause.get(step) if s.began is None else s.waited_for,
    )
    (state.suspended if held else state.firm).add(step)
    go_on(state, at)
    if state.dropped or state.recall:
        give_up(state, event, at)


def take_up(state: State, event: Recorded, step: str) -> None:
    """Open a step again that had been given up, since somebody does it after all."""
    s = state.steps[step]
    if s.ended is None:
        return
    why = {
        "skipped": "was skipped",
        "dropped": "belongs to dropped work",
        "left": "was left when called",
    }
    state.warn(event, f"{step} {why.get(s.ended, s.ended)}")
    state.taken_up |= {step}
    state.change(step, ended=None, done_number=None, seat=None)
    queue_again(state, s.crew)


def _warn_begin(state: State, event: Recorded, step: str, at: float) -> None:
    s = state.steps[step]
    if needs := open_needs(state, step):
        warn_needs(state, event, s, needs)
    if s.step.hold_point is not None and step not in state.went:
        state.warn(event, f"{step} without its go")
    if s.began is None and not in_window(state, s, at):
        state.warn(event, f"{step} outside its window {' '.join(s.step.windows)}")
    warn_crew(state, event, s)


def warn_needs(state: State, event: Recorded, s: StepState, needs: Sequence[str]) -> None:
    """Warn about a step that begins or ends before what it needs."""
    wanted = " and ".join(state.steps[need].step.do for need in needs)
    state.warn(event, f"{s.step.do} before {wanted}, which it needs")


def warn_crew(state: State, event: Recorded, s: StepState) -> None:
    """Warn about a step that is worked on in a hold, or without an owner."""
    if held := [c for c in s.crew if c in state.holds]:
        since = state.holds[held[0]].since
        state.warn(event, f"{s.step.id} in a hold of {', '.join(held)} since {pet(since)}")
    if not s.crew:
        state.warn(event, f"{s.step.id} has no owner")


def _gather(state: State, step: str, at: float) -> None:
    """Bring the whole crew of a step to it; what they were at is set aside with the work time it has.

    Whoever was at that with them goes to what is next for them.
    """
    if step not in state.firm:
        unstart(state, step)
    crew = state.steps[step].crew
    for c in crew:
        if c in state.entered:
            continue
        other = state.current[c]
        if other is not None and other != step:
            break_off(state, other, at)
            state.current.update(dict.fromkeys(state.members(other), None))
        account(state, c, at)
        state.current[c] = step
    stop(state, step, at)


def unstart(state: State, step: str) -> None:
    """Take back that a step began by itself."""
    s = state.steps[step]
    if s.running_since is None or step in state.firm:
        return
    fresh = s.worked_s == 0 and s.begin_kind != "stated"
    state.change(step, running_since=None, **({"began": None, "begin_kind": None} if fresh else {}))


def counted(state: State, event: Recorded, at: float) -> None:
    """So many items of the step are done; the step itself goes on."""
    s = the_step(state, event)
    step, count = s.step.id, event.body["count"]
    check_count(event, s, count)
    if s.ended == "done":
        state.warn(event, on_record(state, step))
        state.change(step, counted=count)
        return
    take_up(state, event, step)
    if not state.at_work(step, at) and step not in state.suspended:
        _begin_silently(state, event, step, at)
    s = state.steps[step]
    if state.at_work(step, at):
        state.firm.add(step)
    state.change(step, counted=count, counted_worked_s=s.elapsed_s(at))
    if state.dropped or state.recall:
        give_up(state, event, at)


def _begin_silently(state: State, event: Recorded, step: str, at: float) -> None:
    """Let a step be at work because something of it is done, though nobody said that it began."""
    begin, there = forced(state, state.steps[step], at)
    if not there:
        return
    _warn_begin(state, event, step, begin)
    for c in there:
        if (other := state.current[c]) is not None and other != step:
            unstart(state, other)
        state.current[c] = step
    s = state.steps[step]
    # One that was only to begin, when a window opens, has begun with what is done of it.
    begun = s.began is not None and s.began <= at
    implied = {} if begun else {"began": begin, "begin_kind": "implied"}
    state.change(step, running_since=begin, waited_for=state.cause.get(step), **implied)


def check_count(event: Recorded, s: StepState, count: int) -> None:
    """Refuse more items than a step has."""
    if count > s.step.count:
        refuse(event, f"count {count} is more than the {s.step.count} of {s.step.id}")


def forced(state: State, s: StepState, at: float) -> tuple[float, list[str]]:
    """Return when a step that is not at work must have begun, and who of its crew was there.

    What it still waits for cannot have held it back; a hold, or a closed window, leaves it no time.
    """
    step = s.step.id
    there = [c for c in s.crew if _free_for(state, c, step)]
    if not there or any(c in state.holds for c in there):
        return at, there
    start = latest(state, s, there).at
    return (at if start is None else min(start, at)), there


def _free_for(state: State, crew: str, step: str) -> bool:
    other = state.current[crew]
    if other is None:
        return crew not in state.entered
    return other == step or other not in state.firm


_LATE_S = 7 * 86400.0


def done(state: State, event: Recorded, at: float) -> None:
    """Tick a step off."""
    s = the_step(state, event)
    step = s.step.id
    if s.ended == "done":
        refuse(event, f"{on_record(state, step)}; it cannot be done twice")
    count = event.body.get("count", s.step.count)
    check_count(event, s, count)
    given_up = s.ended is not None
    take_up(state, event, step)
    tick = _tick(state, event, step, at, count)
    evidence = state.steps[step].evidence and not given_up and not any(c in state.silent for c in s.crew)
    began = tick.begin if s.began is None or (s.worked_s == 0 and not tick.stated) else s.began
    observation = _observation(state, event, tick, began, blind=not evidence or count == 0)
    state.observations = state.observations.add(observation)
    state.ticked.update(dict.fromkeys(tick.crew, at))
    state.change(
        step,
        ended="done",
        done=at,
        began=began,
        begin_kind=s.begin_kind or "implied",
        running_since=None,
        counted=count,
        evidence=evidence,
        waited_for=state.steps[step].waited_for or state.cause.get(step),
        done_number=event.number,
        entry_lag_s=_lag(state, event),
        seat=event.seat,
    )
    state.firm.discard(step)
    state.suspended.discard(step)
    unqueue(state, step)
    _join(state, tick)
    if s.step.site is not None:
        state.site.update(dict.fromkeys(s.crew, s.step.site))
    _after(state, event, step, at)


def _after(state: State, event: Recorded, step: str, at: float) -> None:
    """Go on after a step ended; what it closed, or will not open, may change what remains."""
    if (state.dropped or state.recall) and state.steps[step].step.closes + state.steps[step].step.opens:
        give_up(state, event, at)
    go_on(state, at)


def _lag(state: State, event: Recorded) -> float | None:
    """Return how long after its `at` an event was recorded; None where it was not recorded on the day."""
    if state.zero is None:
        return None
    lag = (event.recorded - instant_of(event.at, state.zero)).total_seconds()
    return lag if -60.0 <= lag <= _LATE_S else None


def _tick(state: State, event: Recorded, step: str, at: float, count: int) -> Tick:
    """Return the tick of a step, everybody's time up to it settled or handed to the tick."""
    s = state.steps[step]
    if state.at_work(step, at):
        begin, there = s.running_since or 0.0, state.members(step)
    else:
        begin, there = forced(state, s, at)
        _warn_window(state, event, s, begin)
    _warn_tick(state, event, s)
    for c in there:
        if (other := state.current[c]) is not None and other != step:
            unstart(state, other)
        if c in state.holds or step in state.suspended:
            account(state, c, at)
    free = {c: state.mark[c] for c in there}
    state.mark.update(dict.fromkeys(there, at))
    return Tick(
        step=step,
        number=event.number,
        at=at,
        begin=begin,
        worked_s=s.worked_s,
        planned_s=planned_s(state, s) * count / s.step.count,
        crew=tuple(there),
        free=free,
        cause=state.cause.get(step),
        stated=s.begin_kind == "stated",
    )


def _observation(state: State, event: Recorded, tick: Tick, began: float, *, blind: bool) -> Observation:
    """Return what a tick says of pace: its time from the begin of its step, or from its crew's last tick."""
    s = state.steps[tick.step]
    last = max((state.ticked.get(c, 0.0) for c in tick.crew), default=0.0)
    # A step that was set aside for others that are done by now has only its last stretch of work behind it.
    start = began if began >= last else tick.begin
    kind: StartKind = "tick" if start <= last and tick.crew else "begun" if tick.stated else "free"
    start = max(start, last)
    planned = state.planned[tick.step]
    middle = sum(planned) / 2.0
    return Observation(
        step=tick.step,
        crew=tick.crew,
        work=s.step.work,
        planned_s=tick.planned_s,
        at=tick.at,
        stated=event.stated,
        start=start,
        start_kind=kind,
        worked_s=tick.worked_s + tick.at - tick.begin,
        clock_s=middle if isfinite(middle) else tick.at,
        counted=(event.body.get("count", s.step.count), s.step.count),
        blind=blind,
    )


def _warn_tick(state: State, event: Recorded, s: StepState) -> None:
    step = s.step.id
    if needs := [need for need in needs_of(state, step) if state.steps[need].ended is None]:
        warn_needs(state, event, s, needs)
    if s.step.hold_point is not None and step not in state.went:
        state.warn(event, f"{step} without its go")
    away = [c for c in s.crew if state.current[c] != step]
    if len(s.crew) > 1 and away:
        were = "was" if len(away) == 1 else "were"
        state.warn(event, f"{step} is a joint step, and {' and '.join(away)} {were} not at it")
    warn_crew(state, event, s)


def _warn_window(state: State, event: Recorded, s: StepState, begin: float) -> None:
    begun = s.began is not None and s.running_since is None
    if not begun and not in_window(state, s, min(begin, event.at)):
        state.warn(event, f"{s.step.id} outside its window {' '.join(s.step.windows)}")


def _join(state: State, tick: Tick) -> None:
    """Put a tick into the batch of its crew where it came within seconds of the tick before."""
    batches = {id(batch): batch for c in tick.crew if (batch := state.batches.get(c)) is not None}
    near = {id(state.batches[c]) for c in tick.crew if _near(state, tick, c)}
    for key, batch in batches.items():
        if key not in near:
            settle(state, batch)
    ticks = [one for key, batch in batches.items() if key in near for one in batch.ticks]
    whole = Batch((*sorted(ticks, key=lambda one: (one.at, one.number)), tick))
    for c in whole.crew:
        state.batches[c] = whole
    if not tick.crew:
        _alone(state, tick)


def _near(state: State, tick: Tick, crew: str) -> bool:
    """Whether a tick came within seconds of this crew member's last one, neither of a stated begin."""
    batch = state.batches.get(crew)
    if batch is None or tick.stated or any(one.stated for one in batch.ticks):
        return False
    return tick.at - batch.last_of(crew) < TOGETHER_S


def _alone(state: State, tick: Tick) -> None:
    """Keep the work time of a step at which nobody was any more: what it had when they left it."""
    state.change(tick.step, worked_s=tick.worked_s + tick.at - tick.begin)


def skipped(state: State, event: Recorded, at: float) -> None:
    """The step will not be done."""
    s = the_step(state, event)
    step = s.step.id
    if s.ended == "done":
        refuse(event, f"{on_record(state, step)}; it cannot be skipped")
    if s.ended is not None:
        state.warn(event, on_record(state, step))
    still_open = [item for item in s.step.closes if is_open(state, item, at)]
    if still_open:
        state.warn(event, f"{', '.join(still_open)} stays open")
    break_off(state, step, at)
    unqueue(state, step)
    state.change(step, ended="skipped", done_number=event.number, seat=event.seat)
    state.taken_up -= {step}
    give_up(state, event, at)
