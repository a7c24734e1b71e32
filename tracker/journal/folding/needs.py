"""What a step has to wait for: needs inherited from work that was given up, and circles."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.journal.folding.state import State
from tracker.plan.graph import before_each, circles


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
    found: dict[str, None] = {}
    seen: set[str] = set()
    todo = list(reversed(own))
    while todo:
        need = todo.pop()
        ended = steps[need].ended
        if ended is None or ended == "done":
            found[need] = None
        elif need not in seen and not void and ended != "left":
            seen.add(need)
            todo.extend(reversed(state.needs[need]))
    found.pop(step, None)
    return tuple(found)


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
    around = found[0]
    after = [*around[1:], around[0]]
    return ", ".join(f"{one} {before[one][other]}" for one, other in zip(around, after, strict=True))
