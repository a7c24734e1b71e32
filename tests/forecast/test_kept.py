"""The kept set is the best of all sets: the search against trying every one of them."""

from __future__ import annotations

import pytest

from tests.chance import Kind, brute, chance
from tracker.forecast.judge import Judge
from tracker.forecast.kept import kept_set

KINDS = {
    "plain": Kind(),
    "stores only": Kind(windows=False),
    "two confidences": Kind(two=True),
    "ways home": Kind(homes=True, optional=4),
    "hardware clocks": Kind(clocks=True, optional=4),
    "use below waiting": Kind(light=True, optional=4),
    "everything": Kind(homes=True, clocks=True, light=True, two=True, optional=4),
}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_search_equals_trying_every_set(kind: Kind) -> None:
    interesting = 0
    for seed in range(15):
        made = chance(seed, kind)
        best, found = brute(made), kept_set(made)
        assert found.proven
        assert found.holds == (best is not None), seed
        if best is not None:
            assert found.tasks == best[2], seed
            assert Judge(made).outcome(found.tasks).failing.any == best[1]
            interesting += 0 < len(found.tasks) < len(made.optional)
    assert interesting >= 4, "cases that decide nothing prove nothing"
