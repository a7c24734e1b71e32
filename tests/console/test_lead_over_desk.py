"""The lead's view under its key at the desk: the desk goes on beneath, and ticks nothing meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from tests.keyboard import painted, strike
from tracker.console.lead import Lead


async def test_the_lead_stands_over_the_desk_and_leads_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk((120, 36)) as at:
        await at.press("z")
        at.hand.move(400)
        await at.press("3")
        app = at.desk.app
        await strike(app, "L")
        for _ in range(2000):
            await painted(app)
            if "event 2" in at.whole:
                break
            await asyncio.sleep(0.02)
        assert isinstance(app.screen, Lead)
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
