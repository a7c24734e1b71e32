"""What happens when work on a step begins, counts, ends."""

from __future__ import annotations

from tracker.journal.folding.begin import in_window, latest
from tracker.journal.folding.lookup import the_step
from tracker.journal.folding.needs import open_needs
from tracker.journal.folding.order import go_on, queue_again
from tracker.journal.folding.remaining import give_up
from tracker.journal.folding.spending import account, break_off, stop
from tracker.journal.folding.state import State, on_record, pet, refuse
from tracker.journal.progress import Recorded, StepState


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
        state.warn(event, f"{step} before its need {', '.join(needs)}")
    if s.step.hold_point is not None and step not in state.went:
        state.warn(event, f"{step} without its go")
    if s.began is None and not in_window(state, s, at):
        state.warn(event, f"{step} outside its window {' '.join(s.step.windows)}")
    warn_crew(state, event, s)


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
    implied = {} if s.began is not None else {"began": begin, "begin_kind": "implied"}
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
