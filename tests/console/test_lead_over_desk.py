"""The lead's view under its key at the desk: the desk goes on beneath, and ticks nothing meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from tracker.console.lead import Lead


async def test_the_lead_stands_over_the_desk_and_leads_back(at_desk: Callable[..., Any]) -> None:
    async with at_desk((120, 36)) as at:
        await at.press("z")
        at.hand.move(400)
        await at.press("3")
        await at.pilot.press("L")
        for _ in range(400):
            await at.pilot.pause()
            if "event 2" in at.whole and "how fresh" in at.whole:
                break
            await asyncio.sleep(0.02)
        assert isinstance(at.desk.app.screen, Lead)
        assert "event 2" in at.whole and "Advisory only" in at.whole
        threads = at.desk.app.screen.runtime
        await at.pilot.press("1", "u", "c", "c", "X", "X")
        await at.pilot.pause()
        assert at.kinds == ["zero", "done"]
        await at.pilot.press("q")
        await at.pilot.pause()
        assert at.desk.app.screen is at.desk and at.desk.app.return_code is None
        assert not threads._following.is_alive()
        await at.press("1")
        assert at.kinds == ["zero", "done", "done"] or "needs" in at.said
        await at.pilot.press("L")
        await at.pilot.pause()
        await at.pilot.press("escape")
        await at.pilot.pause()
        assert at.desk.app.screen is at.desk
