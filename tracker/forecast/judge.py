"""What one set of optional tasks comes to on all scenarios, exactly, and each set only once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tracker.forecast.clocks import late
from tracker.forecast.demand import Demand, Failing, failing, with_needs
from tracker.forecast.last_call import first_step, last_call
from tracker.forecast.limits import GRAIN_S, Mask, broken
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


@dataclass(frozen=True, slots=True)
class Start:
    """The last call of a task, and the share of scenarios that get to it in time."""

    last_call: float | None
    """Relative to now."""
    in_time: float

    def hopeless(self, world: World) -> bool:
        """Whether no start would do, or hardly any scenario gets there in time."""
        return self.in_time == 0.0 or self.in_time < 1 - world.confidence_elapsed - 1e-9


class Judge:
    """Plays sets of optional tasks on one world and remembers what came out, but not every course."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._outcomes: dict[frozenset[int], Outcome] = {}
        self._starts: dict[frozenset[int], dict[int, Start]] = {}
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

    def starts(self, kept: frozenset[int]) -> dict[int, Start]:
        """Return last call and share in time of every optional task, beside a kept set."""
        if kept not in self._starts:
            # Kept ones first: they share one course.
            order = sorted(range(len(self.world.optional)), key=lambda m: m not in kept)
            self._starts[kept] = {m: self._start(m, kept) for m in order}
        return self._starts[kept]

    def _start(self, m: int, kept: frozenset[int]) -> Start:
        first = first_step(self.world, m)
        if first is None:
            # All that is left of it is under way: there is nothing to start, and nothing to be late for.
            return Start(None, 1.0)
        latest = last_call(self.world, m, kept)
        if latest is None:
            return Start(None, 0.0)
        start = self.course(kept | with_needs(self.world.optional, [m])).start[first]
        share = float(np.count_nonzero(start <= latest + GRAIN_S)) / self.world.scenarios
        return Start(latest if np.isfinite(latest) else None, share)

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
