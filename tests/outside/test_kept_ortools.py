"""The kept set against OR-tools CP-SAT on the same scenarios: equal value, and each set seen to be safe."""

from __future__ import annotations

import math

import pytest

from tests.chance import Kind, chance, play
from tests.cpsat import solve, worth
from tracker.forecast.kept_set import kept_set
from tracker.forecast.task_sets import TaskSets
from tracker.forecast.world import World

KINDS = {
    "one confidence": Kind(10, 9, 4),
    "two confidences": Kind(10, 9, 4, two=True),
    "no windows, no stores": Kind(12, 12, 5, windows=False, stores=False),
}
SEEDS = range(70)


def _is_safe(made: World, kept: frozenset[int]) -> bool:
    """Play every scenario of a set step by step and count those that keep what they should."""
    played = [play(made, kept, n) for n in range(made.scenarios)]
    elapsed = sum(p.elapsed_kept for p in played)
    reserves = sum(p.reserves_kept for p in played)
    both = sum(p.elapsed_kept and p.reserves_kept for p in played)
    wanted = math.ceil(made.confidence_elapsed * made.scenarios - 1e-9)
    if made.confidence_joint:
        return both >= wanted
    return elapsed >= wanted and reserves >= math.ceil(made.confidence_consumables * made.scenarios - 1e-9)


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_equal_value_and_safe(kind: Kind) -> None:
    decided = 0
    for seed in SEEDS:
        made = chance(1000 + seed, kind)
        ours, theirs = kept_set(TaskSets(made)), solve(made)
        assert theirs.proven, seed
        assert ours.holds == (theirs.value is not None), seed
        if theirs.value is not None:
            assert worth(made, ours.tasks) == theirs.value, seed
            assert _is_safe(made, ours.tasks) and _is_safe(made, theirs.kept), seed
            decided += 0 < len(ours.tasks) < len(made.optional)
    assert decided >= 10, "cases in which something has to go"
