"""A thousand rehearsals of the demo without a screen: how long they take, and how they end."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import fmean
from time import perf_counter

from tests.bench.table import report
from tests.journal.memory_store import in_memory
from tracker.forecast.estimate import estimate
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.plan.read import read_plan
from tracker.rehearsal.setting import Rehearsal, seed_of_scenarios

DEMO = Path(__file__).resolve().parents[2] / "plans" / "larkspur.yaml"
MANY, ADVISED, WRITTEN = 1_000, 20, 20
"""How many are played in memory, with a lead who follows the advice, and into files."""


def main(argv: list[str]) -> None:
    """Play and print; `--quick` a twentieth of it, `--count` another number."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench rehearsal")
    parser.add_argument("--quick", action="store_true", help="a twentieth of it")
    parser.add_argument("--count", type=int, default=MANY, help="how many in memory")
    asked = parser.parse_args(argv)
    part = 20 if asked.quick else 1
    plan = read_plan(DEMO)
    _many(plan, max(asked.count // part, 2))
    _advised(plan, max(ADVISED // part, 2))
    _written(plan, max(WRITTEN // part, 2))


def _many(plan: Plan, count: int) -> None:
    began = perf_counter()
    surprised = [_end(_play(plan, seed)) for seed in range(count)]
    each = (perf_counter() - began) / count
    report("rehearsal", f"{count} rehearsals of the demo in memory, each", f"{1000 * each:.0f} ms")
    unsurprised = [_end(_play(plan, seed, wanted=())) for seed in range(count)]
    low, high = _range_at_zero(plan)
    for how, ends, target in (("without", unsurprised, "80 %"), ("with", surprised, "")):
        share = 100 * fmean(low <= end <= high for end in ends)
        what = f"inside within the 80 % range at zero, {how} surprises"
        report("rehearsal", what, f"{share:.0f} %", target)


def _range_at_zero(plan: Plan) -> tuple[float, float]:
    """Return the 80 % range of the ingress at zero, with everything kept as the crew will."""
    journal = in_memory(plan, seed="bench")
    keeping = [{"kind": "chose", "task": task.id, "choice": "keep"} for task in plan.tasks if task.optional]
    found = estimate(journal.progress().suppose(*keeping), 0.0).inside
    assert found.p10 is not None and found.p90 is not None
    return found.p10, found.p90


def _advised(plan: Plan, count: int) -> None:
    began = perf_counter()
    for advised in (False, True):
        ended = [_play(plan, seed, advised=advised) for seed in range(count)]
        late = fmean(_end(progress) > progress.limits["elapsed"] for progress in ended)
        kept = fmean(sum(t.status == "done" and t.task.optional for t in p.tasks.values()) for p in ended)
        how = "following the advice" if advised else "keeping everything"
        figure = f"{100 * late:.0f} % late, {kept:.1f} kept"
        report("rehearsal", f"{count} {how}", figure)
    each = (perf_counter() - began) / count
    report("rehearsal", "once without and once with advice, each pair", f"{each:.1f} s")


def _written(plan: Plan, count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        began = perf_counter()
        for seed in range(count):
            path, uuid = Path(folder) / f"{seed}.sqlite", seed_of_scenarios(plan, seed)
            with Journal.create(path, plan, rehearsal=True, uuid=uuid) as journal:
                Rehearsal(journal, plan, seed).through()
        each = (perf_counter() - began) / count
        size = fmean(path.stat().st_size for path in Path(folder).glob("*.sqlite")) / 1024
    report("rehearsal", "one into a file, every event durable", f"{each:.2f} s, {size:.0f} kB")


def _play(plan: Plan, seed: int, *, advised: bool = False, wanted: tuple[str, ...] = ("random",)) -> Progress:
    uuid = seed_of_scenarios(plan, seed)
    journal = in_memory(plan, rehearsal=True, seed=uuid)
    return Rehearsal(journal, plan, seed, advised=advised, wanted=wanted).through()


def _end(progress: Progress) -> float:
    return max(progress.entered.values())
