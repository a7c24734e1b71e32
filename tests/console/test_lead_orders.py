"""Better orders on the lead's view, figures that wait behind nothing, and instants that come back at once."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.leads import EVENTS, NOW_S, Hand, Still, by_hand, excursion
from tracker.console.lead_analysis import MOST, Instant, Instants, Learned, Wish
from tracker.console.order_search import AGAIN, LEAST_S, Bettered, OrderSearch, Sought, order_search
from tracker.console.view.scene import LeadScene, Moved, Orders, Snapshot, Suggestion
from tracker.console.view.styled_text import text_of
from tracker.console.view.what_if_pages import orders
from tracker.console.workers import (
    Estimated,
    EstimateScheduler,
    NotEstimated,
    Wanted,
)
from tracker.forecast.estimate import estimate
from tracker.forecast.orders import better_orders
from tracker.journal.progress import Progress
from tracker.plan.model import Plan

ROWS = (
    Suggestion(
        {}, "hand Join the coolant lines over from EV2 to EV1: nine of ten inside 12 min earlier", 720.0, 0.95
    ),
    Suggestion({}, "do lamp before survey: nine of ten inside 3 min earlier", 180.0, 0.94),
)
FOUND = Orders(NOW_S, ROWS)


@pytest.fixture
def progress(plan: Plan) -> Progress:
    return excursion(plan)


@pytest.fixture
def scene(progress: Progress) -> LeadScene:
    hand = Hand()
    return Still(progress, hand).session.scene(hand.utc())


def test_orders_are_listed_with_what_they_gain(scene: LeadScene) -> None:
    text = text_of(orders(replace(scene, orders=FOUND), 100, 6))
    rows = text.splitlines()
    assert "as of 0:41; a person at the desk accepts one" in rows[0]
    assert rows[2].split() == [
        "12",
        "min",
        "earlier",
        "95",
        "%",
        "hand",
        "Join",
        "the",
        "coolant",
        "lines",
        "over",
        "from",
        "EV2",
        "to",
        "EV1",
    ]
    assert "being looked for: 42 %" in text_of(orders(replace(scene, seeking=0.42), 100, 6))
    assert "two minutes earlier" in text_of(orders(replace(scene, orders=Orders(NOW_S)), 100, 6))


def test_a_search_can_be_followed_and_ended(progress: Progress) -> None:
    told: list[float] = []

    def heed(share: float) -> bool:
        told.append(share)
        return len(told) < 4

    assert better_orders(progress, now=NOW_S, kept=(), scenarios=20, heed=heed) == ()
    assert len(told) == 4 and told[0] == 0.0 and told == sorted(told) and told[-1] < 1.0


def test_the_thread_reports_how_far_it_is_and_what_it_found(progress: Progress) -> None:
    heard: queue.Queue[Bettered] = queue.Queue()
    thread = order_search(heard.put)
    thread.start()
    sought = Sought(progress, NOW_S, frozenset())
    thread.ask(sought)
    reports = [heard.get(timeout=60)]
    while reports[-1].orders is None:
        assert not reports[-1].trouble
        reports.append(heard.get(timeout=60))
    shares = [report.share for report in reports]
    assert shares == sorted(shares) and shares[0] == 0.0 and shares[-1] == 1.0
    wanted = better_orders(progress, now=NOW_S, kept=())
    found = reports[-1].orders
    assert found is not None and [row.gain_s for row in found.found] == [order.gain_s for order in wanted]
    assert all(": " not in row.deed for row in found.found)
    thread.stop()
    thread.join(timeout=60)
    assert not thread.is_alive()


def test_a_search_that_nobody_wants_any_more_is_left(
    progress: Progress, monkeypatch: pytest.MonkeyPatch
) -> None:
    began, heard = threading.Event(), queue.Queue[Bettered]()

    def long(*args: Any, heed: Callable[[float], bool], **more: Any) -> tuple[()]:
        began.set()
        while heed(0.5):
            pass
        return ()

    monkeypatch.setattr("tracker.forecast.orders.better_orders", long)
    thread = order_search(heard.put)
    thread.start()
    thread.ask(Sought(progress, NOW_S, frozenset()))
    assert began.wait(10)
    thread.ask(None)
    thread.stop()
    thread.join(timeout=60)
    assert not thread.is_alive()
    assert all(report.orders is None for report in heard.queue)


def test_a_search_is_begun_once_and_rests_after_it(progress: Progress) -> None:
    asked: list[Sought | None] = []
    search = OrderSearch(asked.append)
    snapshot = Snapshot(progress, by_hand(progress, NOW_S))
    search.want(Snapshot(progress, None), NOW_S, 0.0)
    assert asked == []
    search.want(snapshot, NOW_S, 0.0)
    search.want(snapshot, NOW_S, 1.0)
    assert len(asked) == 1 and search.share == 0.0
    sought = asked[0]
    assert sought is not None
    assert search.heard(Bettered(replace(sought, now=1.0), 1.0, FOUND), 2.0) == "" and search.orders is None
    search.heard(Bettered(sought, 0.5), 5.0)
    assert search.share == 0.5
    search.heard(Bettered(sought, 1.0, FOUND), 10.0)
    assert search.orders == FOUND and search.share is None
    search.want(snapshot, NOW_S, 999.0)
    assert len(asked) == 1, "nothing has changed"
    later = Snapshot(replace(progress, at=progress.at + 1), snapshot.estimate)
    search.want(later, NOW_S, 10.0 + max(LEAST_S, AGAIN * 10.0) - 0.1)
    assert len(asked) == 1, "it took ten seconds, so it rests four times as long"
    search.want(later, NOW_S, 10.0 + AGAIN * 10.0)
    assert len(asked) == 2 and search.orders == FOUND, "the old ones stand meanwhile"
    search.forget()
    assert asked[-1] is None and search.orders is None


async def test_orders_are_looked_for_while_they_are_in_sight(at_lead: Callable[..., Any]) -> None:
    async with at_lead((80, 24)) as at:
        asked: list[Sought | None] = []
        at.session.search.ask = asked.append
        at.lead.repaint()
        assert asked == []
        await at.press("v", "v", "v", "v")
        assert len(asked) == 1 and "being looked for: 0 %" in at.screen
        sought = asked[0]
        assert sought is not None
        at.lead.runtime.take(Bettered(sought, 1.0, FOUND))
        at.lead.repaint()
        await at.painted()
        assert "12 min earlier" in at.screen
        await at.press("left")
        assert asked[1] is None and "12 min earlier" not in at.screen
        at.lead.runtime.take(Bettered(sought, 1.0, trouble="KeyError: 'x'"))
        assert at.session.said == "", "that was for another instant"


def test_quick_figures_do_not_wait_behind_advice(progress: Progress, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: queue.Queue[Estimated | NotEstimated] = queue.Queue()
    go_on, at_work, slow = threading.Event(), threading.Event(), threading.Event()

    def made(shown: Progress, now: float, advice: Any = None, **more: Any) -> Any:
        if advice is None and slow.is_set():
            at_work.set()
            assert go_on.wait(20)
        return by_hand(shown, now, **({"advice": advice} if advice is not None else {}))

    monkeypatch.setattr("tracker.forecast.estimate.estimate", made)
    scheduler = EstimateScheduler(heard.put)
    scheduler.start()
    scheduler.ask(Wanted(progress, NOW_S, True))
    first = heard.get(timeout=60)
    assert isinstance(first, Estimated) and first.full
    slow.set()
    scheduler.ask(Wanted(progress, NOW_S + 1, True))
    quick = heard.get(timeout=60)
    assert isinstance(quick, Estimated) and not quick.full and quick.wanted.now == NOW_S + 1
    assert at_work.wait(10), "the advice is at work"
    scheduler.ask(Wanted(progress, NOW_S + 2, True))
    sooner = heard.get(timeout=60)
    assert isinstance(sooner, Estimated) and not sooner.full and sooner.wanted.now == NOW_S + 2
    go_on.set()
    slow.clear()
    last = heard.get(timeout=60)
    assert isinstance(last, Estimated) and last.full
    scheduler.stop()


def test_figures_by_old_advice_never_take_the_place_of_newer(progress: Progress) -> None:
    heard: list[Estimated | NotEstimated] = []
    scheduler = EstimateScheduler(heard.append)
    old, new = by_hand(progress, NOW_S), by_hand(progress, NOW_S)
    wanted = Wanted(progress, NOW_S, True)
    scheduler._take_advice(Estimated(old, wanted, full=True))
    scheduler._take_figures(Estimated(replace(new, advice=old.advice), wanted, full=False))
    scheduler._take_advice(Estimated(new, wanted, full=True))
    scheduler._take_figures(Estimated(replace(new, advice=old.advice), wanted, full=False))
    assert [getattr(report, "full", None) for report in heard] == [True, False, True]


def test_the_figures_are_those_of_one_estimate(progress: Progress) -> None:
    heard: queue.Queue[Estimated | NotEstimated] = queue.Queue()
    scheduler = EstimateScheduler(heard.put)
    scheduler.start()
    scheduler.ask(Wanted(progress, NOW_S, True))
    scheduler.ask(Wanted(progress, NOW_S, True))
    full = heard.get(timeout=60)
    scheduler.ask(Wanted(progress, NOW_S, False))
    quick = heard.get(timeout=60)
    scheduler.stop()
    assert isinstance(full, Estimated) and isinstance(quick, Estimated)
    wanted = estimate(progress, NOW_S)
    assert full.estimate.inside == quick.estimate.inside == wanted.inside


async def test_going_back_and_forth_shows_what_is_known_at_once(at_lead: Callable[..., Any]) -> None:
    async with at_lead() as at:
        wanted: list[Wanted] = []
        at.session.ask = wanted.append
        await at.press("pageup")
        asked = wanted[-1]
        at.lead.runtime.take(Estimated(by_hand(asked.progress, asked.now, safe=0.77), asked, full=True))
        await at.press("left", "right")
        assert "chance 77 %" in at.screen and "not estimated" not in at.screen
        assert len(wanted) == 2, "one for each instant"
        await at.press("end")
        assert at.session.chosen is None


async def test_a_late_tick_changes_what_is_shown_of_the_past(at_lead: Callable[..., Any], plan: Plan) -> None:
    from tracker.console.lead_analysis import Grown

    async with at_lead() as at:
        wanted: list[Wanted] = []
        at.session.ask = wanted.append
        await at.press("pageup")
        asked = wanted[-1]
        at.lead.runtime.take(Estimated(by_hand(asked.progress, asked.now), asked, full=True))
        later = {"kind": "noted", "text": "of now", "at": 2400}
        at.lead.runtime.take(Grown(excursion(plan, (*EVENTS, later)), ()))
        assert at.session.snapshot.estimate is not None, "that does not touch what is shown"
        late = {"kind": "noted", "text": "of then", "at": 1200}
        at.lead.runtime.take(Grown(excursion(plan, (*EVENTS, later, late)), ()))
        at.session.want(at.lead.utc(), 0.0)
        assert at.session.snapshot.estimate is None and wanted[-1].progress is at.session.snapshot.progress
        assert any(event.body.get("text") == "of then" for event in wanted[-1].progress.events)


def test_only_so_many_instants_are_kept(progress: Progress) -> None:
    known = Instants()
    found = by_hand(progress, NOW_S)
    for k in range(MOST + 5):
        known.keep(8, float(k), Instant(progress, found, 0.0))
    assert known.find(8, 4.0) is None and known.find(8, 5.0) is not None and known.find(9, 5.0) is None
    known.learned(
        Learned(Wish(progress, 0.0, progress, found, 0.0), moved=Moved(0.0, 1.0, ()), chances={"pump": 0.5}),
        None,
    )
    kept = known.find(8, 5.0)
    assert kept is not None and kept.moved is not None and kept.chances == {"pump": 0.5}


def test_looking_for_orders_writes_nothing(plan: Plan, tmp_path: Path) -> None:
    import hashlib

    from tests.leads import on_record
    from tracker.journal.journal import Journal

    path = tmp_path / "one.sqlite"
    with Journal.create(path, plan) as journal:
        on_record(journal)
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    with Journal.open(path, read_only=True) as journal:
        better_orders(journal.progress(), now=NOW_S, kept=(), scenarios=20)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before


def test_advice_is_worked_out_once_for_each_wish_and_quick_figures_beside_it(
    progress: Progress, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[bool] = []

    def by_advice(shown: Progress, now: float, advice: Any = None, **more: Any) -> Any:
        made.append(advice is not None)
        return by_hand(shown, now, **({"advice": advice} if advice is not None else {}))

    monkeypatch.setattr("tracker.forecast.estimate.estimate", by_advice)
    heard: queue.Queue[Estimated | NotEstimated] = queue.Queue()
    scheduler = EstimateScheduler(heard.put)
    scheduler.start()
    scheduler.ask(Wanted(progress, NOW_S, True))
    heard.get(timeout=60)
    scheduler.ask(Wanted(progress, NOW_S, True))
    assert [heard.get(timeout=60).full for _ in range(2)] == [False, True]  # type: ignore[union-attr]
    scheduler.stop()
    assert made.count(True) == 1 and made.count(False) == 2


def test_what_goes_wrong_is_told_and_the_thread_goes_on(
    progress: Progress, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(shown: Progress, now: float, **more: Any) -> Any:
        raise KeyError(now)

    monkeypatch.setattr("tracker.forecast.estimate.estimate", broken)
    heard: queue.Queue[Estimated | NotEstimated] = queue.Queue()
    scheduler = EstimateScheduler(heard.put)
    scheduler.start()
    for now in (1.0, 2.0):
        scheduler.ask(Wanted(progress, now, True))
        report = heard.get(timeout=60)
        assert isinstance(report, NotEstimated) and report.words == f"KeyError: {now}"
    scheduler.stop()
