"""What is remembered between estimates changes the time they take, never a digit."""

from __future__ import annotations

import gc
import weakref
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np

from tests.forecast.test_advice import busy
from tracker.forecast.as_json import as_json
from tracker.forecast.estimate import estimate
from tracker.forecast.memory import Memory, memory_of
from tracker.journal.progress import Progress

N = 300


def instants() -> list[tuple[Progress, float]]:
    """Return an excursion event by event, each looked at when it happens and a while later."""
    run, out = busy(), []
    for k in range(3):
        for step in (1, 2):
            run.done(f"m{k}.{step}", at=1300 * (k + 1) - 60 + 30 * step)
            out += [(run.now, run.now.at + later) for later in (0.0, 20.0, 500.0)]
    return out


def test_an_estimate_is_the_same_with_nothing_remembered() -> None:
    for progress, now in instants():
        remembered = as_json(estimate(progress, now, scenarios=N))
        assert as_json(estimate(progress, now, scenarios=N, memory=Memory())) == remembered


def test_a_tick_taken_back_or_amended_or_counted_is_the_same_with_nothing_remembered() -> None:
    run = busy()
    numbers = [run("done", 1200 + 90 * i, step=f"m{i}.{part}") for i in range(3) for part in (1, 2)]
    seen = [run.now]
    run("amended", event=numbers[1], at=1150)
    seen.append(run.now)
    run("withdrawn", event=numbers[0])
    seen.append(run.now)
    run("counted", 1500, step="m3.1", count=0)
    seen += [run.now, seen[0]]
    for progress in seen:
        remembered = as_json(estimate(progress, 1600, scenarios=N))
        assert as_json(estimate(progress, 1600, scenarios=N, memory=Memory())) == remembered


def test_two_threads_at_once_have_a_memory_each_and_say_the_same() -> None:
    asked, together = instants(), Barrier(2)

    def all_of_them(_: int) -> tuple[int, list[object]]:
        together.wait()
        made = [as_json(estimate(progress, now, scenarios=N)) for progress, now in asked]
        return id(memory_of(asked[0][0])), [*made]

    with ThreadPoolExecutor(2) as threads:
        (one, first), (other, second) = threads.map(all_of_them, range(2))
    assert one != other
    assert first == second


def test_all_progress_of_an_excursion_has_one_memory_and_another_excursion_has_its_own() -> None:
    run, other = busy(), busy()
    before = memory_of(run.now)
    run.done("m0.1", at=1200)
    assert memory_of(run.now) is before
    assert memory_of(run.now.suppose({"kind": "done", "step": "m0.2", "at": 1300})) is before
    assert memory_of(other.now) is not before


def test_a_memory_goes_with_its_excursion() -> None:
    run = busy()
    estimate(run.now, scenarios=N)
    gone = weakref.ref(memory_of(run.now))
    del run
    gc.collect()
    assert gone() is None


def test_a_table_is_lent_to_one_at_a_time() -> None:
    memory = Memory()
    first, second = memory.lend(3, 4), memory.lend(3, 4)
    assert not np.shares_memory(first, second)
    memory.give_back(first)
    third, fourth = memory.lend(2, 5), memory.lend(3, 4)
    assert third.shape == (2, 5) and np.shares_memory(first, third)
    assert not any(np.shares_memory(fourth, table) for table in (first, second, third))
