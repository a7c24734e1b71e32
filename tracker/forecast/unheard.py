"""Steps that go on much longer than they should, so that a tick may be missing: asked about, never assumed.

A function of progress, instant and believed pace. The figures go on taking the step as going on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from tracker.forecast.values import Unheard
from tracker.journal.progress import Progress, StepState, step_status

TIMES = 2.0
"""A step is asked about beyond so many times what it should take,"""
AT_LEAST_S = 5 * 60.0
"""and so much more than it, so that a short step is not asked about at once."""


def unheard(progress: Progress, now: float, pace: Mapping[str, float]) -> tuple[Unheard, ...]:
    """Who has been at a step for much longer than expected at `now` (PET seconds), in the plan's order.

    `pace`: actual over planned time by crew member. Nobody who is held, waits, is silent or inside; before
    zero and after the close nobody.
    """
    if progress.zero is None or progress.closed is not None:
        return ()
    return tuple(_asked(progress, now, pace))


def _asked(progress: Progress, now: float, pace: Mapping[str, float]) -> Iterator[Unheard]:
    for member in progress.plan.crew:
        step = progress.current.get(member.id)
        if step is None or member.id in progress.silent or member.id in progress.entered:
            continue
        if step_status(progress, step, now) != "current":
            continue
        state = progress.steps[step]
        worked, planned = _since_heard(state, now)
        expected = planned * _pace_of(state.crew, pace)
        if worked > max(TIMES * expected, expected + AT_LEAST_S):
            yield Unheard(step, member.id, now - worked, expected)


def _since_heard(state: StepState, now: float) -> tuple[float, float]:
    """Seconds of work since the crew last said anything of a step, and what the rest takes by the plan."""
    worked, time = state.elapsed_s(now), state.step.time.likely
    if state.left_s is not None:
        return worked - state.left_worked_s, state.left_s
    rest = time * (state.step.count - state.counted) / state.step.count
    return worked - state.counted_worked_s, rest


def _pace_of(crew: Sequence[str], pace: Mapping[str, float]) -> float:
    known = [pace[c] for c in crew if c in pace]
    return sum(known) / len(known) if known else pace.get("all", 1.0)
