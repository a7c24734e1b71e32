"""The lead's view under its key at the desk: the desk goes on beneath, and ticks nothing meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from tests.keyboard import painted, strike
from tests.leads import NOW_S, ZERO, by_hand, excursion
from tracker.console.lead import Lead
from tracker.console.lead_analysis import Grown, Wish
from tracker.console.lead_session import LeadRuntime, LeadSession
from tracker.console.view.head import lead_head
from tracker.console.view.lead_3_work import word
from tracker.console.view.scene import Snapshot
from tracker.console.view.styled_text import text_of
from tracker.console.workers import Wanted
from tracker.plan.model import Plan


def test_the_figures_of_the_desk_are_those_of_the_view_over_it(plan: Plan) -> None:
    progress, utc = excursion(plan), ZERO + timedelta(seconds=NOW_S)
    asked: list[Wanted] = []
    studied: list[Wish] = []
    desk = [Snapshot(progress, by_hand(progress, NOW_S))]
    session = LeadSession(ask=asked.append, study=studied.append)
    session.beneath = lambda: desk[-1]
    assert session.carry()
    scene = session.scene(utc)
    assert scene.estimate is desk[-1].estimate, "before the journal is opened, and before any estimate"
    assert "not estimated" not in text_of(lead_head(scene, 120, 3))
    session.grown(Grown(progress, ()))
    session.want(utc, 0.0)
    assert not asked, "what the desk estimates is not estimated twice"
    assert [wish.choices for wish in studied] == [False], "nor what each choice comes to"
    desk.append(Snapshot(progress, by_hand(progress, NOW_S + 1), 8))
    session.want(utc, 1.0)
    assert session.scene(utc).estimate is desk[-1].estimate and not asked
    session.go_to(600.0, utc)
    earlier = session.scene(utc)
    assert earlier.estimate is None, "they are not those of an earlier instant"
    assert "no consumables" not in text_of(word(earlier, 120, 8))
    session.want(utc, 2.0)
    assert [wanted.now for wanted in asked] == [600.0]
    session.go_to(None, utc)
    assert session.scene(utc).estimate is desk[-1].estimate


async def test_the_view_over_a_desk_is_painted_before_its_journal_is_read(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(LeadRuntime, "start", lambda self, hear: None)
    async with at_desk((120, 36)) as at:
        await at.press("z")
        at.estimate(safe=0.93)
        await strike(at.desk.app, "L")
        await painted(at.desk.app)
        assert isinstance(at.desk.app.screen, Lead)
        assert "chance 93 %" in at.whole and "opening" not in at.whole
        at.estimate(safe=0.71)
        at.desk.heard(None)
        await painted(at.desk.app)
        assert "chance 71 %" in at.whole, "what the desk hears is shown over it at once"


async def test_the_lead_stands_over_the_desk_and_leads_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk((120, 36)) as at:
        await at.press("z")
        at.hand.move(400)
        await at.press("3")
        app = at.desk.app
        await strike(app, "L")
        await at.until(lambda: "event 2" in at.whole)
        assert isinstance(app.screen, Lead)
        await strike(app, "2", "9", "1")
        await painted(app)
        assert app.screen.page == 0, "a digit does nothing: it would tick at the desk"
        assert "event 2" in at.whole and "Advisory only" in at.whole
        threads = app.screen.runtime
        await strike(app, "1", "u", "c", "c", "X", "X")
        await painted(app)
        assert at.kinds == ["zero", "done"]
        await strike(app, "q")
        await painted(app)
        assert app.screen is at.desk and app.return_code is None
        assert not threads._following.is_alive()
        await at.press("1")
        assert at.kinds == ["zero", "done", "done"] or "needs" in at.said
        await strike(app, "L", "escape")
        await painted(app)
        assert app.screen is at.desk
