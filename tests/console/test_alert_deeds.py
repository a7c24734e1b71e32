"""What an alert offers can be done at that moment: as it is typed in full, and by the keys for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.console.conftest import ZERO
from tests.rehearsals import ticks
from tests.runs import Run, step, task
from tests.screens import scene_of
from tracker.console import key_events
from tracker.console.view.alerts import first_waiting, keys_for, said_of, told_of, waiting_alerts
from tracker.console.view.scene import Scene
from tracker.forecast.alert_words import HEARD_RECALL
from tracker.foundation.errors import TrackerError
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.journal.rounds import rounds_at
from tracker.journal.typed import parse_entry
from tracker.plan.read import read_plan

PLANS = Path(__file__).resolve().parents[2] / "plans"


def whole(progress: Progress, line: str) -> str:
    """Return a line that wants more typed behind it with that; else the line as it is."""
    verb, *rest = line.split()
    if verb in ("add", "A"):
        return "add EV1 0:10 mend the strap"
    if verb in ("hand", "o"):
        return f"hand {rest[0]} to {progress.plan.crew[-1].id}"
    if verb in ("answer", "settle", "="):
        return f"{line} yes"
    if verb in ("reading", "b"):
        store = progress.plan.consumable[rest[-1]]
        many = 1 if len(rest) > 1 or store.shared else len(store.crew)
        return " ".join([line, *[str(store.start * 0.9)] * many])
    return line


def typed(scene: Scene, line: str) -> list[dict[str, Any]]:
    return parse_entry(line, scene.progress, now=scene.now, utc_now=scene.utc)


def pressed(scene: Scene, keys: str) -> list[dict[str, Any]]:
    """Return the events of keys as the desk takes them; words behind one that opens the line are typed."""
    progress, (first, *rest) = scene.progress, keys.split()
    if first == scene.key("entry"):
        return typed(scene, " ".join(rest))
    if first == scene.key("go"):
        batch = key_events.went(progress)
        assert bool(batch.asks) == (rest == [first]), f"{keys}: pressed once or twice"
        return list(batch.events)
    if first.isdigit():
        return list(key_events.tick(progress, int(first), None, scene.now).events)
    if first == scene.key("late"):
        digit, minutes = map(int, rest)
        return list(key_events.tick(progress, digit, None, scene.now, minutes).events)
    if first == scene.key("acknowledge"):
        return [{"kind": "acknowledged", "alert": first_waiting(scene)[0].id}]
    if first == scene.key("recall"):
        return [{"kind": "called", "call": "at once" if rest == ["n"] else "home"}]
    if first == scene.key("close"):
        return [{"kind": "closed"}] if rest == [first] else []
    if first == scene.key("round"):
        asked = [one for one in rounds_at(progress, scene.now) if one.missing]
        return [{"kind": "note", "text": "asked"}] if asked else []
    return typed(scene, keys)


def accepted(scene: Scene, events: list[dict[str, Any]]) -> bool:
    timed = [{"at": round(scene.now), **event} for event in events]
    return bool(events) and scene.progress.suppose(*timed) is not None


def refused(scene: Scene) -> tuple[list[str], Counter[str]]:
    """Return what alerts offer and is not taken, and how many deeds of each kind were tried."""
    wrong, kinds = [], Counter[str]()
    assert scene.estimate is not None
    for alert in scene.estimate.alerts:
        for line in alert.do:
            kinds[alert.kind] += 1
            for how, said in (("typed", line), ("keys", keys_for(scene, line))):
                do = whole(scene.progress, said)
                try:
                    took = accepted(scene, typed(scene, do) if how == "typed" else pressed(scene, do))
                except TrackerError as error:
                    took, do = False, f"{do}: {error}"
                if not took:
                    wrong.append(f"{timedelta(seconds=int(scene.now))} {alert.id}: {how} {do}")
    return wrong, kinds


def test_every_deed_that_a_rehearsal_offers_is_taken() -> None:
    wrong, kinds = list[str](), Counter[str]()
    plan = read_plan(PLANS / "larkspur.yaml")
    for place, (progress, at) in enumerate(ticks(plan, 7, wanted=("stuck", "leak"))):
        if place % 12 == 0:
            found, tried = refused(scene_of(progress, at, scenarios=50, choices=place % 24 == 0))
            wrong, kinds = wrong + found, kinds + tried
    assert not wrong, "\n".join(wrong[:20])
    assert kinds["rate"] and kinds["confidence"] and len(kinds) >= 5, kinds


def test_a_go_that_is_wanted_before_a_gap_can_be_given_before_anybody_stands_there() -> None:
    run = Run(
        task("a", step("1", "EV1", 10), step("2", "EV1", 10), step("3", "EV1", 10, hold_point="ask")),
        task("b", *(step(n, "EV2", 40) for n in "12"), step("3", "EV2", 10, hold_point="ask too")),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
        windows=[{"id": "link", "kind": "link", "open": [["0:00", "0:18"], ["1:30", "2:00"]]}],
    )
    scene = scene_of(run.now, 60)
    assert scene.estimate is not None
    gap = next(alert for alert in scene.estimate.alerts if alert.id == "gap:go:a.3")
    assert keys_for(scene, gap.do[0]) == "g g", "pressed twice, since nobody stands there yet"
    wrong, kinds = refused(scene)
    assert not wrong and kinds["gap"] >= 1
    assert key_events.went(run.now).events[0]["step"] == "a.3"


def test_a_recall_offers_what_stops_the_clock_it_leaves_and_taken_back_the_key_once_they_are_told() -> None:
    run = Run(
        task("a", step("off", "EV1", 10), step("on", "EV1", 9, within={"of": "a.off", "time": "2:00"})),
        task("home", step("in", "EV1 EV2", 10), closeout=True),
    )
    run.done("a.off", at=600)
    call = run("called", 700, call="home")
    scene = scene_of(run.now, 760)
    assert not refused(scene)[0]
    assert scene.estimate is not None
    clock = next(one for one in scene.estimate.alerts if one.kind == "clock")
    said = said_of(scene, clock).replace("\N{NO-BREAK SPACE}", " ")
    assert said.endswith("and nobody does it. e begin a.on once begun, e done a.on once done")
    assert told_of(scene, clock).endswith("and nobody does it")
    run("withdrawn", 800, event=call)
    scene = scene_of(run.now, 860)
    assert not refused(scene)[0]
    (heard,) = waiting_alerts(scene)
    assert said_of(scene, heard) == f"{HEARD_RECALL}. a once told"


async def test_who_closes_is_told_of_the_clock_that_nobody_stops(at_desk: Callable[..., Any]) -> None:
    async with at_desk((160, 50)) as at:
        await at.press("z")
        with Journal.open(at.path) as other:
            for event in ({"kind": "done", "step": "pump.lines"}, {"kind": "called", "call": "home"}):
                other.record(event, utc_now=ZERO + timedelta(seconds=2))
        await at.until(lambda: at.desk.progress.recall)
        await at.press("X")
        told = "X again closes the excursion; CLOCK until 1:00, nobody stops it: Join the coolant lines"
        assert told in at.said
