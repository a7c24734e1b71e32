"""Who does which open step after which, as it stands and as it would be after a change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from tracker.forecast.world import Node
from tracker.journal.progress import Progress

Queues = tuple[tuple[int, ...], ...]
"""Per crew member the places, among the nodes, of their open steps in order."""


@dataclass(frozen=True, eq=False)
class OrderOfWork:
    """The order of work of a progress over the nodes of its world, and the changes that events make to it."""

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
        """Return in which order the queues are done: whoever is at a step stays at it."""
        return tuple(
            (now, *(i for i in queue if i != now)) if now in queue and queue[0] != now else queue
            for now, queue in zip(self.current, queues, strict=True)
        )

    def moved(self, task: str, before: str | None) -> Queues:
        """Return the queues with a task's open steps before those of another one; None: before closeout."""
        mine, place = set(self.tasks[task]), self._closeout
        if before is not None:
            place = min(place, self._all.index(self.tasks[before][0]))
        head, tail = self._all[:place], self._all[place:]
        there = [
            *(i for i in head if i not in mine),
            *self.tasks[task],
            *(i for i in tail if i not in mine),
        ]
        crew = {c for i in mine for c in self.nodes[i].crew}
        return tuple(self._queue(c, there) if c in crew else queue for c, queue in enumerate(self.queues))

    def handed(self, step: int, other: int) -> Queues:
        """Return the queues with this step in the hands of another crew member."""
        giver = self.nodes[step].crew
        queues = [
            tuple(i for i in queue if i != step) if c in giver else queue
            for c, queue in enumerate(self.queues)
        ]
        theirs = {*queues[other], step}
        queues[other] = tuple(i for i in self._all if i in theirs)
        return tuple(queues)

    def begins_something(self, step: int, other: int) -> bool:
        """Whether somebody would begin something else at once if this one had the step."""
        taken = self.current[other]
        return step in self.current or taken is None or self.nodes[taken].closeout

    def sorted(self, queues: Queues) -> list[int] | None:
        """Return all open steps so that each comes after its needs and its crew's steps before it.

        None where that is a circle.
        """
        waits = [len(needs) for needs in self._needs]
        after = [list(steps) for steps in self._needed_by]
        for queue in queues:
            for earlier, later in pairwise(queue):
                waits[later] += 1
                after[earlier].append(later)
        out = [i for i, count in enumerate(waits) if not count]
        for i in out:
            for later in after[i]:
                waits[later] -= 1
                if not waits[later]:
                    out.append(later)
        return out if len(out) == len(waits) else None

    @cached_property
    def _all(self) -> tuple[int, ...]:
        return tuple(self.place[step] for step in self.progress.fold.sequence if step in self.place)

    @cached_property
    def _closeout(self) -> int:
        places = (k for k, i in enumerate(self._all) if self.nodes[i].closeout)
        return next(places, len(self._all))

    @cached_property
    def _needs(self) -> Sequence[Sequence[int]]:
        """Per step the open ones that it needs, of its own crew as well."""
        needs = self.progress.needs
        return [[self.place[need] for need in needs.get(node.step, ())] for node in self.nodes]

    @cached_property
    def _needed_by(self) -> Sequence[Sequence[int]]:
        out: list[list[int]] = [[] for _ in self.nodes]
        for step, needs in enumerate(self._needs):
            for need in needs:
                out[need].append(step)
        return out

    def _queue(self, crew: int, steps: Iterable[int]) -> tuple[int, ...]:
        return tuple([i for i in steps if crew in self.nodes[i].crew])
