"""The drop decision as a constraint model for OR-tools CP-SAT, which shares no code with ours."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ortools.sat.python import cp_model

from tests.chance import GRAIN_S
from tests.worlds import waiting
from tracker.forecast.world import World

EARLY_S = 3600
"""Nobody was free so long before now."""

_UNITS = 10**9
"""Consumables become whole numbers of this part of a unit: a second of waiting is some 10**5 of them.
With 10**12 the solver (9.15) has called a set best that is not."""


@dataclass(frozen=True)
class Solved:
    """What the solver found."""

    value: tuple[float, float] | None
    """Value of `should` tasks, then of get-aheads; None where nothing holds."""
    kept: frozenset[int]
    proven: bool
    seconds: float


def solve(world: World, *, seconds: float = 60.0, workers: int = 1) -> Solved:
    """Return the most valuable set that holds; durations must be whole seconds, no ways home."""
    model = _Model(world)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    status = solver.solve(model.model)
    proven = status in (cp_model.OPTIMAL, cp_model.INFEASIBLE)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Solved(None, frozenset(), proven, solver.wall_time)
    kept = frozenset(m for m, var in enumerate(model.kept) if solver.value(var))
    return Solved(worth(world, kept), kept, proven, solver.wall_time)


def worth(world: World, kept: frozenset[int]) -> tuple[float, float]:
    """Return the value of a set: `should` tasks, then get-aheads."""

    def of(priority: str) -> float:
        return round(sum(world.optional[m].value for m in kept if world.optional[m].priority == priority), 6)

    return of("should"), of("get-ahead")


class _Model:
    def __init__(self, world: World) -> None:
        self.world, self.model = world, cp_model.CpModel()
        self.kept = [self.model.new_bool_var(f"keep {m}") for m in range(len(world.optional))]
        for m, task in enumerate(world.optional):
            for need in task.needs:
                self.model.add_implication(self.kept[m], self.kept[need])
        self.there = [self._there(node.groups) for node in world.nodes]
        self.horizon = int(4 * max(limit.at for limit in world.limits) + 40_000)
        within = [self._scenario(n) for n in range(world.scenarios)]
        self._demand([both for both, _, _ in within], [e for _, e, _ in within], [c for _, _, c in within])
        self._objective()

    def _there(self, groups: tuple[int, ...]) -> cp_model.IntVar | None:
        """A variable for whether a node remains; None where it always does."""
        if not groups:
            return None
        if len(groups) == 1:
            return self.kept[groups[0]]
        var = self.model.new_bool_var("there")
        self.model.add_max_equality(var, [self.kept[m] for m in groups])
        return var

    def _scenario(self, n: int) -> tuple[cp_model.IntVar, cp_model.IntVar, cp_model.IntVar]:
        """One scenario: variables for whether it keeps everything, the elapsed limits, the reserves.

        Starts are only bounded from below by what comes before, so the earliest ones decide; windows
        bind only where something has to be kept.
        """
        world, model = self.world, self.model
        elapsed, reserves, both = (
            model.new_bool_var(f"{kind} {n}") for kind in ("elapsed", "reserves", "both")
        )
        model.add_implication(both, elapsed)
        model.add_implication(both, reserves)
        some = model.new_bool_var("some")
        model.add_implication(elapsed, some)
        model.add_implication(reserves, some)
        free: list[cp_model.LinearExprT] = [int(row[n]) for row in world.ready]
        ends: list[cp_model.LinearExprT] = []
        for i, node in enumerate(world.nodes):
            there = self.there[i]
            when = [] if there is None else [there]
            seconds = int(world.durations[i, n])
            start = model.new_int_var(0 if node.earliest == 0 else -EARLY_S, self.horizon, "start")
            ends.append(start + seconds)
            for c in node.crew:
                model.add(start >= free[c]).only_enforce_if(when)
                after = model.new_int_var(-EARLY_S, self.horizon, "free")
                model.add(after >= free[c])
                model.add(after >= start + seconds).only_enforce_if(when)
                free[c] = after
            for need in node.needs:
                also = when if self.there[need] is None else [*when, self.there[need]]
                model.add(start >= ends[need]).only_enforce_if(also)
            if node.gaps:
                model.add_linear_expression_in_domain(start, self._openings(node.gaps)).only_enforce_if(
                    [*when, some]
                )
        inside = model.new_int_var(0, self.horizon, "inside")
        for c in world.counted:
            model.add(inside >= free[c])
        for limit in world.limits:
            for c in limit.crew:
                model.add(free[c] <= math.floor(limit.at + GRAIN_S)).only_enforce_if(elapsed)
        self._reserves(n, inside, reserves)
        return both, elapsed, reserves

    def _openings(self, gaps: tuple[tuple[float, float], ...]) -> cp_model.Domain:
        intervals, since = [], 0
        for close, opening in gaps:
            if close > since:
                intervals.append([since, math.ceil(close) - 1])
            since = self.horizon + 1 if opening == math.inf else math.ceil(opening)
        if since <= self.horizon:
            intervals.append([since, self.horizon])
        return cp_model.Domain.from_intervals(intervals)

    def _reserves(self, n: int, inside: cp_model.IntVar, kept: cp_model.IntVar) -> None:
        world = self.world
        for account in world.accounts:
            have = (float(account.level[n]) - account.reserve) / float(account.use[n])
            resting = waiting(account, n)
            used: list[Any] = [round(resting * _UNITS) * inside]
            for i, there in enumerate(self.there):
                taken = round(float(account.extra_per_s[i]) * float(world.durations[i, n]) * _UNITS)
                used.append(taken if there is None else taken * there)
            room = round((have + resting * GRAIN_S) * _UNITS)
            self.model.add(sum(used) <= room).only_enforce_if(kept)

    def _demand(
        self, both: list[cp_model.IntVar], elapsed: list[cp_model.IntVar], reserves: list[cp_model.IntVar]
    ) -> None:
        world = self.world
        wanted = math.ceil(world.confidence_elapsed * world.scenarios - 1e-9)
        if world.confidence_joint:
            self.model.add(sum(both) >= wanted)
            return
        self.model.add(sum(elapsed) >= wanted)
        self.model.add(sum(reserves) >= math.ceil(world.confidence_consumables * world.scenarios - 1e-9))

    def _objective(self) -> None:
        tasks = self.world.optional
        exact = [Fraction(repr(task.value)) for task in tasks]
        unit = math.lcm(*(value.denominator for value in exact))
        whole = [int(value * unit) for value in exact]
        more = 1 + sum(whole)
        weights = [
            value * (more if task.priority == "should" else 1)
            for value, task in zip(whole, tasks, strict=True)
        ]
        self.model.maximize(sum(w * var for w, var in zip(weights, self.kept, strict=True)))
