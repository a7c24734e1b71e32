"""Alerts on the desk: three severities told apart without colour, live words, keys for what can be typed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.runs import ZERO, Run, step, task
from tests.screens import panes
from tracker.console.view.alerts import alert_lines, alerts_list, calm_words, keys_for, standing_alerts
from tracker.console.view.head import head
from tracker.console.view.scene import Disk, Scene, Snapshot
from tracker.console.view.styled_text import text_of
from tracker.forecast.estimate import estimate
from tracker.forecast.figures import Alert
from tracker.foundation.times import parse_instant

HOME = task("home", step("in", "EV1 EV2", 40), closeout=True)
TCSS = Path(__file__).parents[2] / "tracker" / "console" / "desk.tcss"


def scene_of(run: Run, now: float, *, made_at: float | None = None, **more: Any) -> Scene:
    made = estimate(run.now, now if made_at is None else made_at, scenarios=200, **more)
    return Scene(Snapshot(run.now, made), now, parse_instant(ZERO) + timedelta(seconds=now))


def with_alerts(scene: Scene, *alerts: Alert) -> Scene:
    assert scene.estimate is not None
    return replace(scene, snapshot=Snapshot(scene.progress, replace(scene.estimate, alerts=alerts)))


def rows(scene: Scene, width: int = 100, height: int = 6) -> list[str]:
    lines = text_of(alert_lines(scene, width, height)).splitlines()
    return [line.rstrip() for line in lines if line.strip()]


def plain_run() -> Run:
    return Run(task("a", step("1", "EV1", 60), step("2", "EV2", 60)), HOME)


ACT = Alert("confidence", "chance 69 %, need 90 %", False, "confidence", "act")
LOOK = Alert("silent:EV2", "EV2 silent 12 min", False, "silent", "look")


def test_severities_are_told_apart_by_glyph_and_word_and_ink() -> None:
    scene = with_alerts(scene_of(plain_run(), 600), ACT, LOOK)
    lines = alert_lines(scene, 100, 4)
    marks = [(line[0].text, line[0].ink) for line in lines[:2]]
    assert marks == [(" !! ACT ", "alarm"), (" !  LOOK ", "late")]
    said = [
        next(span for span in line if "chance" in span.text or "silent" in span.text) for line in lines[:2]
    ]
    assert {span.ink for span in said} <= {"late", ""}, "no alert is dimmer than text"
    assert "reverse" in next(row for row in TCSS.read_text().splitlines() if "ink--alarm" in row)


def test_calm_says_what_will_want_a_person_next() -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV1", 20, hold_point="ask")),
        HOME,
        windows=[{"id": "link", "open": [["0:00", "0:50"], ["1:30", "2:00"]]}],
        limits={"elapsed": "9:00"},
    )
    scene = scene_of(run, 600)
    assert rows(scene)[0].startswith(
        " calm     nothing wants you.  next g: go for Do 2 about 1:03; link ends at 0:50"
    )
    assert "starts the clock" not in " ".join(calm_words(scene))
    run("closed", 700)
    assert "tracker debrief" in " ".join(calm_words(scene_of(run, 700)))


def test_words_are_counted_down_between_two_estimates() -> None:
    run = Run(task("a", step("1", "EV1", 30), step("2", "EV1", 20, hold_point="ask")), HOME)
    run("retimed", 0, step="a.1", time="0:14")
    run("silent", 60, crew=["EV2"])
    for now, minutes in ((120, 1), (310, 4)):
        scene = scene_of(run, now, made_at=120)
        assert any(
            f"EV2 silent {minutes} min" in row and "y 2 heard" in row for row in rows(scene, height=12)
        )


def test_what_was_seen_leaves_a_row_only_where_it_is_to_be_acted_upon() -> None:
    run = plain_run()
    scene = with_alerts(scene_of(run, 600), ACT, LOOK)
    run("acknowledged", 620, alert="confidence")
    run("acknowledged", 630, alert="silent:EV2")
    after = replace(scene, snapshot=Snapshot(run.now, scene.estimate), now=640)
    assert [alert.id for alert in standing_alerts(after)] == ["confidence"]
    assert rows(after) == [" !! ACT   chance 69 %, need 90 % (seen 0:10)"]
    page = [line.split() for line in text_of(alerts_list(after, 80, 5)).splitlines() if line.strip()]
    assert page[0][:4] == ["alerts", "no", "alert", "waits"] and page[1][0] == page[2][0] == "seen"


def test_what_is_not_in_the_journal_is_an_alert_that_no_key_takes_away() -> None:
    scene = with_alerts(scene_of(plain_run(), 600))
    kept = replace(scene, disk=Disk(3, fault="no room on the disk", kept=3, kept_since=8040.0))
    words = "3 entries kept here since 2:14: no room on the disk. Keys go on"
    assert rows(kept) == [f" !  LOOK  {words}"]
    lost = replace(scene, disk=Disk(3, unsaved=1, fault="no room on the disk"))
    assert rows(lost) == [" !! ACT   1 entry not saved: no room on the disk. Keys go on"]
    assert "a seen" in rows(with_alerts(kept, LOOK))[0]
    away = Disk(3, fault="the server does not answer", fault_since=8040.0)
    assert rows(replace(scene, disk=away)) == [
        " !  LOOK  away since 2:14: the server does not answer. Keys go on"
    ]
    # A place that holds another history will never take what is kept; what has only to be known comes later.
    forked = replace(kept, disk=replace(kept.disk, forked=True))
    assert rows(forked) == [f" !! ACT   {words}"]
    assert [alert.severity for alert in standing_alerts(with_alerts(kept, ACT))] == ["act", "look"]


def test_last_calls_share_a_row() -> None:
    calls = [
        Alert(
            f"last-call:{name}:15",
            f"{name}: start by {at // 3600}:00",
            False,
            "last-call",
            "look",
            subject=name,
            by=at,
        )
        for name, at in (("photos", 3600), ("lamp", 7200))
    ]
    assert rows(with_alerts(scene_of(plain_run(), 600), *calls))[0].startswith(
        " !  LOOK  photos: start by 1:00; also lamp by 2:00"
    )


@pytest.mark.parametrize(
    ("line", "keys"),
    [
        ("call home", "c c"),
        ("call at once", "c n"),
        ("keep photos", "k b"),
        ("drop a", "d a"),
        ("drop latch", "d a"),
        ("later photos", "l b"),
        ("EV2", "2"),
        ("EV2 -5", "- 2 5"),
        ("silent EV1 EV2", "y 1 2"),
        ("heard EV2", "y 2"),
        ("resume EV1", "r 1"),
        ("enter EV2", "i 2"),
        ("go a.2", "g"),
        ("go later.2", "e go later.2"),
        ("put plate lock", "e put plate lock"),
        ("reading EV2 oxygen", "b 2 oxygen"),
        ("done a.1", "1"),
        ("done later.2", "e done later.2"),
        ("hand a.2 to", "o"),
        ("add", "A"),
        ("answer 7", "= 7"),
        ("settle 7", "= 7"),
        ("close", "X X"),
    ],
)
def test_keys_stand_for_what_can_be_typed(line: str, keys: str) -> None:
    run = Run(
        task("a", step("1", "EV1", 60), step("2", "EV2", 60, hold_point="ask")),
        task("later", step("1", "EV1", 60), step("2", "EV1", 60, hold_point="ask")),
        task("latch", step("1", "EV1", 10), priority="get-ahead"),
        task("photos", step("1", "EV1", 10), priority="get-ahead"),
        HOME,
    )
    assert keys_for(scene_of(run, 600), line) == (keys if line != "drop a" else "d a")


def test_every_alert_has_a_row_before_one_has_two_and_who_may_be_done_is_asked_at_every_size() -> None:
    run = Run(task("a", step("1", "EV1", 10), step("2", "EV2", 60)), HOME)
    scene, long = (
        scene_of(run, 3000),
        "a long story of what is short and of what might be done about it, or not",
    )
    told = [replace(ACT, id=f"c{n}", text=f"{n} {long}") for n in (1, 2)] + [replace(LOOK, text=f"3 {long}")]
    shown = rows(with_alerts(scene, *told), 60, 4)
    assert [row[10:12] for row in shown] == ["1 ", shown[1][10:12], "2 ", "3 "]
    assert [row.endswith("~") for row in shown] == [False, False, True, True]
    for width, height in ((80, 24), (100, 30), (120, 36), (200, 55)):
        assert "done? 50:00 of 10:00 min" in text_of(panes(scene, width, height)["crew"])


async def test_one_key_marks_what_shares_a_row(at_desk: Callable[..., Any]) -> None:
    calls = [
        Alert(
            f"last-call:{name}:15",
            f"{name}: start by 1:00",
            False,
            "last-call",
            "look",
            subject=name,
            by=3600,
        )
        for name in ("survey", "lamp")
    ]
    async with at_desk() as at:
        await at.press("z")
        at.estimate(alerts=(ACT, *calls))
        await at.press("a")
        assert [e.body["alert"] for e in at.events[1:]] == ["confidence"]
        assert "seen: chance 69 %" in at.said
        at.estimate(alerts=(ACT, *calls))
        await at.press("a")
        assert [e.body["alert"] for e in at.events[2:]] == [call.id for call in calls]
        await at.press("u")
        assert len(at.events) == 6, "one undo takes both back"


async def test_an_alert_that_came_first_in_the_meantime_is_marked_when_asked_twice(
    at_desk: Callable[..., Any],
) -> None:
    """The eye was on the one before; what nobody read is not marked as seen."""
    other = replace(ACT, id="EV2.oxygen", text="read EV2 oxygen")
    async with at_desk() as at:
        await at.press("z")
        at.estimate(alerts=(ACT,))
        at.hand.move(5)
        at.estimate(alerts=(other, ACT))
        await at.press("a")
        assert at.kinds == ["zero"] and at.said.strip() == "a again marks: read EV2 oxygen"
        at.estimate(alerts=(ACT, other))
        await at.press("a")
        assert at.kinds == ["zero"] and "a again marks: chance 69 %" in at.said, (
            "another one is first by then"
        )
        await at.press("a")
        assert at.events[-1].body["alert"] == "confidence"
        at.estimate(alerts=(replace(ACT, acknowledged=True), other))
        await at.press("a")
        assert at.events[-1].body["alert"] == "EV2.oxygen", "what follows the one just marked was in sight"


async def test_a_recall_that_lapsed_says_so(at_desk: Callable[..., Any]) -> None:
    """A recall is asked about for 15 s: its question is long, and the key for it is no second press later."""
    async with at_desk() as at:
        await at.press("z", "c")
        at.hand.move(13)
        at.desk.actions.expire()
        assert at.said.startswith(" c again calls EV1 EV2 home")
        at.hand.move(2.2)
        await at.press("c")
        assert at.kinds == ["zero"]
        assert at.said.startswith(" asked again: not called yet; c again calls EV1 EV2 home")
        at.hand.move(16)
        at.desk.actions.expire()
        await at.press("j", "c")
        assert at.said.startswith(" asked again: not called yet; c again")
        await at.press("c")
        assert at.kinds == ["zero", "called"]


def test_what_was_asked_goes_with_the_event_that_answers_it() -> None:
    run = Run(
        task("a", step("1", "EV1", 20, hold_point="ask")),
        task("b", step("2", "EV2", 20), priority="get-ahead"),
        HOME,
        windows=[],
    )
    made = replace(
        estimate(run.now, 60, scenarios=200),
        alerts=(
            Alert("go:a.1", "go for Do 1", False, "go", do=("go a.1",)),
            Alert("last-call:b:5", "b: start by 0:10", False, "last-call", do=("keep b", "drop b")),
            Alert("confidence", "10 min SHORT", False, "confidence", "act", do=("drop b", "call home")),
            LOOK,
        ),
    )
    known = run.now.number

    def asked() -> list[str]:
        at = parse_instant(ZERO) + timedelta(seconds=60)
        return [alert.kind for alert in standing_alerts(Scene(Snapshot(run.now, made, known), 60, at))]

    assert asked() == ["confidence", "go", "last-call", "silent"]
    run("silent", 60, crew=["EV2"])
    assert asked() == ["confidence", "go", "last-call", "silent"]
    run("went", 60, step="a.1")
    assert asked() == ["confidence", "last-call", "silent"]
    run("chose", 60, task="b", choice="drop")
    assert asked() == ["silent"]


def test_figures_of_before_a_decision_or_a_reading_say_so() -> None:
    run = Run(
        task("a", step("1", "EV1 EV2", 60)),
        task("b", step("2", "EV2", 20), priority="get-ahead"),
        HOME,
        consumables=[{"id": "oxygen", "unit": "kg", "start": 1, "reserve": 0.1, "per_hour": 0.1}],
    )
    made, at = estimate(run.now, 60, scenarios=200), parse_instant(ZERO) + timedelta(seconds=90)

    def told(known: int) -> str:
        return text_of(head(Scene(Snapshot(run.now, made, known), 90, at), 80, 3))

    first = run.now.number
    assert "turn by 5:2" in told(first) and "as of" not in told(first)
    run("reading", 90, crew="EV1", consumable="oxygen", value=0.6)
    assert "as of 0:01:00" in told(first) and "turn by -:--" in told(first)
    # Figures that know it, by an advice of before: only what the advice says is awaited.
    made = estimate(run.now, 90, scenarios=200, advice=made.advice)
    assert "as of" not in told(first + 1) and "turn by -:--" in told(first + 1)
    made = estimate(run.now, 90, scenarios=200)
    assert "turn by 3:1" in told(first + 1)


def test_a_question_about_a_step_is_gone_with_its_tick() -> None:
    run = Run(task("a", step("1", "EV1", 8), step("2", "EV1", 30)), HOME)
    scene = scene_of(run, 1500)
    assert "done?" in rows(scene)[0]
    run.done("a.1", at=1490)
    ticked = replace(scene, snapshot=Snapshot(run.now, scene.estimate))
    assert "done?" not in text_of(alert_lines(ticked, 100, 6)) + text_of(alerts_list(ticked, 100, 9))
