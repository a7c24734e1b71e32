"""plans/FORMATS.md tells every key of a plan, an event, a pace file and an estimate, and no other."""

from __future__ import annotations

import re
from pathlib import Path

from pydantic import BaseModel

from tests.journal.memory_store import in_memory
from tracker.forecast.estimate import estimate
from tracker.forecast.pace_file import read_pace
from tracker.journal.events import MODELS
from tracker.plan.read import read_plan
from tracker.plan.schema import ConsumableFile, CrewFile, OrbitFile, PlanFile, StepFile, TaskFile, WindowFile

TOP = Path(__file__).resolve().parents[2]
TEXT = (TOP / "plans" / "FORMATS.md").read_text(encoding="utf-8")


def _section(title: str) -> str:
    return re.split(rf"^## {title}$", TEXT, flags=re.MULTILINE)[1].split("\n## ")[0]


def _rows(text: str) -> list[tuple[str, str]]:
    """Return the first two cells of every row below a table's headings."""
    cells = [line.strip("|").split(" | ") for line in text.splitlines() if line.startswith("| `")]
    return [(row[0], row[1]) for row in cells]


def _keys(cell: str) -> list[str]:
    return re.findall(r"`(\w+)`", cell)


PLAN = re.split(r"^A (?:consumable|task|step):$", _section("Plan file"), flags=re.MULTILINE)


def test_every_key_of_a_plan_is_told() -> None:
    told = [sorted(key for cell, _ in _rows(part) for key in _keys(cell)) for part in PLAN]
    models: tuple[type[BaseModel], ...] = (PlanFile, ConsumableFile, TaskFile, StepFile)
    assert told == [sorted(set(model.model_fields) - {"format"}) for model in models]


def test_keys_within_are_told() -> None:
    said = {" ".join(_keys(cell)): set(_keys(text)) for cell, text in _rows(PLAN[0])}
    assert set(CrewFile.model_fields) <= said["crew"]
    assert set(WindowFile.model_fields) | set(OrbitFile.model_fields) <= said["windows"]


def test_every_kind_of_event_is_told_with_its_keys() -> None:
    told = {kind: _keys(own) for cell, own in _rows(_section("Events")) for kind in _keys(cell)}
    assert sorted(told) == sorted(MODELS)
    for kind, keys in told.items():
        own = set(MODELS[kind].model_fields) - {"by"} - (set() if kind in ("noted", "raised") else {"text"})
        assert set(keys) == own, kind


def test_the_pace_file_can_be_read() -> None:
    (block,) = re.findall(r"```yaml\n(.*?)```", _section("Pace file"), re.DOTALL)
    prior = read_pace(block, "pace.yaml")
    assert (prior.median, prior.sigma_weight, prior.crew["EV1"]) == (1.05, 6, (0.98, 0.04))


def test_every_key_of_an_estimate_is_told() -> None:
    told = {key for cell, _ in _rows(_section("The re-estimate as JSON")) for key in _keys(cell)}
    with in_memory(read_plan(TOP / "plans" / "larkspur.yaml")) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        found = estimate(journal.progress(), 600, scenarios=50).as_json()
    assert told - {"moved", "last_event", "last_hash"} == set(found)
