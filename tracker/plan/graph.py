"""Who does what after what: each crew member's order, needs between steps, and circles in both.

The walks that every room takes through what hangs together are here, once each: `closure`, `sort_steps` (the
topological order) and `circles`. They know nothing of plans: whatever can be a key of a mapping will do.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from itertools import pairwise
from typing import TypeVar

from tracker.plan.model import Plan, Step, Task

T = TypeVar("T", bound=Hashable)


def closure(start: Iterable[T], following: Callable[[T], Iterable[T]]) -> dict[T, None]:
    """All that is reached from the start, itself included, each once, in the order of a walk into the depth.

    `following` gives what comes directly after one of them; it is asked once for each.
    """
    found: dict[T, None] = {}
    todo = list(start)[::-1]
    while todo:
        one = todo.pop()
        if one not in found:
            found[one] = None
            todo.extend(reversed(list(following(one))))
    return found


def crew_orders(tasks: Iterable[Task], crew: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Each crew member's step ids in file order, closeout last."""
    ordered = sorted(tasks, key=lambda task: task.closeout)
    steps = [step for task in ordered for step in task.steps]
    return {member: tuple(step.id for step in steps if member in step.crew) for member in crew}


def step_needs(tasks: Iterable[Task]) -> dict[str, tuple[str, ...]]:
    """Per step the steps that finish first: needs of the step and of its task, tasks spelled out.

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
    """Per present step the present steps it waits for; absent needs give way to their own needs."""
    here = frozenset(present)

    def instead(step: str) -> Sequence[str]:
        return () if step in here else needs.get(step, ())

    return {
        step: tuple(need for need in closure(needs.get(step, ()), instead) if need in here) for step in here
    }


def remaining(plan: Plan, keep: Iterable[str]) -> tuple[Step, ...]:
    """Return, in file order, the steps of these tasks and the closers of every item that they open."""
    kept = frozenset(keep)
    steps = plan.step
    closer = {item: step.id for step in steps.values() for item in step.closes}
    present = closure(
        (step.id for step in steps.values() if step.task in kept),
        lambda step: (closer[item] for item in steps[step].opens if item in closer),
    )
    return tuple(step for step in steps.values() if step.id in present)


def before_each(
    needs: Mapping[str, Sequence[str]], orders: Mapping[str, Sequence[str]]
) -> dict[str, dict[str, str]]:
    """Per step what comes directly before it, with the reason in words."""
    before: dict[str, dict[str, str]] = {step: {} for step in needs}
    for member, order in orders.items():
        for earlier, later in pairwise(order):
            before.setdefault(later, {}).setdefault(earlier, f"is after {earlier} in the order of {member}")
    for step, wanted in needs.items():
        for need in wanted:
            before[step][need] = f"needs {need}"
    return before


def sort_steps(steps: Sequence[T], before: Mapping[T, Iterable[T]]) -> tuple[list[T], list[T]]:
    """The steps so that each follows what comes before it: of several that could be next, the first given.

    What comes before counts only where it is among the steps, and may be named twice. The second list holds
    the steps that no order serves: they stand in a circle or behind one.
    """
    rank = {step: i for i, step in enumerate(steps)}
    waits = [0] * len(rank)
    after: list[list[int]] = [[] for _ in steps]
    for i, step in enumerate(steps):
        for earlier in before.get(step, ()):
            if earlier in rank:
                after[rank[earlier]].append(i)
                waits[i] += 1
    ready = [i for i, count in enumerate(waits) if count == 0]
    done: list[T] = []
    while ready:
        i = heapq.heappop(ready)
        done.append(steps[i])
        for later in after[i]:
            waits[later] -= 1
            if waits[later] == 0:
                heapq.heappush(ready, later)
    return done, [step for step, count in zip(steps, waits, strict=True) if count]


def circles(steps: Sequence[str], before: Mapping[str, Iterable[str]]) -> list[list[str]]:
    """The circles, one for each knot of them: every step of one comes directly after the next."""
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


def around(circle: Sequence[str], before: Mapping[str, Mapping[str, str]]) -> str:
    """A circle in words, by the reasons of `before_each`: `a needs b, b is after a in the order of EV1`."""
    following = (*circle[1:], circle[0])
    return ", ".join(f"{step} {before[step][prev]}" for step, prev in zip(circle, following, strict=True))


def longest_rising(numbers: Sequence[int]) -> set[int]:
    """The places of a longest rising part of a row: what may stay when the rest is moved into order."""
    best: list[tuple[int, int]] = []
    for place, number in enumerate(numbers):
        before = [earlier for earlier in range(place) if numbers[earlier] < number]
        link = max(before, key=lambda earlier: best[earlier][0], default=-1)
        best.append((best[link][0] + 1 if link >= 0 else 1, link))
    place, found = max(range(len(best)), key=lambda at: best[at][0], default=-1), set[int]()
    while place >= 0:
        found.add(place)
        place = best[place][1]
    return found
