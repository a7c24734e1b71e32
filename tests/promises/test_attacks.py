"""Promise: what was told is there once, whatever is killed, full, mutated or crowded."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.attacks import mutations, run, seats
from tests.hands import fumble


def test_of_a_writer_killed_at_any_instant_every_told_number_is_there_once(tmp_path: Path) -> None:
    found = run("kills", tmp_path, 16)
    assert found.tries == 16 and found.told > 5
    assert not found.broken, found


def test_a_disk_that_is_full_after_any_byte_loses_nothing_that_was_told(tmp_path: Path) -> None:
    found = run("disks", tmp_path, 10)
    assert found.tries == 10 and found.told > 5
    assert not found.broken, found


def test_many_seats_lose_nothing_and_no_read_fails(tmp_path: Path) -> None:
    found, waits, failed = seats(tmp_path, writers=2, watchers=2, seconds=1.5)
    assert not found.broken and failed == 0 and found.told == len(waits) > 4


TRIES = {"line": 1500, "typed": 800, "plan": 60, "pace": 200, "settings": 200, "journal": 60}
TRIES |= {"csv": 150, "xlsx": 40, "mapping": 100, "ticks": 100, "address": 300, "expect": 100}


@pytest.mark.parametrize(("door", "tries"), TRIES.items())
def test_no_mutated_input_is_anything_but_taken_or_refused_in_words(
    door: str, tries: int, tmp_path: Path
) -> None:
    found = [(n, raw, repr(error)) for n, raw, error in mutations(tmp_path, door, tries, seed=1)]
    assert not found, found[0]


@pytest.mark.parametrize("seed", [1, 2])
async def test_no_size_key_paste_or_mouse_ends_the_desk(seed: int, tmp_path: Path) -> None:
    assert await fumble(tmp_path, seed, 50) == []
