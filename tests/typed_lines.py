"""Typed lines in the middle of an excursion, for tests of the entry line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.journals import ZERO, done, plan
from tracker.foundation.errors import EventError
from tracker.journal.progress import Progress
from tracker.journal.typed import parse_entry

START = datetime(2031, 5, 4, 14, tzinfo=UTC)
NOW_S = 2400
NOW = START + timedelta(seconds=NOW_S)


def after(*events: dict[str, Any], seat: str = "op") -> Progress:
    with in_memory(plan()) as one:
        for n, event in enumerate(events):
            one.record(event, seat=seat, utc_now=NOW + timedelta(seconds=n))
        return one.progress()


UNDER_WAY = after(ZERO, done("egress.hatch", 320), done("egress.2", 600))
"""EV1 is at hinge.release, EV2 at trays.walk."""


def typed(text: str, progress: Progress = UNDER_WAY, seat: str | None = "op") -> list[dict[str, Any]]:
    return parse_entry(text, progress, now=NOW_S, utc_now=NOW, seat=seat)


def refused(text: str, progress: Progress = UNDER_WAY) -> str:
    with pytest.raises(EventError) as caught:
        typed(text, progress)
    (line,) = caught.value.lines
    return line


RELEASE, WALK = {"kind": "done", "step": "hinge.release"}, {"kind": "done", "step": "trays.walk"}
