"""The same excursion played event by event in SimPy: what the arrays are compared with."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any

import simpy

from tests.worlds import waiting
from tracker.forecast.world import Node, World


class Played:
    """One scenario of a world, played as a discrete-event simulation: times in seconds from now."""

    def __init__(self, world: World, present: Sequence[int], scenario: int) -> None:
        self._world, self._scenario = world, scenario
        self._clock = simpy.Environment()
        self._level = [float(account.level[scenario]) for account in world.accounts]
        self._since = [0.0] * len(world.accounts)
        self._rate = [waiting(account, scenario) for account in world.accounts]
        self._done: dict[int, Any] = {}
        self._before: dict[int, Any] = {}
        for i in present:
            node = world.nodes[i]
            first = [self._before[c] for c in node.crew if c in self._before]
            first += [self._done[need] for need in node.needs if need in self._done]
            self._done[i] = self._clock.process(self._step(i, node, first))
            for c in node.crew:
                self._before[c] = self._done[i]
        self._clock.run()
        self.inside = max((p.value for c, p in self._before.items() if c in world.counted), default=0.0)
        """When the last crew member counted is inside."""
        for k in range(len(world.accounts)):
            self._use(k, self.inside)
        self.left = self._level
        """What is left of each account at ingress."""

    def _step(self, i: int, node: Node, first: Sequence[Any]) -> Generator[Any, Any, float]:
        yield self._clock.all_of(first)
        for close, opening in node.gaps:
            if close <= self._clock.now < opening:
                yield self._clock.timeout(opening - self._clock.now)
        mine = [(k, float(a.extra_per_s[i])) for k, a in enumerate(self._world.accounts) if a.extra_per_s[i]]
        self._change(mine, 1.0)
        yield self._clock.timeout(float(self._world.durations[i, self._scenario]))
        self._change(mine, -1.0)
        return float(self._clock.now)

    def _change(self, accounts: Sequence[tuple[int, float]], sign: float) -> None:
        for k, extra in accounts:
            self._use(k, self._clock.now)
            self._rate[k] += sign * extra

    def _use(self, k: int, until: float) -> None:
        factor = float(self._world.accounts[k].use[self._scenario])
        self._level[k] -= factor * self._rate[k] * (until - self._since[k])
        self._since[k] = until
