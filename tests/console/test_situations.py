"""Whole desks in the situations that count: calm, in trouble, on the way home, six people outside."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from tests.console.conftest import HERE, ZERO, estimate_by_hand
from tests.runs import Run
from tests.screens import panes, screen
from tracker.console.layout import MIDDLE
from tracker.console.view.alerts import said_of
from tracker.console.view.scene import Disk, Scene, Snapshot
from tracker.console.view.styled_text import large, text_of
from tracker.forecast.figures import (
    Alert,
    Before,
    Changed,
    Choice,
    Estimate,
    LimitFigure,
    OptionalFigure,
    Range,
    TurnBack,
)
from tracker.forecast.wording import chance_words, first_limit, limit_at, limit_words
from tracker.foundation.shown import pet_up, spare_words
from tracker.foundation.text import percent
from tracker.journal.progress import Progress
from tracker.plan.read import read_plan

SIZES = [(80, 24), (100, 30), (120, 36), (200, 55)]
OnFile = Callable[[str, str], None]


def range_of(middle: float, spread: float = 900.0) -> Range:
    return Range(middle - spread, middle, middle + spread)


def choice(id: str, inside: float, safe: float, spare: int, **more: Any) -> Choice:
    shift = round((inside - 11600.0) / 60) * 60
    fields: dict[str, Any] = {
        "tasks": (), "given_up": (), "binding": "EV2.oxygen", "reached": None, "shift": shift,
        "value": None, "meets": safe >= 0.9, "at": 2460,
    }  # fmt: skip
    reached = range_of(inside + spare)
    first = LimitFigure("EV2.oxygen", None, 1 - safe, Range(spare, spare, spare), reached, spare)
    return Choice(
        id=id, inside=range_of(inside), safe=safe, to_spare=spare, first=first, **{**fields, **more}
    )


def seen(progress: Progress, now: float, **changes: Any) -> Scene:
    """Return the scene of figures made by hand."""
    made = estimate_by_hand(progress, now, **changes)
    return Scene(Snapshot(progress, made), now, ZERO + timedelta(seconds=now), disk=Disk(progress.number))


@pytest.fixture
def calm(under_way: Scene) -> Scene:
    """Nothing wants anybody; something was said to have changed."""
    estimate = under_way.estimate
    assert estimate is not None
    said = Changed(
        1200, 2400, Before(11290.0, 11580.0), Before(0.96, 0.94),
        (("pace of handle", 290.0),), (),
    )  # fmt: skip
    told = (
        choice("must-only", 9700.0, 0.99, 4020),
        choice("as-advised", 11600.0, 0.94, 1860, tasks=("survey", "lamp")),
        choice("everything", 12600.0, 0.71, 300, tasks=("survey", "lamp", "grease")),
        choice("drop:lamp", 10800.0, 0.97, 2700, tasks=("survey",)),
        choice("call-home", 4300.0, 1.0, 9060, given_up=("pump",)),
    )
    return shown(under_way, replace(estimate, alerts=(), changed=said, choices=told))


def shown(scene: Scene, estimate: Estimate) -> Scene:
    number = scene.progress.number
    return replace(scene, snapshot=Snapshot(scene.progress, estimate), disk=Disk(number))


@pytest.fixture
def in_trouble(under_way: Scene) -> Scene:
    """A store falls too fast: its reserve is reached before everybody is inside, whatever is left out."""
    estimate = under_way.estimate
    assert estimate is not None
    low = LimitFigure(
        "EV2.oxygen", None, 0.994, range_of(-2280.0), Range(8400.0, 9300.0, 10200.0), -2340
    )  # fmt: skip
    told = (
        choice("as-advised", 11600.0, 0.006, -2340),
        choice("call-home", 8700.0, 0.88, 600),
        choice("give-up:pump", 8700.0, 0.88, 600, given_up=("pump",)),
    )
    short = replace(
        estimate,
        safe=0.006,
        binding=low,
        limits=(estimate.limits[0], low),
        counted=frozenset(),
        advice=replace(estimate.advice, kept=frozenset()),
        turn_back=TurnBack(None, range_of(8700.0), was_due=2220.0, missed=2220.0, safe_if_now=0.88),
        alerts=(
            Alert(
                "turn-back",
                "TURN HOME NOW: EV2 oxygen reaches its reserve at 2:35",
                False,
                "turn-back",
                "act",
            ),
            Alert("confidence", "chance <1 %, need 90 %", False, "confidence", "act"),
        ),
        choices=told,
        changed=Changed(0, 0, Before(11600.0, 11600.0), Before(0.006, 0.006), (), ()),
    )
    return shown(under_way, short)


def homeward() -> Run:
    """Return heron with everybody called home, and what was open closed."""
    run = Run(plan=read_plan(HERE / "heron.yaml"))
    run("done", 400, step="egress.check")
    run("done", 700, step="egress.open")
    run("done", 1090, step="egress.tools")
    run("called", 2400, call="home")
    return run


@pytest.fixture
def way_home() -> Scene:
    """Everybody was called home."""
    progress = homeward().now
    at_four = LimitFigure("elapsed", 14400.0, 0.0, range_of(10200.0), range_of(14400.0, 0.0), 10080)
    battery = LimitFigure("EV2.battery", None, 0.12, range_of(640.0), range_of(4980.0), 600)
    return seen(
        progress, 2460.0, called="home", safe=0.88, inside=range_of(4330.0, 500.0), limits=(at_four, battery),
        binding=battery, ingress={"EV1": range_of(4330.0), "EV2": range_of(4330.0)},
        optional=(), turn_back=TurnBack(None, range_of(4330.0), homebound=True), alerts=(),
    )  # fmt: skip


@pytest.fixture
def six() -> Scene:
    """Six people outside: two wait, one counts, two drill, one waits for them."""
    run = Run(plan=read_plan(HERE / "sextet.yaml"))
    run("done", 840, step="line.out")
    run("done", 1980, step="line.pull")
    run("counted", 2100, step="sensors.fix", count=2)
    progress = run.now
    elapsed = LimitFigure("elapsed", 10800.0, 0.0, range_of(4700.0), range_of(10800.0, 0.0), 4680)
    core = OptionalFigure("core", "keep", None, 1.0, 420.0, True, "it is under way")
    return seen(
        progress, 2340.0, inside=range_of(6080.0, 600.0), limits=(elapsed,), binding=elapsed, safe=0.998,
        optional=(core,), counted=frozenset({"core"}), alerts=(), clocks=(), consumables=(),
        ingress={f"EV{n}": range_of(6080.0) for n in range(1, 7)},
        turn_back=TurnBack(8010.0, range_of(4440.0)),
    )  # fmt: skip


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("situation", ["calm", "in_trouble", "way_home", "six"])
def test_the_desk_in_a_situation(
    request: pytest.FixtureRequest, on_file: OnFile, situation: str, width: int, height: int
) -> None:
    scene = request.getfixturevalue(situation)
    text = screen(scene, width, height, "home" if situation == "way_home" else "steps")
    assert text.count("\n") == height - 2, "the keys have the last row"
    on_file(f"situation-{situation}-{width}", text)


def test_what_is_short_acts_and_says_so(in_trouble: Scene) -> None:
    for width, height in SIZES:
        text = screen(in_trouble, width, height)
        assert "39 min SHORT: EV2 oxygen" in text and "TURN HOME NOW" in text
        counted = "without optional" if width < 100 else "with nothing optional"
        assert "<1 %, need 90 %" in text and f"INSIDE {counted}" in text


def test_the_way_home_lists_who_is_on_it_and_its_large_figure_is_what_is_to_spare(way_home: Scene) -> None:
    for width, height in SIZES:
        text = screen(way_home, width, height, "home")
        assert "INSIDE called home at 0:40" in text
        assert "min to spare until EV2 battery reaches its reserve at 1:23" in text
        assert " IV  " not in text.split("way home")[1]


def test_before_a_recall_the_way_home_says_that_nobody_is_called(calm: Scene) -> None:
    for width, height in SIZES:
        text = screen(calm, width, height, "home")
        assert "nobody is called" in text and "nobody outside has other work" not in text


def test_people_who_are_inside_are_not_on_the_way(way_home: Scene) -> None:
    run = homeward()
    run("entered", 2440, crew=["EV2"])
    scene = replace(way_home, snapshot=Snapshot(run.now, way_home.estimate))
    rows = screen(scene, 80, 24, "home").split("way home")[1]
    assert "EV1" in rows and not any(row.split()[1:2] == ["EV2"] for row in rows.splitlines())


def test_what_is_done_after_a_recall_is_late_against_no_plan(way_home: Scene) -> None:
    run = homeward()
    run("done", 3000, step="home.stow")
    scene = replace(way_home, snapshot=Snapshot(run.now, way_home.estimate), now=3060.0)
    rows = screen(scene, 80, 24, "steps").splitlines()
    [stow] = [row for row in rows if "Count and stow" in row and " done " in row]
    assert stow.split()[-2:] == ["ended", "0:50"]


@pytest.mark.parametrize("width", [44, 60, 72, 80])
def test_of_six_people_words_give_way_before_the_instant_they_wait_for(six: Scene, width: int) -> None:
    rows = text_of(panes(six, width, 24)["crew"]).splitlines()
    waiting = [row for row in rows if " wait " in row]
    assert len(rows) == 6 and len(waiting) == 3
    assert all(re.search(r"about \d:\d\d\b.* since \d:\d\d", row) for row in waiting[:2])
    assert six.estimate is not None
    assert chance_words(six.estimate).removeprefix("chance ").split(",")[0] in text_of(
        panes(six, width, 24)["head"]
    )


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("situation", ["calm", "in_trouble", "way_home", "six"])
def test_orange_means_that_somebody_has_to_act(
    request: pytest.FixtureRequest, situation: str, width: int, height: int
) -> None:
    scene = request.getfixturevalue(situation)
    views = ("home",) if situation == "way_home" else ("steps", "runway", "optional", "consumables")
    regions = [lines for view in views for lines in panes(scene, width, height, view).values()]
    orange = {
        span.text.strip() for lines in regions for line in lines for span in line if span.ink == "alarm"
    }
    if situation != "in_trouble":
        assert not orange
    else:
        assert {"39 min SHORT", "TURN HOME NOW"} <= orange


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_alerts_take_the_rows_they_need_while_the_list_keeps_five(
    calm: Scene, width: int, height: int
) -> None:
    estimate = calm.estimate
    assert estimate is not None
    usual = panes(calm, width, height)
    for number in range(12):
        alerts = tuple(Alert(f"a:{n}", f"alert {n}", False) for n in range(number))
        rows = panes(shown(calm, replace(estimate, alerts=alerts)), width, height)
        assert sum(map(len, rows.values())) == height - 1
        assert len(rows["middle"]) >= 5 and len(rows["head"]) == 3
        assert len(rows["crew"]) in (len(usual["crew"]), len(calm.progress.plan.crew))
        if len(rows["alerts"]) < number:
            assert len(rows["middle"]) == 5 and "runway" not in rows, "what gives way gives way first"


LONG = " ".join(f"entry {n} saved: EV1 done a step of many words" for n in range(9))
DEED = " ".join(["chance 69 %, need 90 %: EV2 battery at 6:22, 7 min to spare;"] * 3 + ["d c drops photos"])


@pytest.mark.parametrize("situation", ["calm", "in_trouble", "way_home", "six"])
def test_at_80_by_24_nothing_that_decides_is_cut_or_gives_way(
    request: pytest.FixtureRequest, situation: str
) -> None:
    scene = request.getfixturevalue(situation)
    made = scene.estimate
    if situation != "in_trouble":
        made = replace(made, alerts=(Alert("confidence", DEED, False, "confidence", "act"),))
    first, binding, need = first_limit(made.limits), made.binding, made.confidence
    assert first is not None and binding is not None
    told = [chance_words(made).removeprefix("chance "), spare_words(first.to_spare), "8 in 10"]
    told.append(limit_at(first) if situation == "way_home" else limit_words(first.id).removesuffix(" limit"))
    for said, view in (("", "steps"), *((LONG, view) for view in MIDDLE)):
        lines = panes(replace(shown(scene, made), said=said), 80, 24, view)
        head = text_of(lines["head"]).splitlines()
        assert all(row in line for row, line in zip(large_rows(made), head, strict=True))
        assert "~" not in "".join(head) and not [words for words in told if words not in "\n".join(head)]
        chance = percent(1 - binding.chance, need)
        named = f"least sure to hold: {limit_words(binding.id)}, {chance}"
        rules = [text_of(lines[name]) for name in ("rule-1", "rule-2")]
        assert sum(named in row for row in rules) == (chance != ">99 %" and binding.id != first.id)
        # Where every alert has a page, the first is told there and not twice.
        rows = " ".join(text_of(lines["middle" if view == "alerts" else "alerts"]).split())
        said_first = said_of(shown(scene, made), made.alerts[0]).split()
        assert not [words for words in said_first if words not in rows], (view, rows)
        assert sum(map(len, lines.values())) == 23


def large_rows(made: Estimate) -> list[str]:
    """Return the rows of the large figure of an estimate."""
    return ["".join(span.text for span in row).rstrip() for row in large(pet_up(made.inside.p50), "")]


@pytest.mark.parametrize("situation", ["calm", "in_trouble", "way_home", "six"])
def test_what_stands_at_the_right_touches_nothing(request: pytest.FixtureRequest, situation: str) -> None:
    scene = request.getfixturevalue(situation)
    steps = {id: replace(s, step=replace(s.step, do="do " * 60)) for id, s in scene.progress.steps.items()}
    long = replace(scene, snapshot=Snapshot(replace(scene.progress, steps=steps), scene.estimate))
    touching = re.compile(r"\S (since \d|begins \d|ended \d|\d+:\d\d of \d|\d+ of \d+  |not yet \d|-\d h \d)")
    for width, height in SIZES:
        shown = panes(long, width, height)
        for name in ("crew", "middle"):
            rows = text_of(shown[name]).splitlines()
            assert not [row for row in rows if touching.search(row)], (name, width)


def test_where_nothing_wants_anybody_the_next_deed_is_named_with_its_key(calm: Scene) -> None:
    steps = {id: replace(s, step=replace(s.step, do="do " * 60)) for id, s in calm.progress.steps.items()}
    long = replace(calm, snapshot=Snapshot(replace(calm.progress, steps=steps, readings=()), calm.estimate))
    for scene in (calm, long):
        for width, height in SIZES:
            told = text_of(panes(scene, width, height)["alerts"])
            assert re.search(r"^ calm .*next \S+", told) and "next: " not in told, (width, told)


def test_what_the_crew_read_aloud_is_told_to_its_last_figure(
    in_trouble: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = "1:00 EV1: I read oxygen 0.4571 kg, co2 0.5012 kg, battery 583.2 Wh, water 3.221 kg."
    monkeypatch.setattr("tracker.console.view.alerts.last_heard", lambda progress, most: [words] * most)
    for width, height in SIZES:
        told = panes(replace(in_trouble, said=LONG), width, height)["message"]
        assert words in " ".join(text_of(told).split()), width
