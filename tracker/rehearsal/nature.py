"""What is true of a simulated crew: its pace, drawn once from what is believed before the excursion.

The same model that the forecast assumes, with its unknowns drawn: logarithm of actual over planned time =
pace with drift + crew effect (mean over the crew) + kind of work + noise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property

from tracker.forecast.pace import own_shape
from tracker.forecast.prior import PacePrior
from tracker.journal.progress import StepState
from tracker.rehearsal.chance import Chance

LEAST_S = 10.0
"""No step is done in less."""
GRAIN_H = 0.25
"""Hours of the planned clock from one point of the drift to the next."""
STUCK_TIMES = 3.0
"""A stuck fastener makes its step take so many times as long."""


class Nature:
    """The true pace of a crew."""

    def __init__(self, prior: PacePrior, chance: Chance, *, stuck: Sequence[str] = ()) -> None:
        self.prior, self._chance = prior, chance
        self._stuck = frozenset(stuck)

    @cached_property
    def level(self) -> float:
        """Logarithm of the pace of this crew on average."""
        return math.log(self.prior.median) + self.prior.spread * self._chance.normal("pace")

    @cached_property
    def drift(self) -> float:
        """How strongly pace wanders, standard deviation per square root of an hour."""
        chance, passed = self._chance.uniform("process"), 0.0
        for drift, weight in zip(self.prior.drifts, self.prior.weights, strict=True):
            passed += weight
            if chance < passed:
                return drift
        return self.prior.drifts[-1]

    def wandered(self, clock_s: float) -> float:
        """Return how far the logarithm of pace has wandered at an instant of the planned clock."""
        hours = max(0.0, clock_s) / 3600.0
        whole, part = divmod(hours / GRAIN_H, 1.0)
        size = self.drift * math.sqrt(GRAIN_H)
        walk = sum(self._chance.normal("drift", n) for n in range(int(whole)))
        return size * (walk + part * self._chance.normal("drift", int(whole)))

    def seconds(self, state: StepState, crew: Sequence[str], clock_s: float, home_s: float | None) -> float:
        """Return how long a step truly takes this crew.

        `clock_s`: planned PET of its middle; `home_s`: the way home from where they are, for a step that
        is one.
        """
        step = state.step
        likely = float(step.time.likely)
        if step.fixed:
            return likely
        if step.time.home and home_s is not None:
            likely = home_s
        median, noise = own_shape(likely, step.time.low, step.time.high, self.prior.sigma)
        own = self.prior.sigma * math.sqrt(noise) * self._chance.normal("step", step.id)
        log = self.level + self.wandered(clock_s) + self._of_crew(crew) + self._of_work(step.work)
        times = STUCK_TIMES if step.id in self._stuck else 1.0
        return max(LEAST_S, median * math.exp(log + own) * times) if median > 0 else 0.0

    def items(self, step: str, count: int, seconds: float) -> tuple[float, ...]:
        """Return after how much work time each of a step's counted items is done; the last at the end.

        A stuck step has one item that took what it took too long.
        """
        parts = [math.exp(0.4 * self._chance.normal("item", step, n)) for n in range(count)]
        if step in self._stuck:
            parts[int(self._chance.uniform("stuck", step) * count)] += (STUCK_TIMES - 1.0) * sum(parts)
        total, passed, out = sum(parts), 0.0, []
        for part in parts:
            passed += part
            out.append(seconds * passed / total)
        out[-1] = seconds
        return tuple(out)

    def _of_crew(self, crew: Sequence[str]) -> float:
        prior = self.prior
        return sum(self._effect("crew", c, prior.crew, prior.crew_spread) for c in crew) / max(len(crew), 1)

    def _of_work(self, kind: str) -> float:
        return self._effect("work", kind, self.prior.work, self.prior.work_spread)

    def _effect(self, what: str, name: str, own: Mapping[str, tuple[float, float]], spread: float) -> float:
        median, own_spread = own.get(name, (1.0, spread))
        return math.log(median) + own_spread * self._chance.normal(what, name)
