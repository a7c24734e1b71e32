"""What changed lately, and why: looked at after every event and every five minutes, from the journal alone.

A look is held against the one at which a change was last said. The walk is bounded: it begins at the
last-but-one whole hour, whose look stands for the one that was said last, so it covers one hour to two. Looks
that were taken are remembered, so an event costs a look or two.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, replace

from tracker.forecast.attribution import attributed
from tracker.forecast.estimate import estimate
from tracker.forecast.earlier_instants import kept_now, mark, names
from tracker.forecast.task_figures import NO_TURN_BACK
from tracker.forecast.memory import Memory, memory_of
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.remaining import build_world, prior_of
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.values import Advice, Before, Changed, ChangedLimit, Estimate
from tracker.foundation.shown import up
from tracker.journal.kinds import NO_NEWS
from tracker.journal.progress import Progress

EVERY_S = 300
"""Between events it is looked at each so many whole seconds of PET."""
STRIDE_S = 3600
"""The walk begins at the last-but-one multiple of this."""
INSIDE_S = 120
"""By so much the shown INSIDE has to move to be said."""
CHANCE = 0.03
"""By so much the chance."""
_MOST_LOOKS = 512


@dataclass(frozen=True, slots=True)
class _Look:
    """What stood at one instant."""

    progress: Progress
    made: Estimate

    @property
    def basis(self) -> frozenset[str]:
        """The optional tasks that are counted, and those that are done: who finishes one changes nothing."""
        tasks = self.progress.tasks
        return self.made.counted | {n for n, s in tasks.items() if s.task.optional and s.status == "done"}

    def differs(self, before: _Look) -> bool:
        """Whether the move from an earlier look has to be said."""
        ends = up(before.made.inside.p50), up(self.made.inside.p50)
        moved = ends[0] != ends[1] if None in ends else abs((ends[1] or 0) - (ends[0] or 0)) >= INSIDE_S
        return (
            moved or abs(self.made.safe - before.made.safe) >= CHANCE - 1e-9 or (self.basis != before.basis)
        )


class _Looks(OrderedDict[object, "_Look"]):
    """The looks taken so far."""


class _Said(OrderedDict[object, Changed]):
    """The changes worked out so far."""


def changed(
    progress: Progress,
    now: float,
    *,
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    memory: Memory | None = None,
) -> Changed | None:
    """The last change that was to be said by PET `now`; None before the clock and once it is over.

    Where nothing was to be said since the walk began, a change from that instant to itself, without causes.
    """
    if progress.zero is None or progress.closed is not None:
        return None
    walk = _Walk(progress, scenarios, prior or prior_of(progress), memory or memory_of(progress))
    start = max(0.0, (now // STRIDE_S - 1) * STRIDE_S)
    before = said = last = walk.look(start)
    for at in walk.instants(start, max(now, progress.at)):
        look = walk.look(at)
        if look.differs(last):
            before, said, last = last, look, look
    return replace(walk.change(before, said), until=max(now, progress.at))


@dataclass(frozen=True, slots=True)
class _Walk:
    """Looks at the excursion as of earlier instants."""

    progress: Progress
    scenarios: int
    prior: PacePrior
    memory: Memory

    def instants(self, start: float, now: float) -> Iterator[float]:
        """Every instant at which it is looked, after the start."""
        events = {event.at for event in self.progress.events if event.kind not in NO_NEWS}
        grid = range(int(start), math.floor(now) + 1, EVERY_S)
        yield from sorted(at for at in events | set(grid) if start < at <= now)

    def look(self, at: float) -> _Look:
        """What stood at an instant, by the events that happened by then."""
        key, looks = self._key(at), self.memory.of(_Looks)
        if key not in looks:
            looks[key] = self._taken(at)
            while len(looks) > _MOST_LOOKS:
                looks.popitem(last=False)
        looks.move_to_end(key)
        return looks[key]

    def _taken(self, at: float) -> _Look:
        then = self.progress.fold.until(at=at).progress()
        at = max(at, then.at)
        world = build_world(then, now=at, scenarios=self.scenarios, prior=self.prior, memory=self.memory)
        sets = TaskSets(world)
        kept = names(world, kept_now(then, sets, prior=self.prior).tasks)
        self.memory.give_back(world.durations)
        made = estimate(
            then,
            at,
            scenarios=self.scenarios,
            advice=Advice(at, kept, (), NO_TURN_BACK),
            prior=self.prior,
            ranges="shown",
            memory=self.memory,
        )
        return _Look(then, made)

    def _key(self, at: float) -> object:
        events = tuple(mark(event) for event in self.progress.events if event.at <= at)
        return repr(self.prior), self.scenarios, at, events

    def change(self, before: _Look, said: _Look) -> Changed:
        """What was said at a look, and why."""
        key, known = (self._key(before.made.at), self._key(said.made.at)), self.memory.of(_Said)
        if key not in known:
            known[key] = self._change(before, said)
            while len(known) > _MOST_LOOKS:
                known.popitem(last=False)
        return known[key]

    def _change(self, before: _Look, said: _Look) -> Changed:
        earlier, later = before.made, said.made
        causes = (
            ()
            if before is said
            else attributed(
                before.progress,
                said.progress,
                earlier,
                later,
                then=earlier.at,
                prior=self.prior,
                memory=self.memory,
            )
        )
        chances = {limit.id: limit.chance for limit in earlier.limits}
        return Changed(
            since=earlier.at,
            at=later.at,
            inside=Before(earlier.inside.p50, later.inside.p50),
            safe=Before(earlier.safe, later.safe),
            causes=causes,
            limits=tuple(
                ChangedLimit(limit.id, chances.get(limit.id, 0.0), limit.chance) for limit in later.limits
            ),
            turned=(
                *(f"{task} in" for task in sorted(said.basis - before.basis)),
                *(f"{task} out" for task in sorted(before.basis - said.basis)),
            ),
        )
