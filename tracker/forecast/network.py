"""The steps ahead as a graph: which may remain, on which optional tasks each hangs, who does what when.

Hides that needs of a step that is left out pass on to those that need it, and that a closer lives as long as
anything does that opens its item.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from tracker.forecast.world import Node
from tracker.journal.progress import Progress
from tracker.plan.graph import closure, sort_steps

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
    """The network of what may remain; `crew` says who does each open step now.

    Raises ValueError where the open steps need one another in a circle, which the journal never lets in.
    """
    task_needs = _task_needs(progress)
    optional = _optional(progress, task_needs)
    alive = _alive(progress, optional)
    steps, stuck = sort_steps(list(alive), _before(progress, alive))
    if stuck:
        raise ValueError("the open steps need one another in a circle")
    place = {step: i for i, step in enumerate(steps)}
    first: dict[str, int] = {}
    for i, step in enumerate(steps):
        first.setdefault(progress.steps[step].step.task, i)
    ranked = tuple(sorted(optional, key=lambda task: first.get(task, len(steps))))
    index = {task: k for k, task in enumerate(ranked)}
    needed = {task: closure([task], task_needs.__getitem__) for task in ranked}
    return Network(
        steps=tuple(steps),
        place=place,
        needs=tuple(_needs_of(progress, step, alive, crew, place) for step in steps),
        optional=ranked,
        groups=tuple(tuple(sorted(index[task] for task in alive[step] or ())) for step in steps),
        optional_needs=tuple(
            tuple(sorted(index[need] for need in needed[task] if need in index and need != task))
            for task in ranked
        ),
    )


def keepers(progress: Progress, tasks: Iterable[str]) -> Mapping[str, Groups]:
    """Per open step those of these tasks of which any keeps it alive; None where it remains without them."""
    return _alive(progress, tasks)


def _task_needs(progress: Progress) -> dict[str, set[str]]:
    """Per task the other tasks whose open steps its open steps need."""
    out: dict[str, set[str]] = {task: set() for task in progress.tasks}
    for step, needs in progress.needs.items():
        if needs:
            mine = progress.steps[step].step.task
            out[mine].update(progress.steps[need].step.task for need in needs)
            out[mine].discard(mine)
    return out


def _optional(progress: Progress, task_needs: Mapping[str, set[str]]) -> list[str]:
    """The tasks that may be left out, in file order.

    What committed work needs is as good as committed.
    """
    tasks = progress.tasks.items()
    binding = [task for task, state in tasks if not state.optional and state.status in ("open", "begun")]
    bound = closure(binding, task_needs.__getitem__)
    return [task for task, state in tasks if state.optional and task not in bound]


def _alive(progress: Progress, optional: Iterable[str]) -> dict[str, Groups]:
    """Every step that may remain with what keeps it alive, in file order.

    A closer lives as long as anything does that opens its item, even in a task that is left out.
    """
    may_go = {task: frozenset((task,)) for task in optional}
    out: dict[str, Groups] = {}
    for step, state in progress.steps.items():
        if state.ended is None:
            gone = progress.tasks[state.step.task].status in ("dropped", "left")
            out[step] = frozenset() if gone else may_go.get(state.step.task)
    for item in progress.open_items:
        if item.closed_by in out:
            out[item.closed_by] = None
    closers = _closers(progress, out)
    own = dict(out)
    for opener in closers:
        for step in closure([opener], lambda one: closers.get(one, ())):
            mine, from_opener = out[step], own[opener]
            out[step] = None if mine is None or from_opener is None else mine | from_opener
    # The journal says that it remains though nothing here explains why: then it does.
    return {step: groups or None for step, groups in out.items()}


def _closers(progress: Progress, ahead: Iterable[str]) -> dict[str, list[str]]:
    """Per step the other ones ahead that close an item it opens."""
    planned = [progress.steps[step].step for step in ahead]
    closer = {item: step.id for step in planned for item in step.closes}
    opener = {item: step.id for step in planned for item in step.opens}
    out: dict[str, list[str]] = {}
    for item, step in opener.items():
        if closer.get(item, step) != step:
            out.setdefault(step, []).append(closer[item])
    return out


def _before(progress: Progress, alive: Mapping[str, Groups]) -> dict[str, list[str]]:
    """Per step those that come right before it: by need, or in a crew member's order."""
    needs = progress.needs
    out = {step: [n for n in needs[step] if n in alive] if needs.get(step) else [] for step in alive}
    for crew, order in progress.order.items():
        if crew not in progress.entered:
            mine = [step for step in order if step in alive]
            for earlier, later in pairwise(mine):
                out[later].append(earlier)
    return out


def _needs_of(
    progress: Progress,
    step: str,
    alive: Mapping[str, Groups],
    crew: Mapping[str, Sequence[str]],
    place: Mapping[str, int],
) -> tuple[int, ...]:
    """The places of what a step waits for, through every step that may be left out.

    A closer that stays when its task is left out waits for nothing in place of what is abandoned.
    """
    direct = progress.needs.get(step, ())
    if not direct:
        return ()
    own = progress.steps[step].step.task
    stays = progress.tasks[own].optional and alive[step] != frozenset((own,))

    def inherited(need: str) -> Sequence[str]:
        return () if stays or alive.get(need) is None else progress.needs.get(need, ())

    found = closure(direct, inherited)
    mine = set(crew[step])
    return tuple(sorted(place[need] for need in found if need in alive and mine.isdisjoint(crew[need])))


Queues = tuple[tuple[int, ...], ...]
"""Per crew member the places, among the nodes, of their open steps in order."""


@dataclass(frozen=True, eq=False)
class OrderOfWork:
    """Who does which open step of a world after which, and what changes make of that."""

    progress: Progress
    crew: Sequence[str]
    nodes: Sequence[Node]

    @cached_property
    def place(self) -> Mapping[str, int]:
        """Place of each open step among the nodes."""
        return {node.step: i for i, node in enumerate(self.nodes)}

    @cached_property
    def tasks(self) -> Mapping[str, tuple[int, ...]]:
        """The open steps of each task that has any."""
        out: dict[str, tuple[int, ...]] = {}
        for i in self._all:
            out[self.nodes[i].task] = (*out.get(self.nodes[i].task, ()), i)
        return out

    @cached_property
    def needs(self) -> tuple[tuple[int, ...], ...]:
        """Per node all that finishes first, of its own crew as well."""
        alive = _alive(self.progress, _optional(self.progress, _task_needs(self.progress)))
        nobody: Mapping[str, Sequence[str]] = dict.fromkeys(alive, ())
        return tuple(_needs_of(self.progress, step, alive, nobody, self.place) for step in self.place)

    @cached_property
    def current(self) -> tuple[int | None, ...]:
        """Per crew member the current step."""
        return tuple(self.place.get(self.progress.current.get(c) or "") for c in self.crew)

    @cached_property
    def queues(self) -> Queues:
        """The queues that stand."""
        return tuple(self._queue(c, self._all) for c in range(len(self.crew)))

    @cached_property
    def tells_all(self) -> bool:
        """Whether everybody goes by it: not after a recall, nor where people made a circle of it."""
        order = self.progress.order
        said = tuple(tuple(self.place[step] for step in order.get(c, ())) for c in self.crew)
        return not self.progress.recall and said == self.current_first(self.queues)

    def current_first(self, queues: Queues) -> Queues:
        """The order in which the queues are done: whoever is at a step stays at it."""
        return tuple(
            (now, *(i for i in queue if i != now)) if now in queue and queue[0] != now else queue
            for now, queue in zip(self.current, queues, strict=True)
        )

    def begins_something(self, step: str, other: str) -> bool:
        """Whether somebody would begin something else at once if this one had the step."""
        taken = self.current[self.crew.index(other)]
        return self.place[step] in self.current or taken is None or self.nodes[taken].closeout

    def moved(self, task: str, before: str | None) -> Queues:
        """The queues with a task's open steps before those of another one; None: before closeout."""
        steps, mine = self._all, self.tasks[task]
        closeout = (k for k, i in enumerate(steps) if self.nodes[i].closeout)
        place = next(closeout, len(steps))
        if before is not None:
            place = min(place, steps.index(self.tasks[before][0]))
        head, tail = ([i for i in part if i not in mine] for part in (steps[:place], steps[place:]))
        there = [*head, *mine, *tail]
        crew = {c for i in mine for c in self.nodes[i].crew}
        return tuple(self._queue(c, there) if c in crew else queue for c, queue in enumerate(self.queues))

    def handed(self, step: int, other: int) -> Queues:
        """The queues with this step in the hands of another crew member."""
        giver = self.nodes[step].crew
        queues = [
            tuple(i for i in queue if i != step) if c in giver else queue
            for c, queue in enumerate(self.queues)
        ]
        theirs = {*queues[other], step}
        queues[other] = tuple(i for i in self._all if i in theirs)
        return tuple(queues)

    def sorted(self, queues: Queues) -> list[int] | None:
        """All open steps so that each comes after its needs and its crew's steps before it.

        None where that is a circle.
        """
        before = {i: list(needs) for i, needs in enumerate(self.needs)}
        for queue in queues:
            for earlier, later in pairwise(queue):
                before[later].append(earlier)
        steps, stuck = sort_steps(range(len(before)), before)
        return None if stuck else steps

    @cached_property
    def _all(self) -> tuple[int, ...]:
        return tuple(self.place[step] for step in self.progress.fold.sequence if step in self.place)

    def _queue(self, crew: int, steps: Iterable[int]) -> tuple[int, ...]:
        return tuple([i for i in steps if crew in self.nodes[i].crew])
