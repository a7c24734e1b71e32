"""Promise: whatever fails, and in whatever order, what was told is there once, what was kept is not lost."""

from __future__ import annotations

from pathlib import Path

from tests.attacks import power_cuts
from tests.world import World, first_broken


def test_no_world_breaks_a_promise_by_a_failing_disk_line_clock_or_power(tmp_path: Path) -> None:
    # The first three try the order of an outbox, an error of its database, and power gone after a refusal.
    assert first_broken(tmp_path, (348, 10105, 14845, *range(100))) is None


def test_a_seed_is_the_same_world_again(tmp_path: Path) -> None:
    told = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        world = World(4, tmp_path / name)
        assert world.play() is None
        told.append(
            [(seat.name, press.words, press.numbers) for seat in world.gone for press in seat.presses]
        )
    assert told[0] == told[1] and sum(bool(numbers) for _, _, numbers in told[0]) > 5


def test_power_that_goes_after_any_write_or_sync_takes_nothing_that_was_told(tmp_path: Path) -> None:
    found = power_cuts(tmp_path, 40, seed=1)
    assert found.tries == 40 and found.told > 300
    assert not found.broken, found
