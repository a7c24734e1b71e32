"""Advice: how long it takes, whether it is the best there is, and how often it changes."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Collection, Iterator
from itertools import combinations

from tests.bench.large import large, progress_of, whole_seconds
from tests.bench.large_text import Size
from tests.bench.steadiness import changes
from tests.bench.table import report
from tests.bench.watching import long_plan
from tests.cpsat import solve, worth
from tests.journal.memory_store import in_memory
from tracker.forecast.advice import advise
from tracker.forecast.earlier_instants import Walks
from tracker.forecast.estimate import estimate
from tracker.forecast.kept_set import kept_set
from tracker.forecast.limits import ChanceConstraint, closed
from tracker.forecast.orders import better_orders
from tracker.forecast.orders import changes as changes_of
from tracker.forecast.task_sets import TaskSets
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

PART = "advice"
FIRST_SEED = 7_000
"""Of the rehearsals in which a lead follows the advice."""


def main(argv: list[str]) -> int:
    """Measure; `--quick` takes fewer and smaller cases."""
    quick = "--quick" in argv
    _times("8 optional", Size(8), range(3 if quick else 12), 0.25)
    _times("15 optional", Size(15), range(2 if quick else 12), 2.0)
    _times("15 optional, all alike", Size(15, flat=True), range(1 if quick else 6), 2.0)
    _against_all(range(1 if quick else 3))
    _against_solver(quick)
    _orders()
    _steadiness(1 if quick else 8)
    _followed(2 if quick else 60)
    return 0


def _timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def _times(name: str, size: Size, seeds: range, target_s: float) -> None:
    """Time the whole advice of 300 steps in 10,000 scenarios, consumables and windows included."""
    seconds, partly, proven = [], 0, True
    for seed in seeds:
        progress, world = large(seed, size)
        advise(progress, TaskSets(world))
        world.memory.of(Walks).clear()
        begin = time.perf_counter()
        advice = advise(progress, TaskSets(world))
        seconds.append(time.perf_counter() - begin)
        partly += 0 < len(advice.kept) < size.optional
        proven = proven and advice.proven
    middle, most = statistics.median(seconds) * 1000, max(seconds) * 1000
    what = f"advise, {name}, 300 steps x 10,000 (median, most)"
    report(PART, what, f"{middle:.0f}, {most:.0f} ms", f"<= {target_s * 1000:.0f} ms")
    within = sum(one <= target_s for one in seconds)
    report(PART, f"  of {len(seconds)}: within the target", f"{within}", "all")
    report(PART, f"  of {len(seconds)}: a part kept, all proven", f"{partly}, {'yes' if proven else 'no'}")


def _orders() -> None:
    """Look for better orders at the zero of a plan of 301 steps and five crew, in 10,000 scenarios."""
    progress = progress_of(long_plan())
    kept = estimate(progress, 0.0).advice.kept
    begin = time.perf_counter()
    found = better_orders(progress, now=0.0, kept=kept)
    seconds = time.perf_counter() - begin
    every = sum(1 for _ in changes_of(progress))
    report(PART, f"better orders, 301 steps: the best of {every} changes", f"{seconds:.2f} s", "<= 10 s")
    report(PART, "  the best of them wins, min", f"{max((o.gain_s for o in found), default=0) / 60:.1f}")


def _against_all(seeds: range) -> None:
    """Compare with every one of 256 sets at full size."""
    same = 0
    for seed in seeds:
        _, world = large(seed, Size(8))
        judge, wanted = TaskSets(world), ChanceConstraint.of(world)
        tasks = range(len(world.optional))
        sets = [frozenset(s) for n in range(len(tasks) + 1) for s in combinations(tasks, n)]
        holding = [s for s in sets if closed(world.optional, s) == s and judge.meets(s, wanted)]
        best = max((worth(world, s) for s in holding), default=None)
        found = kept_set(TaskSets(world))
        same += (worth(world, found.tasks) if found.holds else None) == best
    report(PART, "kept set worth as much as the best of all 256", f"{same} of {len(seeds)}", "all")


def _against_solver(quick: bool) -> None:
    """The same instance for CP-SAT: 60 scenarios of 300 steps, whole seconds."""
    _, world = large(5, Size(8, steps=90 if quick else 300), scenarios=20 if quick else 60)
    world = whole_seconds(world)
    ours = min(_timed(lambda: kept_set(TaskSets(world))) for _ in range(3))
    theirs = solve(world, seconds=60 if quick else 300, workers=2)
    found = kept_set(TaskSets(world))
    value = worth(world, found.tasks) if found.holds else None
    same = "equal" if value == theirs.value else f"{value} to {theirs.value}"
    much = "" if theirs.proven else "at least "
    report(
        PART,
        f"kept set, {world.scenarios} scenarios of {len(world.nodes)} steps: ours",
        f"{ours * 1000:.1f} ms",
    )
    report(PART, "  CP-SAT on 2 cores", f"{much}{theirs.seconds:.1f} s")
    report(PART, "  ratio", f"{theirs.seconds / ours:.0f} x", ">= 200 x" if not quick else "")
    report(PART, "  value", same if theirs.proven else f"{same} (not proven)", "equal")


def _followed(excursions: int) -> None:
    """What a lead wins who follows the advice, against one who knows beforehand how long everything takes.

    Rehearsals, with the surprises of chance, of plans by chance with optional work between the must work and
    a limit that leaves room for a part of it. The clairvoyant keeps the best set, in its place.
    """
    won, best, broken, put_off = 0.0, 0.0, 0, 0
    for seed in range(FIRST_SEED, FIRST_SEED + excursions):
        plan = large(seed, Size(5, steps=60), scenarios=2000)[0].plan
        advised = _rehearsed(plan, seed, advised=True)
        won += _value(advised)
        broken += not _kept_all(advised)
        put_off += sum(one.choice == "later" for one in advised.decisions)
        every = (_rehearsed(plan, seed, keeping=some) for n in range(6) for some in _sets(plan, n))
        best += max((_value(one) for one in every if _kept_all(one)), default=0.0)
    what = f"{excursions} rehearsals by the advice: value of clairvoyant"
    report(PART, what, f"{won / best:.2f}", ">= 0.83")
    report(PART, "  limits broken", f"{100 * broken / excursions:.1f} %", "<= 3 %")
    report(PART, "  tasks put off to the end, each", f"{put_off / excursions:.1f}")


def _sets(plan: Plan, size: int) -> Iterator[tuple[str, ...]]:
    """Every set of optional tasks of a size that has what it needs."""
    needs = {task.id: {n for n in task.needs if n in plan.task} for task in plan.tasks if task.optional}
    return (some for some in combinations(needs, size) if all(needs[one] <= set(some) for one in some))


def _rehearsed(
    plan: Plan, seed: int, *, advised: bool = False, keeping: Collection[str] | None = None
) -> Progress:
    """Return a rehearsal, by the advice or keeping just these optional tasks."""
    journal = in_memory(plan, rehearsal=True, seed=seed_of_scenarios(plan, seed))
    if keeping is not None:
        out = [task.id for task in plan.tasks if task.optional and task.id not in keeping]
        journal.record_all([{"kind": "dropped", "task": task} for task in out])
    return Rehearsal(journal, plan, seed, advised=advised).through()


def _value(progress: Progress) -> float:
    tasks = progress.tasks.values()
    return sum(one.task.value for one in tasks if one.task.optional and one.status == "done")


def _kept_all(progress: Progress) -> bool:
    return estimate(progress).safe == 1.0


def _steadiness(excursions: int) -> None:
    """How often the kept set changes on simulated excursions, with the rule and without."""
    found = [changes(seed) for seed in range(excursions)]
    hours = sum(one.hours for one in found)
    plain, steady = sum(one.plain for one in found) / hours, sum(one.steady for one in found) / hours
    worth_kept = sum(one.value for one in found) / max(sum(one.best for one in found), 1e-9)
    report(PART, f"changes an hour without the rule ({hours:.0f} h)", f"{plain:.1f}")
    report(PART, "changes an hour with it", f"{steady:.1f}", "fewer")
    report(PART, "  value kept with it, of the best", f"{worth_kept:.2f}")
    report(PART, "  shown below confidence", f"{sum(one.broken for one in found)}", "0")
