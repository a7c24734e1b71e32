"""What several excursions add up to: tasks of one plan, crew by id and name, nothing left out unsaid."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.debrief.made import excursion, row
from tests.journal.memory_store import in_memory
from tracker.cli.main import main
from tracker.debrief import pages, tables
from tracker.debrief.excursion import Excursion, debriefed
from tracker.debrief.journals import pool
from tracker.debrief.pages import markdown, page
from tracker.journal.journal import Journal
from tracker.plan.read import parse_plan

PLAN = """
format: 1
excursion: {name}
zero: Go
limits: {{elapsed: 3:00}}
crew: [{{id: EV1, name: {crew}}}]
tasks:
  - id: mount
    title: Mount it
    steps:
      - {{id: a, do: Fasten, crew: [EV1], time: 0:10, work: fasten}}
      - {{id: b, do: Fasten more, crew: [EV1], time: 0:10, work: fasten}}
      - {{id: c, do: Fasten the last, crew: [EV1], time: 0:10, work: fasten}}
  - {{id: closeout, title: Home, closeout: true, steps: [{{id: in, do: Come in, crew: [EV1], time: 0:10}}]}}
"""


def _one(name: str, crew: str, *minutes: int) -> Excursion:
    with in_memory(
        parse_plan(PLAN.format(name=name, crew=crew), file="p.yaml", name="p"), seed=name
    ) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        at = 0
        for step, took in zip(("mount.a", "mount.b", "mount.c", "closeout.in"), minutes, strict=True):
            at += took * 60
            journal.record({"kind": "done", "step": step, "at": at})
        return debriefed(journal.progress(), f"{name}.sqlite", None)


def test_tasks_of_two_plans_and_two_people_stay_apart() -> None:
    every = [_one("North", "Marit", 10, 10, 60, 10), _one("South", "Tove", 11, 12, 10, 10)]
    together = pool(every)
    assert [(g.excursion, g.name) for g in together.tasks if g.name == "closeout"] == [
        ("North", "closeout"),
        ("South", "closeout"),
    ]
    assert [(g.name, g.title) for g in together.crew] == [("EV1", "Marit"), ("EV1", "Tove")]
    fasten = next(g for g in together.work if g.name == "fasten")
    # 113 minutes of 60, though the middle of the six steps took 1.05 times its time.
    assert fasten.ratio == pytest.approx(113 / 60)
    assert fasten.median_ratio == pytest.approx(1.05)
    assert (fasten.plans, fasten.excursion) == (2, "")
    titles = [table.title for table in tables.of_several(every)]
    assert titles[2:4] == ["Tasks of North", "Tasks of South"]


def test_one_plan_flown_twice_is_one_table() -> None:
    every = [_one("North", "Marit", 10, 10, 10, 10), _one("North", "Marit", 12, 10, 10, 10)]
    together = pool(every)
    assert [(g.name, g.steps, g.plans) for g in together.tasks] == [("mount", 6, 1), ("closeout", 2, 1)]
    assert [(g.name, g.title, g.steps) for g in together.crew] == [("EV1", "Marit", 8)]
    assert "Tasks" in [table.title for table in tables.of_several(every)]


def test_a_task_with_other_steps_is_another_task() -> None:
    other = excursion(steps=(row(step="mount.1"), row(step="mount.9")))
    assert len(pool([excursion(steps=(row(step="mount.1"),)), other]).tasks) == 2


def test_what_is_only_summed_is_said_and_can_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "MOST_IN_FULL", 2)
    every = [excursion(journal=f"{i}.sqlite") for i in range(3)]
    for write in (page, markdown):
        short, full = "".join(write(every)), "".join(write(every, full=True))
        assert "full writes all of them" in short
        assert "full writes all of them" not in full
        assert short.count("Steps") < full.count("Steps")


def test_excursions_of_one_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("North", "South"):
        plan = parse_plan(PLAN.format(name=name, crew="Marit"), file="p.yaml", name="p")
        with Journal.create(tmp_path / f"{name}.sqlite", plan) as journal:
            journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    paths = [str(tmp_path / f"{name}.sqlite") for name in ("North", "South")]
    assert main(["debrief", *paths, "--excursion", "south", "--json", str(tmp_path / "s.json")]) == 0
    found = json.loads((tmp_path / "s.json").read_text())
    assert [one["excursion"] for one in found["excursions"]] == ["South"]
    assert main(["debrief", *paths, "--excursion", "West"]) == 1
    assert "their excursions are: North, South" in capsys.readouterr().err
