"""A journal to run commands on."""

from __future__ import annotations

from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """Return the path of a journal of the demo plan whose first step is done."""
    from tracker import Journal, read_plan

    plan = read_plan(TOP / "plans" / "larkspur.yaml")
    path = tmp_path / "example.sqlite"
    first = plan.tasks[0].steps[0]
    with Journal.create(path, plan) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        journal.record({"kind": "done", "step": first.id, "at": 600})
    return path
