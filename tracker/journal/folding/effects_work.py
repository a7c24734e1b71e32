"""What happens when work on a step begins, counts, ends."""

from __future__ import annotations

from collections.abc import Iterable

from tracker.foundation.times import instant_of
from tracker.journal.folding.batch import TOGETHER_S, Batch, Tick
from tracker.journal.folding.begin import in_window, latest
from tracker.journal.folding.evidence import planned_s
from tracker.journal.folding.lookup import the_step
from tracker.journal.folding.needs import open_needs
from tracker.journal.folding.order import go_on, queue_again, unqueue
from tracker.journal.folding.remaining import give_up, is_open
from tracker.journal.folding.spending import account, account_all, break_off, settle, stop
from tracker.journal.folding.state import State, on_record, pet, refuse
from tracker.journal.progress import Recorded, StepState

_LATE_S = 7 * 86400.0


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
    _take_up(state, event, step)
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
    if state.dropped or state.recall:
        give_up(state, event, at)


def _take_up(state: State, event: Recorded, step: str) -> None:
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
        state.warn(event, f"{step} before its need {', '.join(needs)}")
    if s.step.hold_point is not None and step not in state.went:
        state.warn(event, f"{step} without its go")
    if s.began is None and not in_window(state, s, at):
        state.warn(event, f"{step} outside its window {' '.join(s.step.windows)}")
    _warn_crew(state, event, s)


def _warn_crew(state: State, event: Recorded, s: StepState) -> None:
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
        _unstart(state, step)
    crew = state.steps[step].crew
    for c in crew:
        other = state.current[c]
        if other is not None and other != step:
            break_off(state, other, at)
            state.current.update(dict.fromkeys(state.members(other), None))
        account(state, c, at)
        state.current[c] = step
    stop(state, step, at)
    go_on(state, at)


def _unstart(state: State, step: str) -> None:
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
    _check_count(event, s, count)
    if s.ended == "done":
        state.warn(event, on_record(state, step))
        state.change(step, counted=count)
        return
    _take_up(state, event, step)
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
    begin, there = _forced(state, state.steps[step], at)
    if not there:
        return
    _warn_begin(state, event, step, begin)
    for c in there:
        if (other := state.current[c]) is not None and other != step:
            _unstart(state, other)
        state.current[c] = step
    s = state.steps[step]
    implied = {} if s.began is not None else {"began": begin, "begin_kind": "implied"}
    state.change(step, running_since=begin, waited_for=state.cause.get(step), **implied)


def _check_count(event: Recorded, s: StepState, count: int) -> None:
    if count > s.step.count:
        refuse(event, f"count {count} is more than the {s.step.count} of {s.step.id}")


def _forced(state: State, s: StepState, at: float) -> tuple[float, list[str]]:
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
    return other is None or other == step or other not in state.firm


def done(state: State, event: Recorded, at: float) -> None:
    """Tick a step off."""
    s = the_step(state, event)
    step = s.step.id
    if s.ended == "done":
        refuse(event, f"{on_record(state, step)}; it cannot be done twice")
    count = event.body.get("count", s.step.count)
    _check_count(event, s, count)
    given_up = s.ended is not None
    _take_up(state, event, step)
    tick = _tick(state, event, step, at, count)
    evidence = state.steps[step].evidence and not given_up and not any(c in state.silent for c in s.crew)
    state.change(
        step,
        ended="done",
        done=at,
        began=tick.begin if s.began is None or (s.worked_s == 0 and not tick.stated) else s.began,
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
        _warn_tick(state, event, s, there)
    else:
        begin, there = _forced(state, s, at)
        _warn_tick(state, event, s, [c for c in there if state.current[c] == step])
        _warn_begin_done(state, event, s, begin)
    for c in there:
        if (other := state.current[c]) is not None and other != step:
            _unstart(state, other)
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


def _warn_tick(state: State, event: Recorded, s: StepState, there: Iterable[str]) -> None:
    here = set(there)
    away = [c for c in s.crew if c not in here]
    if len(s.crew) > 1 and away:
        state.warn(event, f"{s.step.id} is a joint step, and {', '.join(away)} was not at it")
    _warn_crew(state, event, s)


def _warn_begin_done(state: State, event: Recorded, s: StepState, begin: float) -> None:
    if needs := open_needs(state, s.step.id):
        state.warn(event, f"{s.step.id} before its need {', '.join(needs)}")
    if s.step.hold_point is not None and s.step.id not in state.went:
        state.warn(event, f"{s.step.id} without its go")
    if s.began is None or s.running_since is not None:
        started = begin if s.running_since is None else min(begin, event.at)
        if not in_window(state, s, started):
            state.warn(event, f"{s.step.id} outside its window {' '.join(s.step.windows)}")


def _join(state: State, tick: Tick) -> None:
    """Put a tick into the batch of its crew where it came within seconds of the tick before."""
    joined: dict[int, Batch] = {}
    for c in tick.crew:
        batch = state.batches.get(c)
        if batch is None:
            continue
        near = tick.at - batch.last_of(c) < TOGETHER_S
        if near and not tick.stated and not any(t.stated for t in batch.ticks):
            joined[id(batch)] = batch
        else:
            settle(state, batch)
    ticks = [one for batch in joined.values() for one in batch.ticks]
    whole = Batch((*sorted(ticks, key=lambda one: (one.at, one.number)), tick))
    for c in whole.crew:
        state.batches[c] = whole
    if not tick.crew:
        _alone(state, tick)


def _alone(state: State, tick: Tick) -> None:
    """Keep the work time of a step that nobody was at: what it had before."""
    state.change(tick.step, worked_s=tick.worked_s)


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
    members = state.members(step)
    break_off(state, step, at)
    account_all(state, members, at)
    unqueue(state, step)
    state.change(step, ended="skipped", done_number=event.number, seat=event.seat)
    state.taken_up -= {step}
    give_up(state, event, at)
