"""What one set of optional tasks comes to on all scenarios, exactly, and each set only once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from tracker.forecast.branches import Branch, played
from tracker.forecast.clocks import late
from tracker.forecast.demand import Demand, Failing, failing
from tracker.forecast.ingress import inside as ingress
from tracker.forecast.limits import broken
from tracker.forecast.quantiles import one
from tracker.forecast.quick import Run
from tracker.forecast.task_sets import Stage, bounds
from tracker.forecast.waits import Row
from tracker.forecast.world import Course, World

_BRANCHES = 2
"""Courses held, for others to branch off."""
_ENDS = 64
"""Ends of courses held."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one set comes to."""

    failing: Failing
    scenarios: int
    inside: Row
    """When everybody is inside, relative to now."""
    clocks_late: tuple[int, ...]
    """Per hardware clock in how many scenarios it runs out."""

    @property
    def share_safe(self) -> float:
        """Share of scenarios that break nothing."""
        return 1.0 - self.failing.any / self.scenarios

    @property
    def median(self) -> float:
        """The median instant at which everybody is inside, relative to now."""
        return one(self.inside, 0.5)


class Judge:
    """Plays sets of optional tasks on one world and remembers what came out, but not every course."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._outcomes: dict[frozenset[int], Outcome] = {}
        self.memo: dict[frozenset[int], Any] = {}
        """What `last_call.starts` found beside a kept set."""
        self._branches: OrderedDict[frozenset[int], Branch] = OrderedDict()
        self._ends: OrderedDict[frozenset[int], Course] = OrderedDict()

    @cached_property
    def bounds(self) -> tuple[Stage, Stage]:
        """What no set breaks less than, and what none breaks more than."""
        return bounds(self.world)

    def course(self, kept: Iterable[int]) -> Course:
        """Return the course with starts when these tasks are kept."""
        key = frozenset(kept)
        if key not in self._branches or not self._branches[key].with_starts:
            self._hold(key, starts=True)
        self._branches.move_to_end(key)
        return self._branches[key].course

    def _hold(self, key: frozenset[int], *, starts: bool) -> None:
        """Play a set, and hold its course for others to branch off."""
        self._branches[key] = played(
            self.world, self.world.present(key), self._nearest(key, starts), starts=starts
        )
        while len(self._branches) > _BRANCHES:
            self._branches.popitem(last=False)

    def _nearest(self, key: frozenset[int], starts: bool = False) -> Branch | None:
        """Return the course with which a set has the most in common; if need be, one with its starts."""
        nodes = self.world.present(key)
        branches = [branch for branch in self._branches.values() if branch.with_starts or not starts]
        return max(branches, key=lambda branch: branch.common(nodes), default=None)

    def start_row(self, key: frozenset[int], node: int) -> Row:
        """Return when a node starts in the course of a set; what that course ends with is remembered."""
        if not self._branches or key in self._branches:
            return self.course(key).start[node]
        found = played(self.world, self.world.present(key), self._nearest(key), start_of=node)
        self._remember(key, found.course)
        return found.course.start[node]

    def _end(self, key: frozenset[int]) -> Course:
        """Return what limits and clocks look at of the course of a set, and no more of it."""
        if key not in self._ends:
            if not self._branches:
                self._hold(key, starts=False)
            if key in self._branches:
                self._remember(key, self._branches[key].course)
            else:
                self._remember(key, played(self.world, self.world.present(key), self._nearest(key)).course)
        return self._ends[key]

    def end(self, kept: Iterable[int]) -> Run:
        """Return when everybody is free after a set, and when the last step that nobody owns is done."""
        end = self._end(frozenset(kept))
        nobodys = np.zeros(self.world.scenarios, dtype=np.float32)
        for i, row in end.finish.items():
            if not self.world.nodes[i].crew:
                np.maximum(nobodys, row, out=nobodys)
        return Run([*end.ready, nobodys])

    def _remember(self, key: frozenset[int], course: Course) -> None:
        asked = {i for clock in self.world.clocks for i in (clock.node, clock.of)}
        finish = {
            i: row.copy() for i, row in course.finish.items() if i in asked or not self.world.nodes[i].crew
        }
        self._ends[key] = Course([row.copy() for row in course.ready], {}, finish, list(course.last_site))
        while len(self._ends) > _ENDS:
            self._ends.popitem(last=False)

    def median(self, kept: Iterable[int]) -> float:
        """Return the median instant at which everybody is inside, relative to now."""
        return one(ingress(self.world, self._end(frozenset(kept))), 0.5)

    def outcome(self, kept: Iterable[int]) -> Outcome:
        """Return what a set comes to."""
        key = frozenset(kept)
        if key not in self._outcomes:
            end = self._end(key)
            found = broken(self.world, self.world.present(key), end)
            masks = [late(end, clock) for clock in self.world.clocks]
            times = tuple(0 if mask is None else int(np.count_nonzero(mask)) for mask in masks)
            inside = ingress(self.world, end)
            self._outcomes[key] = Outcome(failing(found), self.world.scenarios, inside, times)
        return self._outcomes[key]

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
