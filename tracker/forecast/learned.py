"""The belief after all finished steps, remembered so that one more tick costs one more update.

What is remembered never changes a result: a remembered belief is only taken for exactly the same prior,
layout and run of observations.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping

from tracker.forecast import evidence
from tracker.forecast.pace import Belief, Evidence, Layout, observe, start
from tracker.forecast.pace_file import PacePrior
from tracker.journal.progress import Observation, Progress, StepState
from tracker.plan.model import Duration

_Key = tuple[Observation, tuple[tuple[bool, Duration] | None, ...]]
_MOST = 20_000


class _Memory(threading.local):
    """The last run of observations of this thread, and the belief after each of them."""

    prior: PacePrior | None = None
    layout: Layout | None = None

    def __init__(self) -> None:
        self.known: dict[_Key, Evidence | None] = {}
        self.run: list[Evidence] = []
        self.beliefs: list[Belief] = []

    def begin(self, prior: PacePrior, layout: Layout) -> None:
        """Forget what was learned under another prior or layout."""
        if self.prior != prior or self.layout != layout or len(self.known) > _MOST:
            self.known, self.run, self.beliefs = {}, [], []
            self.prior, self.layout = prior, layout


_memory = _Memory()


def learned(progress: Progress, prior: PacePrior, layout: Layout) -> Belief:
    """Return the belief after everything finished, in the order of the planned clock."""
    _memory.begin(prior, layout)
    found = [_evidence(seen, progress.steps, prior, layout) for seen in progress.observations]
    run = evidence.in_order(found)
    same = 0
    for ours, last in zip(run, _memory.run, strict=False):
        if ours is not last:
            break
        same += 1
    beliefs = _memory.beliefs[:same]
    belief = beliefs[-1] if beliefs else start(prior, layout)
    for seen in run[same:]:
        belief = observe(belief, seen)
        beliefs.append(belief)
    _memory.run, _memory.beliefs = run, beliefs
    return belief


def _evidence(
    seen: Observation, steps: Mapping[str, StepState], prior: PacePrior, layout: Layout
) -> Evidence | None:
    """Return one observation as evidence, made once."""
    states = [steps.get(step) for step in seen.steps]
    key = (seen, tuple(None if s is None else (s.step.fixed, s.step.time) for s in states))
    if key not in _memory.known:
        _memory.known[key] = evidence.of_observation(seen, steps, prior, layout)
    return _memory.known[key]
