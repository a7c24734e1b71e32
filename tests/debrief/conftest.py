"""Journals to look back on."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.journal.memory_store import in_memory
from tests.seasons import Truth, events, plan
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.read import parse_plan

SMALL = """
format: 1
excursion: Two bolts
zero: both out
limits: {elapsed: 2:00}
crew: [{id: EV1, name: One}, {id: EV2, name: Two}, {id: IV, name: Inside, outside: false}]
efforts: {rest: 100, light: 200, moderate: 300, heavy: 450}
consumables:
  - {id: air, unit: kg, start: 1.0, reserve: 0.1, per_hour: 0.1, per_megajoule: 0.1}
windows: [{id: light, open: [[0:00, 0:30], [0:50, 2:00]]}]
tasks:
  - id: mount
    title: Mount the box
    steps:
      - {id: bolts, do: Turn two bolts, crew: [EV1], time: 0:10, effort: moderate, work: fasten}
      - {id: wire, do: Plug the wire, crew: [EV2], time: 0:20, work: connect, needs: [mount.bolts]}
      - {id: ask, do: Power on, crew: [IV], time: 0:05, needs: [mount.wire], hold_point: ask for a go}
  - id: photos
    title: Take photos
    priority: get-ahead
    steps: [{id: all, do: Photograph, crew: [EV1], time: 0:20, window: light, work: survey}]
  - id: home
    title: Go home
    closeout: true
    steps: [{id: in, do: Come in, crew: [EV1, EV2], time: 0:10, work: travel}]
"""
"""As planned: EV1 bolts 0-10, photos 10-30; EV2 waits 0-10, wire 10-30; both in 30-40."""


@pytest.fixture
def small() -> Journal:
    """Return a journal of the small plan whose clock has started."""
    journal = in_memory(parse_plan(SMALL, file="small.yaml", name="small"), seed="small")
    journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    return journal


@pytest.fixture(scope="session")
def season() -> tuple[Progress, ...]:
    """Return twelve finished excursions of one season."""
    found = []
    for seed in range(12):
        with in_memory(plan(40, seed=seed % 3), seed=f"season-{seed}") as journal:
            journal.record_all(events(journal.plan, Truth(), seed=seed))
            found.append(journal.progress())
    return tuple(found)


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Return the paths of three journals, the last a rehearsal."""
    paths = []
    for seed in range(3):
        path = tmp_path / f"excursion-{seed}.sqlite"
        with Journal.create(path, plan(14, seed=seed), rehearsal=seed == 2) as journal:
            journal.record_all(events(journal.plan, Truth(), seed=seed))
        paths.append(path)
    return paths
