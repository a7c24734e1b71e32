"""Finished steps as evidence of pace, and how long a step was planned to take."""

from __future__ import annotations

from collections.abc import Sequence

from tracker.journal.folding.batch import Share
from tracker.journal.folding.state import State
from tracker.journal.progress import Observation, StepState


def planned_s(state: State, s: StepState) -> float:
    """Return the planned seconds of a step as its crew goes to it: on the way home, from their last site."""
    time = s.step.time
    if time.home:
        sites = [state.site[c] for c in s.crew if c in state.site]
        if sites:
            return float(max(state.plan.sites[site] for site in sites))
    return float(time.likely)


def observe(state: State, parts: Sequence[Share]) -> None:
    """Add the one observation that these steps are together, where they are evidence at all."""
    kept = [part for part in parts if _counts(state, part.tick.step)]
    actual = sum(part.worked_s for part in kept)
    planned = tuple(part.tick.planned_s for part in kept)
    if not actual > 0 or not all(d > 0 for d in planned):
        return
    steps = tuple(part.tick.step for part in kept)
    crew = tuple(dict.fromkeys(c for step in steps for c in state.steps[step].crew))
    spans = [state.planned[step] for step in steps]
    observation = Observation(
        steps=steps,
        crew=crew,
        work=tuple(state.steps[step].step.work for step in steps),
        planned_s=planned,
        actual_s=actual,
        clock_s=(min(start for start, _ in spans) + max(end for _, end in spans)) / 2,
        at=max(part.tick.at for part in kept),
        weight_count=_weight(state, steps),
    )
    state.observations = state.observations.add(observation)


def _counts(state: State, step: str) -> bool:
    s = state.steps[step]
    return s.evidence and not s.step.fixed and s.counted > 0


def _weight(state: State, steps: Sequence[str]) -> tuple[int, int]:
    s = state.steps[steps[0]]
    if len(steps) > 1 or s.step.count == 1:
        return (1, 1)
    return (s.counted, s.step.count)
