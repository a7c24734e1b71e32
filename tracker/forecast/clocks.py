"""Hardware clocks of a played course: in which scenarios each runs out."""

from __future__ import annotations

import math

import numpy as np

from tracker.forecast.limits import GRAIN_S, Mask
from tracker.forecast.values import ClockFigure
from tracker.forecast.waits import Row
from tracker.forecast.world import Clock, Course, World


def late(course: Course, clock: Clock) -> Mask | None:
    """Return the scenarios in which a hardware clock runs out; None where its step does not remain."""
    done = course.finish.get(clock.node)
    if done is None:
        return None
    if clock.of is None:
        due: Row | float = math.inf if clock.due is None else clock.due
    elif (of := course.finish.get(clock.of)) is not None:
        due = of + np.float32(clock.time)
    else:
        return None
    return np.asarray(done > due + np.float32(GRAIN_S), dtype=np.bool_)


def clock_figures(world: World, course: Course) -> tuple[ClockFigure, ...]:
    """Return the hardware clocks of the steps in the course, with their chance of running out."""
    out = []
    for clock in world.clocks:
        mask = late(course, clock)
        if mask is not None:
            due = None if clock.due is None else clock.due + world.now
            share = float(np.count_nonzero(mask)) / len(mask)
            out.append(ClockFigure(world.nodes[clock.node].step, clock.of_step, due, share))
    return tuple(out)
