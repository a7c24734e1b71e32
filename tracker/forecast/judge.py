"""What one set of optional tasks comes to on all scenarios, exactly, and each set only once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tracker.forecast.demand import Demand, Failing, failing
from tracker.forecast.last_call import last_call
from tracker.forecast.limits import Mask, broken, late
from tracker.forecast.quantiles import one
from tracker.forecast.world import Course, Row, World, advance, begin
from tracker.forecast.world import inside as ingress


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one set comes to."""

    failing: Failing
    unsafe: Mask
    """Scenarios that break anything."""
    inside: Row
    """When everybody is inside, relative to now."""
    clocks_late: tuple[int, ...]
    """Per hardware clock in how many scenarios it runs out."""

    @property
    def share_safe(self) -> float:
        """Share of scenarios that break nothing."""
        return 1.0 - self.failing.any / len(self.unsafe)

    @property
    def median(self) -> float:
        """The median instant at which everybody is inside, relative to now."""
        return one(self.inside, 0.5)


class Judge:
    """Plays sets of optional tasks on one world and remembers what came out, but not every course."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._outcomes: dict[frozenset[int], Outcome] = {}
        self._calls: dict[tuple[int, frozenset[int]], float | None] = {}
        self._last: tuple[frozenset[int], Course] | None = None

    def course(self, kept: Iterable[int]) -> Course:
        """Return the course with starts when these tasks are kept."""
        key = frozenset(kept)
        if self._last is None or self._last[0] != key:
            played = advance(self.world, begin(self.world), self.world.present(key), starts=True)
            self._last = key, played
        return self._last[1]

    def outcome(self, kept: Iterable[int]) -> Outcome:
        """Return what a set comes to."""
        key = frozenset(kept)
        if key not in self._outcomes:
            course = self.course(key)
            found = broken(self.world, self.world.present(key), course)
            masks = [late(course, clock) for clock in self.world.clocks]
            times = tuple(0 if mask is None else int(np.count_nonzero(mask)) for mask in masks)
            inside = ingress(self.world, course)
            self._outcomes[key] = Outcome(failing(found), found.any, inside, times)
        return self._outcomes[key]

    def last_call(self, task: int, kept: Iterable[int]) -> float | None:
        """Return the last call of a task beside a kept set; see `tracker.forecast.last_call`."""
        key = task, frozenset(kept)
        if key not in self._calls:
            self._calls[key] = last_call(self.world, *key)
        return self._calls[key]

    def meets(self, kept: Iterable[int], wanted: Demand) -> bool:
        """Return whether a set holds, hardware clocks included.

        A clock may be late as often as the demand allows, or as often as it is without optional work.
        """
        found = self.outcome(kept)
        if not wanted.met(found.failing):
            return False
        if not self.world.clocks:
            return True
        pairs = zip(found.clocks_late, self.outcome(()).clocks_late, strict=True)
        return all(times <= max(wanted.clock, least) for times, least in pairs)
