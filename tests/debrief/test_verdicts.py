"""The verdict agrees with what raw events say, over rehearsals with every surprise."""

from __future__ import annotations

from tests.truth import Walk
from tests.verdicts import compare, judged_excursions

KINDS = ("elapsed", "store", "clock", "window", "item", "hardware", "task")


def test_verdicts_agree_with_the_raw_events() -> None:
    every = list(judged_excursions(seeds=range(2)))
    found = compare(every)
    assert found.unlike == []
    assert all(found.broken[kind] > 0 for kind in KINDS), found
    assert sum(found.judged.values()) > 200
    # Most stores are clear enough to be judged in both ways.
    assert found.untold < found.judged["store"] / 2
    # The estimate as of the close, the one after it and the debrief say one figure of every limit and store.
    walk = Walk()
    for number, progress in enumerate(every[::4]):
        walk.look_back(progress, f"{progress.plan.name} {number}")
    assert not walk.wrong, "\n".join(walk.wrong[:20])
    assert walk.compared > 500
