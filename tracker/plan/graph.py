"""Who does what after what: each crew member's order, needs between steps, and circles in both."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

from tracker.plan.model import Plan, Step, Task


def crew_orders(tasks: Iterable[Task], crew: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return each crew member's step ids in file order, closeout last."""
    ordered = sorted(tasks, key=lambda task: task.closeout)
    steps = [step for task in ordered for step in task.steps]
    return {member: tuple(step.id for step in steps if member in step.crew) for member in crew}


def step_needs(tasks: Iterable[Task]) -> dict[str, tuple[str, ...]]:
    """Return per step the steps that finish first: needs of the step and of its task, tasks spelled out.

    Unknown ids are left out.
    """
    listed = list(tasks)
    of = {task.id: tuple(step.id for step in task.steps) for task in listed}
    of |= {step.id: (step.id,) for task in listed for step in task.steps}
    return {
        step.id: tuple(dict.fromkeys(s for need in (*task.needs, *step.needs) for s in of.get(need, ())))
        for task in listed
        for step in task.steps
    }


def present_needs(needs: Mapping[str, Sequence[str]], present: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return per present step the present steps it waits for; absent needs give way to their own needs."""
    here = frozenset(present)
    return {step: _reached(step, needs, here) for step in here}


def _reached(step: str, needs: Mapping[str, Sequence[str]], here: frozenset[str]) -> tuple[str, ...]:
    found: dict[str, None] = {}
    seen: set[str] = set()
    todo = list(reversed(needs.get(step, ())))
    while todo:
        need = todo.pop()
        if need in here:
            found[need] = None
        elif need not in seen:
            seen.add(need)
            todo.extend(reversed(needs.get(need, ())))
    return tuple(found)


def remaining(plan: Plan, keep: Iterable[str]) -> tuple[Step, ...]:
    """Return, in file order, the steps of these tasks and the closers of every item that they open."""
    kept = frozenset(keep)
    steps = [step for task in plan.tasks for step in task.steps]
    present = {step.id for step in steps if step.task in kept}
    closer = {item: step.id for step in steps for item in step.closes}
    todo = list(present)
    opens = {step.id: step.opens for step in steps}
    while todo:
        for item in opens[todo.pop()]:
            if item in closer and closer[item] not in present:
                present.add(closer[item])
                todo.append(closer[item])
    return tuple(step for step in steps if step.id in present)


def before_each(
    needs: Mapping[str, Sequence[str]], orders: Mapping[str, Sequence[str]]
) -> dict[str, dict[str, str]]:
    """Return per step what comes directly before it, with the reason in words."""
    before: dict[str, dict[str, str]] = {step: {} for step in needs}
    for member, order in orders.items():
        for earlier, later in pairwise(order):
            before.setdefault(later, {}).setdefault(earlier, f"is after {earlier} in the order of {member}")
    for step, wanted in needs.items():
        for need in wanted:
            before[step][need] = f"needs {need}"
    return before


def sort_steps(steps: Sequence[str], before: Mapping[str, Iterable[str]]) -> tuple[list[str], list[str]]:
    """Return the steps so that each follows what comes before it, nearest to the given order.

    The second list holds the steps that no order serves: they stand in a circle or behind one.
    """
    rank = {step: i for i, step in enumerate(steps)}
    waiting = {step: {b for b in before.get(step, ()) if b in rank} for step in steps}
    after: dict[str, list[str]] = {step: [] for step in steps}
    for step, earlier in waiting.items():
        for b in earlier:
            after[b].append(step)
    ready = [rank[step] for step in steps if not waiting[step]]
    heapq.heapify(ready)
    done: list[str] = []
    while ready:
        step = steps[heapq.heappop(ready)]
        done.append(step)
        for later in after[step]:
            waiting[later].discard(step)
            if not waiting[later]:
                heapq.heappush(ready, rank[later])
    return done, [step for step in steps if waiting[step]]


def circles(steps: Sequence[str], before: Mapping[str, Iterable[str]]) -> list[list[str]]:
    """Return circles, one for each knot of them: every step of one comes directly after the next."""
    _, stuck = sort_steps(steps, before)
    left = set(stuck)
    found: list[list[str]] = []
    while left:
        circle = _circle_from(next(step for step in stuck if step in left), before, left)
        if circle:
            found.append(circle)
        left -= set(circle) or left
        # What only stood behind the circle stands free once the circle is set aside.
        _, stuck = sort_steps([step for step in stuck if step in left], before)
        left = set(stuck)
    return found


def _circle_from(step: str, before: Mapping[str, Iterable[str]], left: set[str]) -> list[str]:
    path: list[str] = []
    place: dict[str, int] = {}
    while step not in place:
        place[step] = len(path)
        path.append(step)
        following = [b for b in before.get(step, ()) if b in left]
        if not following:
            return []
        step = following[0]
    return path[place[step] :]
