"""Random plans, and random excursions of them that the rules allow, for property tests of any room."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from random import Random
from typing import Any

from tracker.foundation.errors import EventError, PlanError
from tracker.journal.event_checks import admit
from tracker.journal.fold import Fold
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

NOT_LIVE = datetime(2040, 1, 1, tzinfo=UTC)
CREW = ("EV1", "EV2", "IV")


def random_plan(random: Random, *, tasks: int = 5, steps: int = 4) -> Plan:
    """Return a plan with joint steps, needs, windows, hold points, counts and open items."""
    while True:
        try:
            return parse_plan(json.dumps(_plan(random, tasks, steps)), file="random.json", name="random")
        except PlanError:
            # A circle, or a must that needs an optional task: try another one.
            continue


def _plan(random: Random, tasks: int, steps: int) -> dict[str, Any]:
    known: list[str] = []
    made = []
    for t in range(random.randint(1, tasks)):
        made.append(_task(random, f"t{t}", random.randint(1, steps), known))
    made.append(
        {
            "id": "in",
            "title": "Go in",
            "closeout": True,
            "steps": [_step(random, "go", ["EV1", "EV2"]), _step(random, "shut", ["EV1"])],
        }
    )
    return {
        "format": 1,
        "excursion": "Random",
        "zero": "Start",
        "zero_planned": "2031-05-04T14:00:00Z",
        "limits": {"elapsed": "6:30"},
        "crew": [{"id": c, "name": c, "outside": c != "IV"} for c in CREW],
        "consumables": [{"id": "air", "unit": "kg", "start": 0.8, "reserve": 0.1, "per_hour": 0.05}],
        "sites": {"rack": {"home": "0:08"}, "boom": {"home": "0:15"}},
        "rounds": [{"id": "status", "every": "0:30", "ask": ["air", "gloves"]}],
        "hardware": [{"id": "wrench"}, {"id": "bag", "from": "rack"}],
        "windows": [{"id": "light", "open": [[f"{h}:00", f"{h}:40"] for h in range(0, 26)]}],
        "tasks": made,
    }


def _step(random: Random, name: str, crew: list[str], **more: Any) -> dict[str, Any]:
    minutes = random.choice((1, 2, 5, 5, 10, 20))
    return {"id": name, "do": f"Do {name}", "crew": crew, "time": f"0:{minutes:02d}", **more}


def _task(random: Random, name: str, steps: int, known: list[str]) -> dict[str, Any]:
    """Return a task; ids of its must steps go to `known`, from which later needs are drawn."""
    priority = random.choice(("must", "must", "should", "get-ahead"))
    made = []
    for s in range(steps):
        crew = random.choice((["EV1"], ["EV1"], ["EV2"], ["EV2"], ["EV1", "EV2"], ["IV"]))
        more: dict[str, Any] = {}
        if known and random.random() < 0.3:
            more["needs"] = [random.choice(known)]
        if random.random() < 0.1:
            more["window"] = "light"
        if random.random() < 0.1:
            more["hold_point"] = "ask"
        if random.random() < 0.2:
            more["count"] = random.randint(2, 6)
        if random.random() < 0.1:
            more["fixed"] = True
        if random.random() < 0.3:
            more["site"] = random.choice(("rack", "boom"))
        made.append(_step(random, f"s{s}", crew, **more))
    if steps > 1 and random.random() < 0.4:
        made[0]["opens"] = [f"{name}-lid"]
        made[-1]["closes"] = [f"{name}-lid"]
        made[-1].setdefault("needs", []).append(f"{name}.s0")
    if priority == "must":
        known.extend(f"{name}.{step['id']}" for step in made)
    return {"id": name, "title": name, "priority": priority, "steps": made}


def random_run(random: Random, plan: Plan, events: int = 30, *, orderly: bool = False) -> Fold:
    """Return the fold of an excursion of random events; what the rules refuse is left out.

    `orderly`: only ticks of current steps, notes and goes, so that nothing is unusual.
    """
    fold = Fold.start(plan, uuid="random")
    zero = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}
    fold = admit(fold, zero, utc_now=NOT_LIVE, seat="test")[1]
    at = 0
    for _ in range(random.randint(0, events)):
        at += random.choice((0, 1, 5, 20, 60, 300, 900))
        event = _tick(random, fold) if orderly or random.random() < 0.5 else _any(random, fold)
        late = 0 if orderly or random.random() < 0.8 else random.choice((30, 200, 2000))
        if event is None:
            continue
        try:
            fold = admit(fold, {"at": max(0, at - late), **event}, utc_now=NOT_LIVE, seat="test")[1]
        except EventError:
            continue
    return fold


def _tick(random: Random, fold: Fold) -> dict[str, Any] | None:
    """Return a tick of a current step, or the go that it waits for."""
    progress = fold.progress()
    steps = sorted({step for step in progress.current.values() if step is not None})
    ready = [step for step in steps if not progress.missing(step)]
    if not ready:
        return None
    step = random.choice(ready)
    state = progress.steps[step]
    if not state.gone:
        return {"kind": "went", "step": step}
    if state.began is None:
        return None
    return {"kind": "done", "step": step}


def _any(random: Random, fold: Fold) -> dict[str, Any]:
    progress = fold.progress()
    step = random.choice(list(progress.steps))
    task = random.choice(list(progress.tasks))
    other = random.choice(list(progress.tasks))
    crew = random.choice(CREW)
    kinds: list[dict[str, Any]] = [
        {"kind": "began", "step": step},
        {"kind": "began", "step": step},
        {"kind": "done", "step": step},
        {"kind": "counted", "step": step, "count": random.randint(0, 4)},
        {"kind": "done", "step": step, "count": random.randint(0, 3)},
        {"kind": "skipped", "step": step},
        {"kind": "dropped", "task": task},
        {"kind": "dropped", "task": task},
        {"kind": "restored", "task": task},
        {"kind": "held"},
        {"kind": "held", "crew": [crew]},
        {"kind": "resumed"},
        {"kind": "resumed", "crew": [crew]},
        {"kind": "went", "step": step},
        {"kind": "handed", "step": step, "crew": [crew]},
        {"kind": "handed", "step": step, "crew": ["EV1", "EV2"]},
        {"kind": "moved", "task": task, "before": other},
        {"kind": "moved", "task": task, "last": True},
        {"kind": "added", "task": _added(random)},
        {"kind": "added", "task": _added(random), "before": other},
        {
            "kind": "retimed",
            "step": step,
            "time": "0:07",
            **({"left": True} if random.random() < 0.5 else {}),
        },
        {"kind": "limited", "limit": "elapsed", "value": "6:00"},
        {"kind": "reading", "crew": "EV1", "consumable": "air", "value": 0.6},
        {"kind": "seen", "window": "light"},
        {"kind": "silent", "crew": [crew]},
        {"kind": "heard", "crew": [crew]},
        {"kind": "noted", "text": "x"},
        {"kind": "chose", "task": task, "choice": "keep", "by": crew},
        {"kind": "raised", "what": "question", "about": random.choice((task, step, crew)), "text": "?"},
        {"kind": "raised", "what": "reminder", "due": random.randint(0, 9000), "owner": crew, "text": "!"},
        {"kind": "raised", "what": "deviation", "after": step, "text": "bent"},
        {"kind": "settled", "event": random.randint(1, fold.number), "text": "yes"},
        {"kind": "placed", "crew": crew, "site": random.choice(("rack", "boom"))},
        {"kind": "taken", "by": "Bryn"},
        _checked(random, crew),
        {"kind": "took", "crew": crew, "hardware": random.choice(("wrench", "bag"))},
        {"kind": "put", "hardware": "wrench", "site": random.choice(("rack", "lock"))},
        {"kind": "withdrawn", "event": random.randint(1, fold.number)},
        {"kind": "amended", "event": random.randint(1, fold.number)},
    ]
    if random.random() < 0.1:
        kinds += [
            {"kind": "entered", "crew": crew},
            {"kind": "called", "call": random.choice(("home", "at once"))},
            {"kind": "called", "call": "home", "crew": [crew]},
            {"kind": "closed"},
        ]
    return random.choice(kinds)


def _checked(random: Random, crew: str) -> dict[str, Any]:
    air, gloves = random.choice((0.5, "ok")), random.choice(("ok", "not ok: torn"))
    return {"kind": "checked", "crew": crew, "round": "status", "answers": {"air": air, "gloves": gloves}}


def _added(random: Random) -> Mapping[str, Any]:
    crew = random.choice((["EV1"], ["EV2"], ["EV1", "EV2"]))
    return {"title": "Unplanned", "steps": [_step(random, "s", crew)]}
