"""Why a task is advised to be kept, decided or dropped, in plain words with figures."""

from __future__ import annotations

import math

from tracker.forecast.demand import demand, with_needs
from tracker.forecast.judge import Judge
from tracker.forecast.last_call import first_step
from tracker.forecast.values import Verdict
from tracker.foundation.times import format_pet


def percent(share: float) -> str:
    """Return a share in whole per cent, rounded down, so that what misses a mark never seems to meet it."""
    return f"{math.floor(share * 100 + 1e-6)} %"


def reason(
    judge: Judge, m: int, kept: frozenset[int], verdict: Verdict, call: float | None, in_time: float
) -> str:
    """Return one sentence for one optional task; `call` is its last call as PET seconds."""
    if verdict == "keep":
        return _keep(judge, m, kept, call)
    if missing := _missing_need(judge, m, kept):
        return f"needs {missing}, which is not kept"
    if not judge.meets((), demand(judge.world)):
        return f"even with no optional work the chance to stay inside every limit is {_safe(judge, ())}"
    clock = _clock_runs_out(judge, kept | with_needs(judge.world.optional, [m]))
    if first_step(judge.world, m) is None:
        return f"its last step is under way; {clock or f'with it the chance is {_with(judge, m, kept)}'}"
    if verdict == "drop" and call is None:
        if clock:
            return clock
        return f"no start would do: with it the chance to stay inside every limit is {_with(judge, m, kept)}"
    if verdict == "drop":
        return f"reached by its last call {format_pet(call)} in only {percent(in_time)} of the scenarios"
    return _decide(judge, m, kept, call)


def _keep(judge: Judge, m: int, kept: frozenset[int], call: float | None) -> str:
    safe = f"with all that is kept the chance to stay inside every limit is {_safe(judge, kept)}"
    if first_step(judge.world, m) is None:
        return f"its last step is under way; {safe}"
    return f"{safe}; last call {format_pet(call)}" if call is not None else safe


def _decide(judge: Judge, m: int, kept: frozenset[int], call: float | None) -> str:
    """Say what speaks against keeping it now, and how long that may wait."""
    by = "" if call is None else f"; can wait until {format_pet(call)}"
    with_it = kept | with_needs(judge.world.optional, [m])
    if clock := _clock_runs_out(judge, with_it):
        return f"{clock}{by}"
    if judge.meets(with_it, demand(judge.world, entering=True)):
        # Between events nothing is taken in: what is kept then only shrinks.
        return f"with it the chance is {_with(judge, m, kept)}, enough to add it at the next event{by}"
    if judge.meets(with_it, demand(judge.world)):
        return f"with it the chance is {_with(judge, m, kept)}, not enough above what is wanted to add it{by}"
    return f"with it the chance is {_with(judge, m, kept)}, {_wanted(judge)} is wanted{by}"


def _clock_runs_out(judge: Judge, tasks: frozenset[int]) -> str:
    clock = _late_clock(judge, tasks)
    return f"with it the hardware clock of {clock} is too likely to run out" if clock else ""


def _late_clock(judge: Judge, tasks: frozenset[int]) -> str | None:
    """Return the step of a hardware clock that these tasks make too likely to run out."""
    world, wanted = judge.world, demand(judge.world)
    if not wanted.met(judge.outcome(tasks).failing):
        return None
    pairs = zip(world.clocks, judge.outcome(tasks).clocks_late, judge.outcome(()).clocks_late, strict=True)
    for clock, late, least in pairs:
        if late > max(wanted.clock, least):
            return world.nodes[clock.node].step
    return None


def _missing_need(judge: Judge, m: int, kept: frozenset[int]) -> str | None:
    optional = judge.world.optional
    missing = with_needs(optional, [m]) - kept - {m}
    return optional[min(missing)].task if missing else None


def _safe(judge: Judge, tasks: frozenset[int] | tuple[()]) -> str:
    return percent(judge.outcome(tasks).share_safe)


def _with(judge: Judge, m: int, kept: frozenset[int]) -> str:
    return percent(judge.outcome(kept | with_needs(judge.world.optional, [m])).share_safe)


def _wanted(judge: Judge) -> str:
    world = judge.world
    if world.confidence_joint:
        return f"{world.confidence_elapsed * 100:g} %"
    return f"{world.confidence_elapsed * 100:g} % (consumables {world.confidence_consumables * 100:g} %)"
