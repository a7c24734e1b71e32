"""The estimate as JSON: every key, plain numbers, null for what does not exist, the same every time."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from itertools import pairwise
from typing import Any

import pytest

from tests.flat import FLAT, flat
from tests.journals import MORNING, ZERO, done, plan
from tests.runs import LATER, Run, step, task
from tracker.forecast.estimate import estimate
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold

KEYS = {
    "": "format excursion at scenarios confidence pace_file inside limit margin safe without_optional limits "
    "binding turn_back pace consumables tasks steps optional clocks open_items called alerts advisory "
    "ingress advice safe_by unheard processes habit lateness",
    "inside": "mean p10 p50 p90",
    "margin": "p50 p90",
    "without_optional": "inside safe",
    "limits": "id at chance margin reached to_spare",
    "binding": "limit chance",
    "turn_back": "latest inside_if_now safe_if_now safe_by_if_now was_due missed homebound mover "
    "moved_from moved_to",
    "consumables": "crew consumable unit now at_inside reserve reserve_reached short "
    "flagged read_at expected leak rate read nothing_by",
    "tasks": "task priority status start finish",
    "steps": "step status crew start finish waits_for",
    "optional": "task advice last_call in_time cost begun reason ground",
    "advice": "kept at proven when_short",
    "clocks": "step of due late",
    "processes": "id share inside safe",
    "open_items": "item opened_by closed_by",
}


def morning(*more: dict[str, Any]) -> Fold:
    fold = Fold.start(plan(), uuid="0b5e")
    for event in (*MORNING, *more):
        _, fold, _ = admit(fold, event, utc_now=LATER, seat="test")
    return fold


def numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [n for v in value.values() for n in numbers(v)]
    if isinstance(value, list):
        return [n for v in value for n in numbers(v)]
    return [value] if isinstance(value, float) else []


def checked(found: dict[str, Any]) -> dict[str, Any]:
    """Return it after looking that every key is there and every number is one."""
    for where, keys in KEYS.items():
        part = found if not where else found[where]
        for one in part if isinstance(part, list) else [part]:
            assert set(keys.split()) <= set(one), where
    assert all(math.isfinite(n) for n in numbers(found))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    return found


def test_every_key_of_a_morning() -> None:
    found = checked(estimate(morning().progress(), 1400, scenarios=500).as_json())
    assert (found["format"], found["at"], found["scenarios"], found["confidence"]) == (1, 1400, 500, 0.9)
    whole = [found["at"], found["limit"], *(limit["at"] for limit in found["limits"] if limit["at"])]
    assert all(isinstance(at, int) for at in whole)
    assert set(found["pace"]) == {"all", "EV1", "EV2", "IV"}
    assert list(found["habit"]) == ["prompt", "slow", "late", "minutes", "five_minutes"]
    assert sum(found["habit"].values()) == pytest.approx(1.0, abs=1e-5)
    assert "moved" not in found
    assert found["inside"]["p10"] <= found["inside"]["p50"] <= found["inside"]["p90"]


def test_two_confidences_are_told_apart() -> None:
    run = Run(task("a", step("1", "EV1", 5)), confidence={"elapsed": 0.9, "consumables": 0.99})
    assert flat(run.now).as_json()["confidence"] == {"elapsed": 0.9, "consumables": 0.99}


def test_shut_out_in_every_scenario_gives_null_and_never_infinity() -> None:
    run = Run(
        task("a", step("1", "EV1", 10), step("2", "EV1", 10, window="day")),
        windows=[{"id": "day", "open": [["0:00", "0:47"]]}],
        zero_planned="2031-05-04T14:00:00Z",
        consumables=[{"id": "o", "unit": "kg", "start": 9, "reserve": 1, "per_hour": 0.1}],
    )
    run.done("a.1", at=3000)
    run("held", 3000, crew=["EV1"])
    found = checked(flat(run.now).as_json())
    assert found["inside"] == {"mean": None, "p10": None, "p50": None, "p90": None}
    assert found["binding"] == {"limit": "window.day", "chance": 1.0}


def test_after_closed_it_is_the_fact() -> None:
    fold = morning(done("hinge.unplug", 1500), {"kind": "closed", "at": 4000})
    found = checked(estimate(fold.progress(), 9000, scenarios=100).as_json())
    inside = found["inside"]
    assert inside["p10"] == inside["p50"] == inside["p90"] == inside["mean"] == 4000
    assert found["optional"] == [] and found["alerts"] == []
    assert found["safe"] == 1.0
    for figure in found["consumables"]:
        left = figure["at_inside"]
        assert left["p10"] == left["p50"] == left["p90"] == figure["now"]
    for limit in found["limits"]:
        reached, spare = limit["reached"]["p50"], limit["to_spare"]
        assert limit["margin"]["p50"] == pytest.approx(reached - 4000, abs=0.002)
        assert spare == reached // 60 * 60 - 66 * 60, "ingress is a fact, rounded down"
        assert (limit["margin"]["p50"] < 0) == (limit["chance"] == 1.0)
    assert {s["status"] for s in found["steps"]} == {"done", "left"}
    assert {t["task"]: t["status"] for t in found["tasks"]}["latch"] == "left"


def test_the_fact_is_when_the_last_of_them_entered() -> None:
    run = Run(
        task("a", step("1", "EV1", 10)),
        task("home", step("in-1", "EV1", 10), step("in-2", "EV2", 10), closeout=True),
        limits={"elapsed": "0:20", "boat": {"at": "0:18", "crew": ["EV2"]}},
    )
    run.done("a.1", at=600)
    run.done("home.in-2", at=900)
    run("entered", 960, crew="EV2")
    run.done("home.in-1", at=1260)
    run("closed", 1500)
    found = flat(run.now).as_json()
    assert (found["inside"]["p50"], found["margin"]["p50"], found["safe"]) == (1260, -60, 0.0)
    assert found["binding"] == {"limit": "elapsed", "chance": 1.0}
    assert found["ingress"]["EV2"]["p50"] == 960


def test_everybody_in_but_not_closed_is_a_fact_already() -> None:
    run = Run(task("home", step("in", "EV1 EV2", 10), closeout=True))
    run.done("home.in", at=700)
    made = flat(run.now, 2000)
    assert made.inside.p50 == 700
    assert made.margin.p50 == 6.5 * 3600 - 700


SCRIPT = """
import json, sys
from tests.forecast.test_figures import morning
from tracker.forecast.estimate import estimate
print(json.dumps(estimate(morning().progress(), 1400, scenarios=1000).as_json()))
"""


def test_two_processes_agree_to_the_last_digit() -> None:
    said = [
        subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    ]
    assert said[0] == said[1]
    assert json.loads(said[0])["inside"]["p50"] > 1400


def test_a_second_later_the_projection_has_hardly_moved() -> None:
    progress = morning().progress()
    values = [estimate(progress, 1400 + k).inside.p50 for k in range(4)]
    steps = [b - a for a, b in pairwise(values) if a is not None and b is not None]
    assert all(0 <= s <= 2 for s in steps)


def test_the_journal_s_own_pace_file_is_named() -> None:
    from tests.flat import FLAT_FILE

    fold = Fold.start(plan(), uuid="0b5e", pace_text=FLAT_FILE, pace_name="crew.yaml")
    _, fold, _ = admit(fold, ZERO, utc_now=LATER, seat="test")
    made = estimate(fold.progress(), scenarios=20)
    assert made.pace_file == "crew.yaml"
    assert made.inside.p10 == made.inside.p90
    assert made.inside == flat(fold.progress(), scenarios=20).inside
    assert estimate(fold.progress(), prior=FLAT, scenarios=20).pace_file is None


@pytest.mark.parametrize("scenarios", [1, 2, 7])
def test_few_scenarios_are_enough_to_have_figures(scenarios: int) -> None:
    checked(estimate(morning().progress(), 1400, scenarios=scenarios).as_json())


@pytest.mark.parametrize("now", [math.nan, math.inf])
def test_an_instant_that_is_none_is_refused(now: float) -> None:
    with pytest.raises(ValueError, match="give a PET in seconds"):
        estimate(morning().progress(), now)


@pytest.mark.parametrize("scenarios", [0, -1])
def test_less_than_one_scenario_is_refused(scenarios: int) -> None:
    with pytest.raises(ValueError, match="too few"):
        estimate(morning().progress(), 1400, scenarios=scenarios)
