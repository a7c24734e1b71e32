"""The lead's view under its key at the desk: the desk goes on beneath, and ticks nothing meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from tests.keyboard import painted, strike
from tests.leads import NOW_S, ZERO, by_hand, excursion
from tracker.console.lead import Lead
from tracker.console.lead_analysis import Grown
from tracker.console.lead_session import LeadSession
from tracker.console.view.head import lead_head
from tracker.console.view.lead_3_work import word
from tracker.console.view.scene import Snapshot
from tracker.console.view.styled_text import text_of
from tracker.plan.model import Plan


def test_the_figures_of_the_desk_stand_until_the_view_has_its_own(plan: Plan) -> None:
    progress = excursion(plan)
    session = LeadSession(ask=lambda wanted: None, study=lambda wish: None)
    session.carried = Snapshot(progress, by_hand(progress, NOW_S))
    session.grown(Grown(progress, ()))
    scene = session.scene(ZERO + timedelta(seconds=NOW_S))
    assert scene.estimate is session.carried.estimate
    assert "not estimated" not in text_of(lead_head(scene, 120, 3))
    session.go_to(600.0, ZERO + timedelta(seconds=NOW_S))
    earlier = session.scene(ZERO + timedelta(seconds=NOW_S))
    assert earlier.estimate is None, "they are not those of an earlier instant"
    assert "no consumables" not in text_of(word(earlier, 120, 8))


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
