"""The estimate against drawing its random numbers, and against the same model in SimPy."""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import count, cycle, pairwise
from pathlib import Path
from statistics import median
from time import perf_counter

import numpy as np
from numpy.random import Generator, Philox

from tests.bench.discrete import Played
from tests.bench.large import large
from tests.bench.large_text import Size
from tests.bench.table import report
from tracker.forecast.advice import recovery
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Estimate
from tracker.forecast.remaining import build_world, prior_of
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.world import World, advance, begin, inside
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.journal.progress import Progress

SCENARIOS = 10_000
LATER = datetime(2041, 1, 1, tzinfo=UTC)


def main(argv: list[str]) -> None:
    """Measure in turns, so that whatever else the machine does slows all alike."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench speed")
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    parser.add_argument("--peak", action="store_true", help="only one estimate, and say the memory it took")
    given = parser.parse_args(argv)
    if given.peak:
        _peak()
        return
    rounds = 9 if given.quick else 41
    progress, world = large(1, Size(optional=8), scenarios=SCENARIOS)
    whole = estimate(progress, 0)
    _against_the_draw(progress, whole, len(world.nodes), rounds)
    _choices(progress, rounds // 4)
    _in_trouble(progress, whole, len(world.nodes), max(3, rounds // 4))
    _against_simpy(progress, world, whole, 3 if given.quick else 20)
    _steadiness(progress, whole)
    _memory()


def _against_the_draw(progress: Progress, whole: Estimate, steps: int, rounds: int) -> None:
    rng = Generator(Philox(1))
    after, anew = _after_a_tick(progress), _from_the_start(progress)
    works: dict[str, Callable[[], object]] = {
        "draw": lambda: rng.standard_normal((steps, SCENARIOS), dtype=np.float32),
        "shown": lambda: estimate(progress, 0, advice=whole.advice, ranges="shown"),
        "later": _each_later(progress, whole),
        "scatter": _each_scatter(progress, whole),
        "all": lambda: estimate(progress, 0, advice=whole.advice),
        "tick": lambda: estimate(after(), 120, advice=whole.advice, ranges="shown"),
        "anew": lambda: estimate(anew(), 120, advice=whole.advice, ranges="shown"),
        "world": lambda: build_world(progress, now=0),
    }
    took = in_turns(works, rounds)
    draw = took["draw"]
    report("speed", f"{steps} x {SCENARIOS} normals", f"{1e3 * draw:.1f} ms")
    report("speed", "estimate, ranges shown / draw", f"{took['shown'] / draw:.2f}", "at most 0.5")
    report("speed", "  each a second after the last / draw", f"{took['later'] / draw:.2f}", "at most 0.5")
    report("speed", "  each with another scatter of steps / draw", f"{took['scatter'] / draw:.2f}")
    report("speed", "estimate, all ranges / draw", f"{took['all'] / draw:.2f}", "at most 1.0")
    report("speed", "of it building the world / draw", f"{took['world'] / draw:.2f}")
    share = took["tick"] / took["anew"]
    report("speed", "tick folded in and estimated / all folded anew", f"{share:.2f}", "at most 1")
    report("speed", "tick folded in and estimated / estimate alone", f"{took['tick'] / took['shown']:.2f}")


def _choices(progress: Progress, rounds: int) -> None:
    """Every choice after a tick, against the figures alone: what a desk works out beside the screen."""
    after = _after_a_tick(progress)()
    advice = estimate(after, 120).advice
    works: dict[str, Callable[[], object]] = {
        "figures": lambda: estimate(after, 120, advice=advice, ranges="shown"),
        "choices": lambda: estimate(after, 120, advice=advice, ranges="shown", choices=True),
    }
    took = in_turns(works, rounds)
    found = estimate(after, 120, advice=advice, ranges="shown", choices=True).choices or ()
    share = took["choices"] / took["figures"]
    report(
        "speed", f"{len(found)} choices after a tick / figures alone", f"{share:.1f}", f"near {len(found)}"
    )
    report("speed", "  in seconds", f"{took['choices']:.2f}", "at most 2")


def _in_trouble(progress: Progress, whole: Estimate, steps: int, rounds: int) -> None:
    """Measure whole estimates, with advice: calm, and where dropping all optional work is not enough."""
    bare = whole.without_optional_inside.p50
    assert bare is not None
    value = int(bare) - 1200
    trouble = progress.suppose({"kind": "limited", "limit": "elapsed", "value": value, "at": 0})
    assert estimate(trouble, 0).when_short
    rng = Generator(Philox(1))
    took = in_turns(
        {
            "draw": lambda: rng.standard_normal((steps, SCENARIOS), dtype=np.float32),
            "calm": lambda: estimate(progress, 0),
            "trouble": lambda: estimate(trouble, 0),
            "recovery": lambda: recovery(trouble, TaskSets(build_world(trouble, now=0)), prior=None),
        },
        rounds,
    )
    draw = took["draw"]
    report("speed", "with its advice anew, calm / draw", f"{took['calm'] / draw:.2f}")
    report("speed", "with its advice anew, in trouble / draw", f"{took['trouble'] / draw:.2f}", "at most 4")
    report("speed", "  of it what to give up / draw", f"{took['recovery'] / draw:.2f}")


def _each_later(progress: Progress, whole: Estimate) -> Callable[[], Estimate]:
    """Return what estimates one second further on at every call, as a desk does between events."""
    seconds = count(1)
    return lambda: estimate(progress, next(seconds), advice=whole.advice, ranges="shown")


def _each_scatter(progress: Progress, whole: Estimate) -> Callable[[], Estimate]:
    """Return what estimates with another noise at every call, as after every event: nothing kept fits."""
    priors = cycle(replace(prior_of(progress), sigma=sigma) for sigma in (0.31, 0.35))
    return lambda: estimate(progress, 0, advice=whole.advice, ranges="shown", prior=next(priors))


def in_turns(works: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Return the median seconds of each, measured in turns."""
    took: dict[str, list[float]] = {name: [] for name in works}
    for work in works.values():
        work()
    for _ in range(rounds):
        for name, work in works.items():
            begun = perf_counter()
            work()
            took[name].append(perf_counter() - begun)
    return {name: median(times) for name, times in took.items()}


def _after_a_tick(progress: Progress) -> Callable[[], Progress]:
    """Return what folds one tick into a journal, afresh at every call."""
    event = _tick(progress)
    return lambda: admit(progress.fold, event, utc_now=LATER, seat="desk")[1].progress()


def _from_the_start(progress: Progress) -> Callable[[], Progress]:
    """Return what folds the whole journal, and the tick, afresh at every call."""
    event, recorded = _tick(progress), progress.fold.recorded

    def fold() -> Progress:
        fresh = Fold.start(progress.plan, uuid=progress.uuid).add_all(recorded)
        return admit(fresh, event, utc_now=LATER, seat="desk")[1].progress()

    return fold


def _tick(progress: Progress) -> dict[str, object]:
    step = next(step for step in progress.current.values() if step is not None)
    return {"kind": "done", "step": step, "at": 110}


def _against_simpy(progress: Progress, world: World, whole: Estimate, scenarios: int) -> None:
    kept = [k for k, task in enumerate(world.optional) if task.task in whole.advice.kept]
    present = world.present(kept)
    ours = inside(world, advance(world, begin(world), present))
    apart = max(abs(Played(world, present, n).inside - float(ours[n])) for n in range(scenarios))
    turns = iter(range(scenarios + 1))
    took = in_turns(
        {
            "shown": lambda: estimate(progress, 0, advice=whole.advice, ranges="shown"),
            "simpy": lambda: Played(world, present, next(turns)),
        },
        scenarios,
    )
    theirs = took["simpy"] * SCENARIOS
    report("speed", f"SimPy, {SCENARIOS} scenarios (from {scenarios})", f"{theirs:.1f} s")
    report("speed", "SimPy / estimate, ranges shown", f"{theirs / took['shown']:.0f}", "at least 1000")
    report("speed", "largest difference of an ingress to SimPy", f"{apart:.3f} s", "rounding")


def _steadiness(progress: Progress, whole: Estimate) -> None:
    again = estimate(progress, 0)
    report("speed", "repeated estimate is the same", str(again.as_json() == whole.as_json()), "True")
    middles: Sequence[float | None] = [
        estimate(progress, now, advice=whole.advice, ranges="shown").inside.p50 for now in range(5)
    ]
    moves = [b - a for a, b in pairwise(middles) if a is not None and b is not None]
    report("speed", "p50 a second later moves by", f"{min(moves):.2f} to {max(moves):.2f} s", "0 to 2 s")


def _memory() -> None:
    """Measure peak memory in a process that does nothing else."""
    command = [sys.executable, "-m", "tests.bench", "speed", "--peak"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    peak = said.split("peak ")[1].split()[0]
    report("speed", "peak memory of a process with whole estimates", f"{peak} MB", "at most 250 MB")


def _peak() -> None:
    import resource

    progress, _ = large(1, Size(optional=8), scenarios=2)
    made = estimate(progress, 0, scenarios=SCENARIOS)
    estimate(progress, 1, scenarios=SCENARIOS, advice=made.advice)
    # What getrusage says begins with the peak of whoever started this process.
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.is_file() else []
    high = next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), None)
    peak = (high or resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / 1024
    print(f"peak {peak:.0f} MB")


__all__ = ["in_turns", "main"]
