"""Better orders: a step handed over, or a task in a new place, that brings everybody in earlier.

Every change is a supposed event on the same fold and the same random numbers, so its gain is exact for the
scenarios; and no change is better than those that are told. What cannot win is left out by a bound: nothing
that is done with a step brings anybody in earlier than leaving it out. The rest is played in the world that
stands, and what is told is confirmed by the journal with the event on it. A person accepts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker.forecast.changes import changes
from tracker.forecast.demand import going_on
from tracker.forecast.ingress import inside
from tracker.forecast.limits import broken
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.quantiles import one
from tracker.forecast.remaining import build_world, present_instant, prior_of
from tracker.forecast.reorder import Reorder
from tracker.forecast.world import World, advance, begin
from tracker.foundation.errors import EventError
from tracker.foundation.times import format_pet
from tracker.journal.progress import Progress

WORTH_S = 120.0
"""Least gain in the p90 ingress that is suggested."""


@dataclass(frozen=True, slots=True)
class BetterOrder:
    """One change of who does what, or when."""

    event: Mapping[str, Any]
    """The event that would make it so, as `tracker record` takes it."""
    text: str
    gain_s: float
    """By how much the p90 ingress is earlier."""
    p90: float
    """PET of the p90 ingress with it."""
    safe: float
    """Share of scenarios that break no limit with it."""


def _go_on(share: float) -> bool:
    return True


def better_orders(
    progress: Progress,
    *,
    now: float,
    kept: Collection[str],
    scenarios: int = 10_000,
    prior: PacePrior | None = None,
    most: int = 3,
    heed: Callable[[float], bool] = _go_on,
) -> tuple[BetterOrder, ...]:
    """Return the changes that lower the p90 ingress most, by two minutes or more, the greatest gain first.

    `kept`: the optional tasks that are kept, before and after. What breaks a need, or makes any limit
    likelier to be broken, is left out, and of each step and each task only the best change is told. With
    hundreds of steps the search takes seconds: before every change it tries, `heed` is told the share that
    is done, 0 to 1, and ends it with False; then the best of what was found so far is told.
    """
    now = present_instant(progress, now)
    journal = _Journal(progress, now, kept, scenarios, prior or prior_of(progress))
    return _Search(journal, most, heed).run()


@dataclass(frozen=True, slots=True)
class _End:
    p90: float
    """PET."""
    safe: float


@dataclass(frozen=True)
class _Journal:
    """What comes of an event once it is recorded: slow, and the last word."""

    progress: Progress
    now: float
    kept: Collection[str]
    scenarios: int
    prior: PacePrior

    def with_event(self, event: Mapping[str, Any]) -> _End | None:
        """Return the end with a supposed event; None where it would break a need."""
        try:
            return self._end(self._world(self.progress.suppose(event)))
        except EventError:
            return None

    @cached_property
    def stands(self) -> World:
        """The world without any event."""
        return self._world(self.progress)

    @cached_property
    def before(self) -> _End:
        """The end without any event."""
        return self._end(self.stands)

    def present(self, world: World) -> list[int]:
        """Return the nodes that remain."""
        return world.present(going_on(world, self.kept))

    def _world(self, progress: Progress) -> World:
        return build_world(progress, now=self.now, scenarios=self.scenarios, prior=self.prior)

    def _end(self, world: World) -> _End:
        present = self.present(world)
        course = advance(world, begin(world), present)
        p90 = one(inside(world, course), 0.9) + world.now
        return _End(p90, broken(world, present, course).share_safe)


@dataclass(frozen=True, slots=True)
class _Change:
    """One event that could be better, in its place among all."""

    number: int
    event: Mapping[str, Any]
    text: str

    @property
    def subject(self) -> tuple[str, str]:
        """The step that it hands over, or the task that it moves."""
        return str(self.event["kind"]), str(self.event.get("step") or self.event["task"])


@dataclass
class _Subject:
    """All that could be done with one step, or one task."""

    changes: list[_Change] = field(default_factory=list)
    most: float = math.inf
    """No change that the order of work tells all about wins more, in seconds."""


class _Search:
    """Looks for the best change of each step and each task, the most promising first."""

    def __init__(self, journal: _Journal, most: int, heed: Callable[[float], bool]) -> None:
        self._journal, self._most, self._heed = journal, most, heed
        self._found: list[tuple[int, BetterOrder]] = []
        self._subjects: dict[tuple[str, str], _Subject] = {}
        for number, (event, text) in enumerate(changes(journal.progress)):
            change = _Change(number, event, text)
            self._subjects.setdefault(change.subject, _Subject()).changes.append(change)
        self._todo = len(self._subjects) + sum(len(one.changes) for one in self._subjects.values())
        self._done = 0
        self._hands: dict[str, NDArray[np.float32]] = {}

    def run(self) -> tuple[BetterOrder, ...]:
        """Return what is found until all is tried, or nobody heeds it any more."""
        if self._subjects and self._go_on(0) and math.isfinite(self._journal.before.p90):
            self._try_all()
        self._found.sort(key=lambda one: (-one[1].gain_s, one[0]))
        return tuple(order for _, order in self._found[: self._most])

    @cached_property
    def _world(self) -> Reorder:
        journal = self._journal
        present = frozenset(journal.present(journal.stands))
        return Reorder(journal.progress, journal.stands, present, journal.prior)

    def _go_on(self, done: int) -> bool:
        going = self._heed(self._done / self._todo)
        self._done += done
        return going

    @property
    def _least(self) -> float:
        """What a change has to win to be told."""
        gains = sorted((order.gain_s for _, order in self._found), reverse=True)
        return max([WORTH_S, *gains[self._most - 1 : self._most]])

    def _try_all(self) -> None:
        if self._world.work.tells_all:
            for subject, one in self._subjects.items():
                if not self._go_on(1):
                    return
                one.most = self._bound(*subject)
        for one in sorted(self._subjects.values(), key=lambda one: -one.most):
            if not self._try(one):
                return

    def _bound(self, kind: str, name: str) -> float:
        """Return what no change of a step or a task wins more than."""
        work = self._world.work
        steps = work.tasks[name] if kind == "moved" else (work.place[name],)
        left = [i for i in steps if i in self._world.present]
        return self._gain(self._world.p90_without(left, handed=kind == "handed")) if left else 0.0

    def _gain(self, p90: float) -> float:
        return self._journal.before.p90 - p90

    def _try(self, subject: _Subject) -> bool:
        """Find the best that can be done with a step or a task; whether to go on."""
        ends: list[tuple[float, _Change]] = []
        for change in subject.changes:
            if self._sure(change) and subject.most < self._least:
                self._done += 1
                continue
            if not self._go_on(1):
                return False
            p90 = self._p90(change)
            if p90 is not None and self._gain(p90) >= self._least:
                ends.append((p90, change))
        for _, change in sorted(ends, key=lambda one: (one[0], one[1].number)):
            if self._told(change):
                break
        return True

    def _sure(self, change: _Change) -> bool:
        """Whether the bound holds for a change: nobody begins anything by it."""
        work, event = self._world.work, change.event
        if not work.tells_all or event["kind"] == "moved":
            return work.tells_all
        return not work.begins_something(
            work.place[event["step"]], self._journal.stands.crew.index(event["crew"][0])
        )

    def _p90(self, change: _Change) -> float | None:
        """Return the p90 ingress with a change, PET; None where it cannot be."""
        event = change.event
        p90 = None
        if self._world.work.tells_all and event["kind"] == "moved":
            p90 = self._world.moved(event["task"], event.get("before"))
        elif self._sure(change):
            place = self._world.work.place[event["step"]]
            p90 = self._world.handed(
                event["step"], event["crew"][0], self._in_hands_of(event["crew"][0])[place]
            )
        if p90 is None:
            end = self._journal.with_event(event)
            return None if end is None else end.p90
        return p90

    def _in_hands_of(self, other: str) -> NDArray[np.float32]:
        """Return how long every step that is worth handing over takes somebody, in all scenarios."""
        if other not in self._hands:
            steps = [
                name
                for (kind, name), one in self._subjects.items()
                if kind == "handed" and one.most >= WORTH_S
            ]
            self._hands[other] = self._world.in_hands_of(other, steps)
        return self._hands[other]

    def _told(self, change: _Change) -> bool:
        """Tell a change if the journal confirms it and no limit is likelier to be broken; whether it was."""
        end = self._journal.with_event(change.event)
        if end is None or end.safe < self._journal.before.safe:
            return False
        gain = self._gain(end.p90)
        if gain < self._least:
            return False
        said = f"{change.text}: nine of ten inside {format_pet(gain)} earlier"
        self._found.append((change.number, BetterOrder(change.event, said, gain, end.p90, end.safe)))
        return True
