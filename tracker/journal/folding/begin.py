"""When a step begins, what it has to wait for, and which cause came last.

Needs of work that was given up are inherited here, and circles of needs and orders are found.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import NamedTuple

from tracker.journal.folding.state import State
from tracker.journal.progress import StepState
from tracker.plan.graph import around, before_each, circles, closure
from tracker.plan.windows import next_start, usable


def needs_of(state: State, step: str) -> tuple[str, ...]:
    """Return the steps, open or done, that must finish before this one.

    A need that was skipped or dropped gives way to its own needs. For a closer that is left of a dropped
    task, and for everything after a recall, needs on abandoned steps fall away.
    """
    own = state.needs[step]
    steps = state.steps
    for need in own:
        if steps[need].ended not in (None, "done"):
            break
    else:
        return own
    void = steps[step].step.task in state.dropped

    def instead(need: str) -> tuple[str, ...]:
        return () if void or steps[need].ended in (None, "done", "left") else state.needs[need]

    found = closure(own, instead)
    return tuple(need for need in found if need != step and steps[need].ended in (None, "done"))


def open_needs(state: State, step: str) -> tuple[str, ...]:
    """Return the open steps that must finish before this one; none once it has begun."""
    if state.steps[step].began is not None:
        return ()
    return tuple(need for need in needs_of(state, step) if state.steps[need].ended is None)


def circle(state: State) -> str | None:
    """Return a circle of needs and crew members' orders among the open steps in words; None without one."""
    return circle_in(state, state.queue)


def circle_in(state: State, order: Mapping[str, tuple[str, ...]]) -> str | None:
    """Return a circle of needs and the given orders in words; None without one."""
    steps = [step for step in state.sequence if state.steps[step].ended is None]
    before = before_each({step: open_needs(state, step) for step in steps}, order)
    found = circles(steps, before)
    if not found:
        return None
    return around(found[0], before)


class Start(NamedTuple):
    """When a step starts; None while that is not known, then `cause` is what it waits for."""

    at: float | None
    cause: str | None


def start_waiting(state: State, now: float) -> None:
    """Let every current step that is not at work begin as soon as nothing is in its way any more.

    What was not in sight before an event cannot have begun before it.
    """
    for step in dict.fromkeys(state.current.values()):
        if step is None:
            continue
        s = state.steps[step]
        if s.running_since is not None and (s.running_since <= now or step in state.firm):
            continue
        start = _natural_start(state, s)
        if start.at is not None and start.at < now:
            start = Start(now, state.cause.get(step, start.cause))
        _await(state, s, start)


def _await(state: State, s: StepState, start: Start) -> None:
    step = s.step.id
    if start.cause is not None:
        state.cause[step] = start.cause
    if start.at is None:
        if s.running_since is not None:
            fresh = s.worked_s == 0 and s.begin_kind != "stated"
            gone = {"began": None, "begin_kind": None} if fresh else {}
            state.change(step, running_since=None, **gone)
        return
    if s.running_since == start.at:
        return
    begun = _begun(s)
    state.suspended.discard(step)
    state.change(
        step,
        running_since=start.at,
        began=s.began if begun else start.at,
        begin_kind=s.begin_kind if begun else "implied",
        waited_for=s.waited_for if begun else start.cause,
    )


def _natural_start(state: State, s: StepState) -> Start:
    blocked = _blocked(state, s)
    return Start(None, blocked) if blocked else latest(state, s, s.crew)


def _begun(s: StepState) -> bool:
    """Whether a step was begun before, so that only its crew is waited for."""
    return s.began is not None and (s.worked_s > 0 or s.begin_kind == "stated")


def _blocked(state: State, s: StepState) -> str | None:
    """Return what is in the way of a step without a known end; None when nothing is."""
    step = s.step.id
    if state.zero is None:
        return "zero"
    if any(c in state.holds for c in s.crew):
        return "hold"
    if not _begun(s):
        for need in needs_of(state, step):
            if state.steps[need].done is None:
                return f"need {need}"
        if s.step.hold_point is not None and step not in state.went:
            return "go"
    for c in s.crew:
        if state.current[c] != step:
            return f"crew {c}"
    if not _begun(s) and not isfinite(_opening(state, s, latest_before_window(state, s, s.crew).at or 0.0)):
        return f"window {' '.join(s.step.windows)}"
    return None


def latest(state: State, s: StepState, crew: Iterable[str]) -> Start:
    """Return the latest of everything that is known to hold a step back, and what it is.

    `crew` are those of its crew whose earlier work counts. What has no known instant is left out.
    """
    before = latest_before_window(state, s, crew)
    assert before.at is not None
    if _begun(s):
        return before
    opening = _opening(state, s, before.at)
    if isfinite(opening) and opening > before.at:
        return Start(opening, f"window {' '.join(s.step.windows)}")
    return before


def latest_before_window(state: State, s: StepState, crew: Iterable[str]) -> Start:
    """Return the same without the windows."""
    at, cause = state.earliest.get(s.step.id, 0.0), None
    for c in crew:
        if state.mark[c] > at:
            at = state.mark[c]
            cause = "hold" if _after_hold(state, c) else f"crew {c}" if len(s.crew) > 1 else None
    if _begun(s):
        return Start(at, cause)
    for need in needs_of(state, s.step.id):
        done = state.steps[need].done
        if done is not None and done > at:
            at, cause = done, f"need {need}"
    went = state.went.get(s.step.id)
    if went is not None and went > at:
        at, cause = went, "go"
    return Start(at, cause)


def _after_hold(state: State, crew: str) -> bool:
    last = state.spent[crew].last
    return crew not in state.batches and last is not None and last.kind == "hold"


def _opening(state: State, s: StepState, at: float) -> float:
    if not s.step.windows:
        return at
    return next_start(spans_of(state, s), at)


def spans_of(state: State, s: StepState) -> tuple[tuple[float, float], ...]:
    """Return when a step may start by its windows."""
    whole = float(s.step.time.likely) if s.step.whole else None
    return usable([state.openings[name] for name in s.step.windows], whole)


def in_window(state: State, s: StepState, at: float) -> bool:
    """Whether a step may start at an instant by its windows."""
    return not s.step.windows or any(a <= at < b for a, b in spans_of(state, s))
