"""Which steps may remain, in which order they come, and on which optional tasks each depends."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from itertools import pairwise

from tracker.journal.progress import Progress, TaskState

Groups = frozenset[str] | None
"""Optional tasks of which any keeps a step alive; None: it always remains."""


@dataclass(frozen=True, slots=True)
class Network:
    """The steps that may remain, their order, and what they hang on."""

    steps: tuple[str, ...]
    """In one topological order of needs and of each crew member's own order."""
    place: Mapping[str, int]
    """Place of each step in `steps`."""
    needs: tuple[tuple[int, ...], ...]
    """Per step the places of those that finish first; those of its own crew left out, since the crew's
    order says it. Needs of a step that may be left out are there as well, so that they are inherited."""
    optional: tuple[str, ...]
    """Tasks that advice may leave out, by their first step."""
    groups: tuple[tuple[int, ...], ...]
    """Per step indices into `optional` of the tasks of which any keeps it alive; empty: always."""
    optional_needs: tuple[tuple[int, ...], ...]
    """Per optional task those that it needs, directly or not."""


def network(progress: Progress, crew: Mapping[str, Sequence[str]]) -> Network:
    """Return the network of what may remain; `crew` says who does each open step now."""
    task_needs = _task_needs(progress)
    optional = _optional(progress, task_needs)
    alive = _alive(progress, optional)
    steps = _sorted(alive, _before(progress, alive))
    place = {step: i for i, step in enumerate(steps)}
    first = {task: len(steps) for task in optional}
    for i in range(len(steps) - 1, -1, -1):
        task = progress.steps[steps[i]].step.task
        if task in first:
            first[task] = i
    ranked = tuple(sorted(optional, key=first.__getitem__))
    index = {task: k for k, task in enumerate(ranked)}
    return Network(
        steps=steps,
        place=place,
        needs=tuple(_needs_of(progress, step, alive, crew, place) for step in steps),
        optional=ranked,
        groups=tuple(_indices(alive[step], index) for step in steps),
        optional_needs=tuple(_reached(task, task_needs, index) for task in ranked),
    )


def every_need(progress: Progress, place: Mapping[str, int]) -> tuple[tuple[int, ...], ...]:
    """Return per step what it waits for, of its own crew as well; `place` says where each step is."""
    alive = _alive(progress, _optional(progress, _task_needs(progress)))
    nobody: Mapping[str, Sequence[str]] = dict.fromkeys(alive, ())
    return tuple(_needs_of(progress, step, alive, nobody, place) for step in place)


def _indices(tasks: Groups, index: Mapping[str, int]) -> tuple[int, ...]:
    return tuple(sorted(index[task] for task in tasks)) if tasks else ()


def _task_needs(progress: Progress) -> dict[str, set[str]]:
    """Return per task the other tasks whose open steps its open steps need."""
    out: dict[str, set[str]] = {task: set() for task in progress.tasks}
    for step, needs in progress.needs.items():
        if needs:
            mine = progress.steps[step].step.task
            out[mine].update(progress.steps[need].step.task for need in needs)
            out[mine].discard(mine)
    return out


def _optional(progress: Progress, task_needs: Mapping[str, set[str]]) -> list[str]:
    """Return the tasks that may be left out, in file order.

    What committed work needs is as good as committed.
    """
    bound = [task for task, state in progress.tasks.items() if _binds(state)]
    seen = set(bound)
    while bound:
        for need in task_needs[bound.pop()] - seen:
            seen.add(need)
            bound.append(need)
    return [task for task, state in progress.tasks.items() if state.optional and task not in seen]


def _binds(state: TaskState) -> bool:
    return not state.optional and state.status in ("open", "begun")


def _alive(progress: Progress, optional: Iterable[str]) -> dict[str, Groups]:
    """Return every step that may remain with what keeps it alive, in file order.

    A closer lives as long as anything does that opens its item, even in a task that is left out.
    """
    may_go = {task: frozenset((task,)) for task in optional}
    out: dict[str, Groups] = {}
    for step, state in progress.steps.items():
        if state.ended is None:
            dropped = progress.tasks[state.step.task].status == "dropped"
            out[step] = frozenset() if dropped else may_go.get(state.step.task)
    pairs = _item_pairs(progress, out)
    for item in progress.open_items:
        if item.closed_by in out:
            out[item.closed_by] = None
    changed = True
    while changed:
        changed = False
        for opener, closer in pairs:
            joined = _either(out[opener], out[closer])
            if joined != out[closer]:
                out[closer], changed = joined, True
    # The journal says that it remains though nothing here explains why: then it does.
    return {step: groups or None for step, groups in out.items()}


def _either(a: Groups, b: Groups) -> Groups:
    return None if a is None or b is None else a | b


def _item_pairs(progress: Progress, open_steps: Mapping[str, Groups]) -> list[tuple[str, str]]:
    """Return (opener, closer) of every item of which both are still ahead."""
    openers: dict[str, str] = {}
    closers: dict[str, str] = {}
    for step in open_steps:
        planned = progress.steps[step].step
        if planned.opens or planned.closes:
            openers.update(dict.fromkeys(planned.opens, step))
            closers.update(dict.fromkeys(planned.closes, step))
    return [(openers[i], closers[i]) for i in openers if i in closers and openers[i] != closers[i]]


def _before(progress: Progress, alive: Mapping[str, Groups]) -> dict[str, list[str]]:
    """Return per step those that come right before it: by need, or in a crew member's order."""
    needs = progress.needs
    out = {step: [n for n in needs[step] if n in alive] if needs.get(step) else [] for step in alive}
    for crew, order in progress.order.items():
        if crew not in progress.entered:
            mine = [step for step in order if step in alive]
            for earlier, later in pairwise(mine):
                out[later].append(earlier)
    return out


def _sorted(steps: Iterable[str], before: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """Return the steps in topological order; of several that could come next, the first as given.

    Raises ValueError for a circle, which the journal never lets in.
    """
    names = list(steps)
    rank = {step: i for i, step in enumerate(names)}
    waits = [len(before[step]) for step in names]
    after: list[list[int]] = [[] for _ in names]
    for step, earlier in before.items():
        for e in earlier:
            after[rank[e]].append(rank[step])
    free = [i for i, count in enumerate(waits) if count == 0]
    heapify(free)
    out = []
    while free:
        i = heappop(free)
        out.append(names[i])
        for j in after[i]:
            waits[j] -= 1
            if waits[j] == 0:
                heappush(free, j)
    if len(out) < len(names):
        raise ValueError("the open steps need one another in a circle")
    return tuple(out)


def _needs_of(
    progress: Progress,
    step: str,
    alive: Mapping[str, Groups],
    crew: Mapping[str, Sequence[str]],
    place: Mapping[str, int],
) -> tuple[int, ...]:
    """Return the places of what a step waits for, through every step that may be left out.

    A closer that stays when its task is left out waits for nothing in place of what is abandoned.
    """
    direct = progress.needs.get(step, ())
    if not direct:
        return ()
    own = progress.steps[step].step.task
    stays = progress.tasks[own].optional and alive[step] != frozenset((own,))
    found: dict[str, None] = {}
    ahead = list(direct)
    while ahead:
        need = ahead.pop()
        if need not in found and need in alive:
            found[need] = None
            if alive[need] is not None and not stays:
                ahead.extend(progress.needs.get(need, ()))
    mine = set(crew[step])
    return tuple(sorted(place[need] for need in found if mine.isdisjoint(crew[need])))


def _reached(task: str, task_needs: Mapping[str, set[str]], index: Mapping[str, int]) -> tuple[int, ...]:
    """Return the optional tasks that a task needs, directly or through others."""
    seen: set[str] = set()
    ahead = [task]
    while ahead:
        for need in task_needs[ahead.pop()] - seen:
            seen.add(need)
            ahead.append(need)
    return tuple(sorted(index[t] for t in seen if t in index and t != task))
