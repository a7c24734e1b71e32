"""The verdict agrees with what raw events say, over rehearsals with every surprise."""

from __future__ import annotations

from tests.verdicts import compare, judged_excursions

KINDS = ("elapsed", "store", "clock", "window", "item", "hardware", "task")


def test_verdicts_agree_with_the_raw_events() -> None:
    found = compare(list(judged_excursions(seeds=range(2))))
    assert found.unlike == []
    assert all(found.broken[kind] > 0 for kind in KINDS), found
    assert sum(found.judged.values()) > 200
    # Most stores are clear enough to be judged in both ways.
    assert found.untold < found.judged["store"] / 2
