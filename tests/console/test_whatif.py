"""What if at the desk: supposed lines beside what stands, and the choice to record them."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tracker.console.view.scene import Orders, Scene, Suggestion, Weighed, WhatIfPage
from tracker.console.view.what_if_pages import what_if_page
from tracker.console.what_if import Asked, weigh
from tracker.forecast.figures import Range
from tracker.forecast.orders import better_orders
from tracker.journal.journal import Journal
from tracker.journal.progress import Progress
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

ZERO = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)
KEYS = ("e", "F")
UNEVEN = """
format: 1
excursion: One has all the work
zero: Go
limits: {elapsed: 4:00}
crew: [{id: EV1, name: Lead}, {id: EV2, name: Second}]
tasks:
  - {id: a, title: Long, steps: [{do: First, crew: [EV1], time: 1:00}, {do: Second, crew: [EV1], time: 0:40}]}
  - {id: b, title: Short, steps: [{do: Only, crew: [EV2], time: 0:30}]}
  - {id: home, title: Home, closeout: true, steps: [{do: In, crew: [EV1, EV2], time: 0:40}]}
"""


@pytest.fixture
def uneven() -> Plan:
    """Ingress is earlier once EV2 takes over a step of EV1's."""
    return parse_plan(UNEVEN, file="uneven.yaml", name="uneven")


def _opened(path: Path, plan: Plan) -> Journal:
    return Journal.open(path) if path.exists() else Journal.create(path, plan)


async def worked_out(at: Any) -> None:
    """Wait for both estimates and for the better orders."""

    def whole() -> bool:
        page = at.desk.what_if.page
        found = page.weighed
        return bool(found and page.orders is not None and (found.supposed or not page.lines))

    await at.until(whole)


async def supposing(at: Any, text: str) -> None:
    """Suppose a line at the what-if page."""
    await at.press("e")
    await at.type(text)
    await at.press("enter")


async def test_supposed_lines_stand_beside_now_and_are_written_only_when_chosen(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop grease")
        assert at.said.startswith("Enter supposes:") and "grease" in at.said.casefold()
        await at.press("enter")
        await supposing(at, "limit elapsed 3:30")
        await supposing(at, "retime pump.bolts 0:20")
        await worked_out(at)
        at.desk.repaint()
        assert at.desk.what_if.page.lines == ("drop grease", "limit elapsed 3:30", "retime pump.bolts 0:20")
        assert "as it stands" in at.screen and "supposed" in at.screen and "3:30" in at.screen
        found = at.desk.what_if.page.weighed
        assert found.stands.limit == 14400 and found.supposed.limit == 12600
        assert "grease" not in found.supposed.advice.kept
        assert at.kinds == ["zero"]
        await at.press("F")
        assert at.kinds == ["zero", "dropped", "limited", "retimed"]
        assert not any(event.stated for event in at.events[1:])
        assert at.desk.what_if.page.lines == ()
        await at.press("u")
        assert at.kinds[4:] == ["withdrawn"] * 3
        with Journal.open(at.path, read_only=True) as journal:
            progress = journal.progress()
        assert progress.tasks["grease"].status == "open" and progress.limits["elapsed"] == 14400


async def test_a_dropped_optional_task_goes_with_its_advice_in_the_same_sweep(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.estimate()
        await at.press("f")
        await at.type("drop grease; limit elapsed 3:30")
        await at.press("enter", "F")
        assert at.kinds == ["zero", "dropped", "chose", "limited"]
        await at.press("u")
        assert at.kinds[4:] == ["withdrawn"] * 3


async def test_what_cannot_be_is_said_and_stays_in_the_line(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop nothing")
        await at.press("enter")
        assert "nothing" in at.said and at.desk.entry.line.value == "drop nothing"
        assert at.desk.what_if.page.lines == ()
        await at.press("escape", "F")
        assert at.kinds == ["zero"] and "nothing is supposed" in at.said


async def test_a_line_on_top_of_another_is_read_with_it(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("done egress.open")
        await at.press("enter")
        await supposing(at, "done egress.open")
        assert at.desk.what_if.page.lines == ("done egress.open",) and "done" in at.said


async def test_a_deed_whose_key_is_pressed_beside_what_is_supposed_is_supposed(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop grease")
        await at.press("enter", "d")
        await at.type("lamp")
        assert at.said.startswith("Enter supposes")
        await at.press("enter")
        assert at.desk.what_if.page.lines == ("drop grease", "drop lamp") and at.kinds == ["zero"]


async def test_lines_are_chosen_and_taken_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop grease; drop lamp")
        await at.press("enter", "down", "backspace")
        assert at.desk.what_if.page.lines == ("drop lamp",)
        await at.press("backspace", "backspace")
        assert at.desk.what_if.page.lines == () and "nothing is supposed" in at.said
        assert at.kinds == ["zero"]


async def test_completion_is_of_what_stands_after_the_last_semicolon(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop lamp; drop gr")
        await at.press("tab")
        assert at.desk.entry.line.value.strip() == "drop lamp; drop grease"


async def test_a_tick_makes_both_estimates_anew(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "f")
        await at.type("drop grease")
        await at.press("enter")
        await worked_out(at)
        before = at.desk.what_if.page.weighed
        await at.press("1")
        await at.until(lambda: at.desk.what_if.page.weighed.progress.number > before.progress.number)
        assert at.desk.what_if.page.weighed.progress is at.desk.progress
        assert at.desk.what_if.page.lines == ("drop grease",)


async def test_what_was_begun_is_finished_though_ticks_come(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fast ticks would leave nothing finished: figures stand, with their instant, until newer ones do."""
    begun, go_on = queue.Queue[int](), queue.Queue[None]()

    def slowly(asked: Asked, known: Weighed | None) -> Weighed:
        begun.put(asked.progress.number)
        go_on.get(timeout=60)
        return weigh(asked, known)

    monkeypatch.setattr("tracker.console.what_if.weigh", slowly)
    async with at_desk() as at:

        def found(number: int) -> bool:
            weighed = at.desk.what_if.page.weighed
            return weighed is not None and weighed.supposed is not None and weighed.progress.number == number

        go_on.put(None)
        await at.press("z", "f")
        await at.type("c 1")
        await at.press("enter")
        assert [begun.get(timeout=60), begun.get(timeout=60)] == [1, 1]
        await at.press("1", 30, "3")
        go_on.put(None)
        await at.until(lambda: found(1))
        assert at.desk.what_if.page.weighed.supposed.called == "home"
        at.desk.repaint()
        assert "supposed" in at.screen and " at 0:00 " in at.screen, "and two ticks are not in it"
        go_on.put(None)
        await at.until(lambda: found(3))
        go_on.put(None)


def test_what_stands_is_worked_out_once_for_an_instant(uneven: Plan, tmp_path: Path) -> None:
    with _opened(tmp_path / "once.sqlite", uneven) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        progress = journal.progress()
        journal.record({"kind": "noted", "text": "glare", "at": 15})
        other = journal.progress()

    def asked(text: str, now: float, of: Progress = progress) -> Asked:
        return Asked(text, of, now, ZERO + timedelta(seconds=now))

    first = weigh(asked("", 20.0))
    line = weigh(asked("h 1 10", 40.0), first)
    assert line.stands is first.stands and line.now == 20 and line.supposed is not None
    whole = weigh(asked("h 1 10", 20.0)).supposed
    assert whole is not None and (whole.inside, whole.safe) == (line.supposed.inside, line.supposed.safe)
    assert weigh(asked("done b.1 0:00:30", 40.0), line).now == 40, "it cannot be as of an earlier instant"
    assert weigh(asked("", 80.0), line).now == 80, "a minute is old"
    assert weigh(asked("", 40.0, other), line).stands.at == 40, "something happened"


async def test_what_is_asked_is_supposed_by_the_keys_of_its_deed(at_desk: Callable[..., Any]) -> None:
    named = {"t 1 15": "t egress.open 15", "1": "tick egress.open"}
    async with at_desk(size=(80, 24)) as at:
        await at.press("z", "f")
        for line in ("c", "c n", "c 2", "k grease", "d grease", "h 1 15", "h *", "t 1 15", "1"):
            await at.type(line)
            assert at.said.startswith("Enter supposes: "), line
            await at.press("enter")
            # A step is meant as of when it was typed, whatever the crew goes on to.
            assert at.desk.what_if.page.lines == (named.get(line, line),)
            await at.press("backspace", "e")
        await at.type("x9")
        await at.press("enter")
        assert "begins no entry; as in k a keep" in at.said and "--help" not in at.said


async def test_a_better_order_is_recorded_with_one_key(
    at_desk: Callable[..., Any], uneven: Plan, tmp_path: Path
) -> None:
    async with at_desk(opener=lambda: _opened(tmp_path / "one.sqlite", uneven)) as at:
        await at.press("z", "f", "escape")
        await worked_out(at)
        await at.press("F")
        assert at.kinds == ["zero"], "nothing is recorded that nobody chose"
        await at.press("down")
        assert at.desk.chosen == "order 0"
        assert "earlier" in at.screen and "hand" in at.screen
        first = at.desk.what_if.page.suggestions[0]
        await at.press("F")
        assert at.kinds == ["zero", first.event["kind"]]
        await at.press("u")
        assert at.kinds[2:] == ["withdrawn"]


def test_gain_of_a_better_order_is_what_the_estimates_say(uneven: Plan, tmp_path: Path) -> None:
    with _opened(tmp_path / "gain.sqlite", uneven) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        progress = journal.progress()
        found = weigh(Asked("", progress, 0.0, ZERO))
        best = better_orders(progress, now=0.0, kept=found.stands.advice.kept)[0]
        text = f"hand {best.event['step']} {' '.join(best.event['crew'])}"
        supposed = weigh(Asked(text, progress, 0.0, ZERO)).supposed
    assert supposed is not None and found.stands.inside.p90 and supposed.inside.p90
    assert found.stands.inside.p90 - supposed.inside.p90 == pytest.approx(best.gain_s, abs=1.0)
    assert supposed.safe == pytest.approx(best.safe)


@pytest.mark.parametrize(("width", "height"), [(80, 18), (100, 24), (200, 40)])
def test_the_page_at_every_size(under_way: Scene, exact: Any, on_file: Any, width: int, height: int) -> None:
    on_file(
        f"view-what-if-{width}",
        exact(what_if_page(under_way, _full(under_way), KEYS, width, height), width, height),
    )


@pytest.mark.parametrize("height", [1, 3, 6])
def test_the_page_with_hardly_any_rows(under_way: Scene, exact: Any, height: int) -> None:
    exact(what_if_page(under_way, _full(under_way), KEYS, 80, height), 80, height)


def test_the_empty_page_says_what_to_do(under_way: Scene, exact: Any) -> None:
    text = exact(what_if_page(under_way, WhatIfPage(), KEYS, 100, 12), 100, 12)
    assert "e supposes" in text and "being looked for" in text


def test_how_far_the_search_for_better_orders_is_stands_on_the_page(under_way: Scene, exact: Any) -> None:
    page = WhatIfPage(seeking=0.42)
    assert "being looked for: 42 %" in exact(what_if_page(under_way, page, KEYS, 100, 12), 100, 12)


async def test_a_page_that_is_left_ends_the_search_and_asks_anew(
    at_desk: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, ended = threading.Event(), threading.Event()

    def long(*args: Any, heed: Callable[[float], bool], **more: Any) -> tuple[()]:
        begun.set()
        while heed(0.42):
            time.sleep(0.005)
        ended.set()
        return ()

    monkeypatch.setattr("tracker.forecast.orders.better_orders", long)
    async with at_desk() as at:
        await at.press("z", "f", "escape")
        for _ in range(2):
            await _until(at, begun)
            assert not ended.is_set()
            await at.press("escape")
            await _until(at, ended)
            assert at.desk.what_if.page.suggestions == ()
            begun.clear()
            ended.clear()
            await at.press("f", "escape")
        await _until(at, begun)


async def _until(at: Any, event: threading.Event) -> None:
    def set_meanwhile() -> bool:
        at.desk.what_if.weigh()
        return event.is_set()

    await at.until(set_meanwhile)


def _full(scene: Scene) -> WhatIfPage:
    stands = scene.estimate
    assert stands is not None
    other = replace(stands, inside=Range(10300.0, 10900.0, 11800.0, 10950.0), safe=0.97)
    found = (
        Suggestion({"kind": "moved"}, "do lamp before pump: nine of ten inside 12 min earlier", 720.0, 0.955),
        Suggestion({"kind": "handed"}, "hand pump.lines over from EV2 to EV1: ...", 180.0, 0.95),
    )
    weighed = Weighed(scene.progress, scene.now, stands, other)
    return WhatIfPage(("drop grease", "limit elapsed 3:30"), weighed, Orders(scene.now, found))
