"""A simulated crew at work: what truly happens, whatever the journal knows of it.

The crew does what the journal's order says, as it hears it, and follows the plan's rules: order, needs,
joint steps, goes, windows, holds, the recall. It knows what it has finished before anybody ticks it off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from tracker.journal.progress import Progress, StepState
from tracker.plan.model import Plan, Step
from tracker.plan.windows import next_start, usable
from tracker.rehearsal.nature import Nature, Stores

_NOW = 1e-6
"""Instants closer than this are one."""


@dataclass(slots=True)
class Work:
    """A step on which somebody is at work, or was before it was set aside."""

    step: Step
    crew: tuple[str, ...]
    begun: float
    items: tuple[float, ...]
    """After how much work time each item is done."""
    worked_s: float = 0.0
    counted: int = 0

    @property
    def left_s(self) -> float:
        """Seconds of work to the next item."""
        return max(0.0, self.items[self.counted] - self.worked_s)


@dataclass(frozen=True, slots=True)
class CrewAction:
    """Something that the crew would say on the voice loop."""

    kind: Literal["began", "counted", "done", "asks", "shut out", "inside"]
    at: float
    crew: tuple[str, ...]
    step: Step | None = None
    count: int = 0


@dataclass(frozen=True, slots=True)
class ReadyStep:
    """A step whose crew stands ready and whose needs are met."""

    state: StepState
    crew: tuple[str, ...]
    opens: float
    """When its window is open: now or later, infinite when never again."""
    gone: bool


class Crew:
    """Who truly does what, since when, and what they have done."""

    def __init__(self, plan: Plan, nature: Nature, stores: Stores) -> None:
        self.plan, self.nature, self.stores = plan, nature, stores
        self.at = 0.0
        self.finished: dict[str, float] = {}
        self.inside: dict[str, float] = {}
        self._works: dict[str, Work] = {}
        self._aside: dict[str, Work] = {}
        self._asked: set[str] = set()
        self._touched: set[str] = set()
        """Tasks of which a step was begun."""
        self._held: dict[str, float] = {}
        self._home_s: dict[str, float] = {}

    @property
    def out(self) -> tuple[str, ...]:
        """Crew members who are still outside."""
        return tuple(c for c in self.plan.outside if c not in self.inside)

    @property
    def busy(self) -> bool:
        """Whether anybody, also inside, is at work."""
        return bool(self._works)

    def begun(self, task: str) -> bool:
        """Whether anybody has truly begun a task."""
        return task in self._touched

    def hold(self, crew: Iterable[str], until: float) -> None:
        """Let crew members stand still until an instant, whether the journal knows of it or not."""
        self._held.update(dict.fromkeys(crew, until))

    def next_at(self, progress: Progress) -> float:
        """Return when next something happens by itself; infinite when nothing will."""
        ends = [self.at + w.left_s for w in self._works.values() if not self._stopped(w.crew, progress)]
        opens = [one.opens for one in self.waiting(progress) if one.gone]
        return min([*ends, *opens, *(t for t in self._held.values() if t > self.at)], default=math.inf)

    def advance(self, progress: Progress, to: float) -> list[CrewAction]:
        """Let time pass up to an instant not after `next_at`, and return what came of it."""
        self._hear(progress)
        seconds = max(0.0, to - self.at)
        going = [w for w in self._works.values() if not self._stopped(w.crew, progress)]
        doing = {c: work.step for work in going for c in work.crew}
        self.stores.spend(seconds, doing, self.out)
        self.at = max(self.at, to)
        self._held = {c: until for c, until in self._held.items() if until > self.at}
        out = []
        for work in going:
            work.worked_s += seconds
            while work.step.id in self._works and work.left_s <= _NOW:
                out.append(self._count(work))
        return out

    def waiting(self, progress: Progress) -> list[ReadyStep]:
        """Return the steps that would begin now but for a window or a go."""
        out = []
        coming = {c: self._coming(progress, c) for c in progress.order}
        for step in dict.fromkeys(s for s in coming.values() if s is not None):
            state = progress.steps[step]
            crew = self._members(progress, state)
            here = all(coming[c] == step for c in crew) and not self._stopped(crew, progress)
            if here and all(need in self.finished for need in progress.needs.get(step, ())):
                out.append(ReadyStep(state, crew, self._opens(progress, state), self._gone(state)))
        return out

    def look(self, progress: Progress) -> list[CrewAction]:
        """Return what the crew asks or says while it waits, and who has come inside."""
        out = []
        for one in self.waiting(progress):
            step = one.state.step
            if step.id in self._asked:
                continue
            if not one.gone or one.opens == math.inf:
                self._asked.add(step.id)
                kind: Literal["asks", "shut out"] = "asks" if one.opens < math.inf else "shut out"
                out.append(CrewAction(kind, self.at, one.crew, step))
        return [*out, *self._come_in(progress)]

    def ready(self, progress: Progress) -> list[ReadyStep]:
        """Return the steps that begin now if nobody objects."""
        return [one for one in self.waiting(progress) if one.gone and one.opens <= self.at + _NOW]

    def begin(self, progress: Progress, some: Sequence[ReadyStep]) -> list[CrewAction]:
        """Begin steps that are ready, or go on with them where they were set aside."""
        return [self._begin(progress, one) for one in some]

    def _begin(self, progress: Progress, one: ReadyStep) -> CrewAction:
        step = one.state.step
        for c in one.crew:
            if step.site in self.plan.sites:
                self._home_s[c] = float(self.plan.sites[str(step.site)])
        work = self._aside.pop(step.id, None)
        if work is None:
            start, finish = progress.planned.get(step.id, (self.at, self.at))
            ways = [self._home_s[c] for c in one.crew if c in self._home_s]
            home_s = max(ways, default=None)
            seconds = self.nature.seconds(one.state, one.crew, (start + finish) / 2, home_s)
            work = Work(step, one.crew, self.at, self.nature.items(step.id, step.count, seconds))
        work.crew = one.crew
        self._touched.add(step.task)
        self._works[step.id] = work
        return CrewAction("began", self.at, one.crew, step)

    def _count(self, work: Work) -> CrewAction:
        """Take in that one more item of a step is done, perhaps the last one."""
        work.counted += 1
        if work.counted < len(work.items):
            return CrewAction("counted", self.at, work.crew, work.step, work.counted)
        del self._works[work.step.id]
        self.finished[work.step.id] = self.at
        return CrewAction("done", self.at, work.crew, work.step, work.counted)

    def _hear(self, progress: Progress) -> None:
        """Break off what was given up, and set aside what was handed over or has to wait for another."""
        for step, work in list(self._works.items()):
            state = progress.steps.get(step)
            if state is None or state.ended in ("skipped", "dropped", "left"):
                del self._works[step]
            elif state.ended is None and (
                self._members(progress, state) != work.crew or self._called_away(progress, work)
            ):
                self._aside[step] = self._works.pop(step)

    def _called_away(self, progress: Progress, work: Work) -> bool:
        """Whether somebody of a step's crew was told to begin another one meanwhile."""
        for c in work.crew:
            current = progress.current.get(c)
            if current is None or current == work.step.id or current in self.finished:
                continue
            state = progress.steps[current]
            if state.begin_kind == "stated" and state.began is not None and state.began > work.begun:
                return True
        return False

    def _coming(self, progress: Progress, member: str) -> str | None:
        """Return the step that a crew member would begin next; None while at work, or with nothing left."""
        if member in self.inside or any(member in work.crew for work in self._works.values()):
            return None
        return next((s for s in progress.order[member] if s not in self.finished), None)

    def _members(self, progress: Progress, state: StepState) -> tuple[str, ...]:
        return tuple(c for c in state.crew if c not in progress.entered)

    def _stopped(self, crew: Sequence[str], progress: Progress) -> bool:
        return any(c in progress.holds or self._held.get(c, self.at) > self.at for c in crew)

    def _gone(self, state: StepState) -> bool:
        return state.gone or state.step.id in self._aside

    def _opens(self, progress: Progress, state: StepState) -> float:
        step = state.step
        if not step.windows or step.id in self._aside:
            return self.at
        whole = float(step.time.likely) if step.whole else None
        return next_start(usable([progress.openings[w] for w in step.windows], whole), self.at)

    def _come_in(self, progress: Progress) -> list[CrewAction]:
        """Return who has nothing left to do outside."""
        at_work = {c for work in self._works.values() for c in work.crew}
        out = []
        for c in self.plan.outside:
            left = any(step not in self.finished for step in progress.order[c])
            if c not in self.inside and c not in at_work and not left and self.finished:
                self.inside[c] = self.at
                out.append(CrewAction("inside", self.at, (c,)))
        return out
