"""Keys that are faster than the disk: queued in their order, never lost, taken back in either case."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.console.test_hands import again as enter_again
from tracker.console.pending import PendingWrite
from tracker.console.writer import Job
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.kept_press import Kept
from tracker.plan.model import Plan


class Disk:
    """A disk that stands until it is let go, or that is full."""

    def __init__(self) -> None:
        self.free = threading.Event()
        self.free.set()
        self.full = False
        self.asked = 0
        """How often something was to be written."""

    def opener(self, path: Path, plan: Plan) -> Callable[[], Journal]:
        disk = self

        class Slow(Journal):
            def record_all(self, events: Any, **keys: Any) -> list[int]:
                disk.asked += 1
                disk.free.wait(timeout=60)
                if disk.full:
                    raise JournalError("one.sqlite: no space left on the disk")
                return super().record_all(events, **keys)

        return lambda: Slow.create(path, plan) if not path.exists() else Slow.open(path)


pytestmark = pytest.mark.usefixtures("soon")


@pytest.fixture
def disk() -> Disk:
    return Disk()


@pytest.fixture
def on_disk(at_desk: Callable[..., Any], disk: Disk, plan: Plan, tmp_path: Path) -> Callable[..., Any]:
    return lambda **keys: at_desk(opener=disk.opener(tmp_path / "one.sqlite", plan), **keys)


async def test_ticks_typed_behind_the_start_wait_for_the_disk(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        disk.free.clear()
        at.hand.move(1)
        await at.strike("z", "1")
        at.hand.move(0.4)
        await at.strike("3")
        assert at.kinds == [] and "no entry yet" in at.screen
        at.hand.move(0.4)
        at.desk.repaint()
        await at.painted()
        assert "saving" in at.screen
        disk.free.set()
        await at.settle()
        assert at.kinds == ["zero", "done", "done"]
        assert [event.body.get("step") for event in at.events[1:]] == ["egress.open", "egress.check"]
        assert [event.at for event in at.events] == [0.0, 0.0, 0.0]
        assert "entry 3 saved" in at.screen and "saving" not in at.screen


async def test_the_same_digit_goes_on_behind_the_start(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        disk.free.clear()
        at.hand.move(1)
        await at.strike("z", "2")
        at.hand.move(0.4)
        at.desk.runtime.session.look(at.hand.mono())
        at.desk.repaint()
        await at.strike("2")
        assert "2 again ticks Fetch the tool bag" in at.said
        at.hand.move(0.4)
        await at.strike("2")
        disk.free.set()
        await at.settle()
        assert [event.body.get("step") for event in at.events] == [None, "egress.open", "egress.tools"]


async def test_a_start_that_a_full_disk_refuses_holds_the_ticks_behind_it(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        disk.full = True
        at.hand.move(1)
        await at.strike("z", "1")
        await at.until(lambda: at.desk.runtime.session.away.words)
        at.hand.move(0.5)
        at.desk.repaint()
        await at.painted()
        assert "unsaved 2" in at.screen and at.kinds == []
        assert any(line.startswith(" unsaved") for line in at.screen.splitlines())
        disk.full = False
        await at.settle()
        assert at.kinds == ["zero", "done"] and "unsaved" not in at.screen


async def test_counting_twice_before_the_disk_answers_counts_two(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z", "1", 600, "2", "3", "1")
        disk.free.clear()
        await at.strike("plus", "1", "plus", "1")
        disk.free.set()
        await at.settle()
        assert [event.body["count"] for event in at.events if event.kind == "counted"] == [1, 2]


async def test_an_undo_means_the_tick_that_is_on_its_way(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z", "1")
        disk.free.clear()
        at.hand.move(600)
        before = disk.asked
        await at.strike("2")
        await at.until(lambda: disk.asked > before)
        at.hand.move(0.1)
        await at.strike("u")
        assert "taking back: EV2 done Fetch the tool bag" in at.said
        disk.free.set()
        await at.settle()
        await at.settle()
        # The disk was at it already, so it is on record, and so is the undo.
        assert at.kinds == ["zero", "done", "done", "withdrawn"]
        assert at.events[-1].body["event"] == 3
        assert at.desk.progress is not None and at.desk.progress.current["EV2"] == "egress.tools"


async def test_an_undo_takes_an_unsaved_tick_out_of_the_queue(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z")
        disk.full = True
        at.hand.move(1)
        await at.strike("1")
        await at.until(lambda: at.desk.runtime.session.away.words)
        at.hand.move(1)
        await at.strike("u")
        disk.full = False
        await at.settle()
        assert at.kinds == ["zero"]
        assert "took back before it was on disk: EV1 EV2 done Open the hatch" in at.said
        await at.press("1")
        assert at.kinds == ["zero", "done"]


async def test_an_undo_after_an_undo_on_its_way_takes_the_one_before(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z", "1", 600, "2")
        disk.free.clear()
        at.hand.move(1)
        await at.strike("u")
        at.hand.move(0.5)
        await at.strike("u")
        disk.free.set()
        await at.settle()
        assert [event.body["event"] for event in at.events if event.kind == "withdrawn"] == [3, 2]


async def test_bringing_back_waits_for_the_disk(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z", "1", "u")
        disk.free.clear()
        at.hand.move(1)
        await at.strike("n")
        await at.type("x")
        await at.strike("enter", "U")
        assert "the disk has not answered yet" in at.said
        disk.free.set()
        await at.settle()
        assert at.kinds == ["zero", "done", "withdrawn", "noted"]


async def test_what_was_written_together_is_taken_back_together_by_a_later_desk(
    at_desk: Callable[..., Any],
) -> None:
    async with at_desk() as at:
        await at.press("z")
        at.hand.move(3000)
        await at.press("e")
        await at.type("1 >bolts -3")
        await at.press("enter")
        await enter_again(at)
        await at.press("2")
        assert at.kinds == ["zero", *["done"] * 4]
    async with at_desk() as again:
        again.hand.move(3100)
        await again.press("u")
        assert again.kinds[5:] == ["withdrawn"]
        await again.press("u")
        assert again.kinds[6:] == ["withdrawn"] * 3
        assert "took back 4 and 2 with it: done EV1 Release the captive bolts" in again.said
        assert again.desk.progress is not None and again.desk.progress.current["EV1"] == "egress.open"
        await again.press("U")
        assert "on record again: 4 and 2 with it" in again.said
        assert again.desk.progress.current["EV1"] == "pump.swap"


async def test_keys_of_one_millisecond_are_not_one_entry(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z")
        for number, digit in enumerate("13", 2):
            await at.strike(digit)
            # A digit means what is painted: until that is the next step, it is the same press again.
            await at.until(lambda number=number: f"entry {number} saved" in at.whole)
        assert at.kinds == ["zero", "done", "done"]
        await at.press("u")
        assert at.kinds == ["zero", "done", "done", "withdrawn"]


async def test_a_typed_undo_means_the_events_of_this_seat(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        await at.press("z", "1")
        with Journal.open(at.path) as other:
            other.record({"kind": "noted", "text": "x"}, seat="other", utc_now=at.hand.utc())
        await at.until(lambda: at.desk.progress.number == 3)
        await at.press("e")
        await at.type("undo")
        await at.press("enter")
        assert (at.events[-1].kind, at.events[-1].body["event"]) == ("withdrawn", 2)


async def refused(at: Any, *keys: str) -> None:
    """Press keys while the disk is full, and wait until it has refused them."""
    at.hand.move(1)
    await at.strike(*keys)
    await at.until(lambda: at.desk.runtime.session.away.words)
    at.hand.move(1)


async def left_out(at: Any, words: str) -> None:
    """Undo, and wait until the writer has left it out."""
    at.hand.move(1)
    await at.strike("u")
    await at.until(lambda: f"before it was on disk: {words}" in at.said)


async def test_what_was_taken_out_of_the_queue_can_be_brought_back(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z")
        disk.full = True
        await refused(at, "1")
        pressed = at.hand.utc()
        await at.strike("3")
        await left_out(at, "IV done")
        assert "U puts it on record again" in at.said
        at.hand.move(100)
        await at.strike("U")
        disk.full = False
        await at.settle()
        done = [e for e in at.events if e.kind == "done"]
        assert [e.body["step"] for e in done] == ["egress.open", "egress.check"]
        at_key = (pressed - at.desk.runtime.session.progress.zero).total_seconds()
        assert abs(done[1].at - at_key) < 1, "at the instant of its key"
        await at.press("U")
        assert "nothing was taken back" in at.said and len(at.events) == 3


async def test_an_undo_on_disk_is_brought_back_before_what_was_taken_out_earlier(
    on_disk: Any, disk: Disk
) -> None:
    async with on_disk() as at:
        await at.press("z", "1", 600)
        disk.full = True
        await refused(at, "2")
        await left_out(at, "EV2 done")
        disk.full = False
        await at.settle()
        await at.press("u")
        assert at.kinds == ["zero", "done", "withdrawn"]
        await at.press("U")
        assert at.kinds[3:] == ["withdrawn"]
        await at.press("U")
        assert at.kinds[4:] == ["done"]


async def test_what_was_taken_out_is_gone_once_something_else_is_written(on_disk: Any, disk: Disk) -> None:
    async with on_disk() as at:
        await at.press("z")
        disk.full = True
        await refused(at, "1")
        await left_out(at, "EV1 EV2 done")
        disk.full = False
        await at.settle()
        await at.press("3", "U")
        assert at.kinds == ["zero", "done"] and "nothing was taken back" in at.said


async def test_that_the_clock_is_to_be_started_is_said_only_while_it_stands(
    at_desk: Callable[..., Any], soon: None
) -> None:
    """It stood beside a running clock where a colleague, or this seat from a shell, had started it."""

    def contradicts(at: Any) -> bool:
        stands = "PET -:--:--" in at.whole
        return (re.search(r"z starts (the clock|it)", at.whole) is not None) != stands

    async with at_desk(size=(80, 24)) as at:
        for keys in (["1"], ["z"], ["u"], ["U"], ["1"], ["u", "u"], ["c"], ["v", "v", "v", "v"], ["1"]):
            await at.press(*keys)
            assert not contradicts(at), (keys, at.whole)
        assert "nothing can be ticked before the clock starts: z starts it" in at.whole
        with Journal.open(at.path) as other:
            other.record({"kind": "zero"}, seat="desk", utc_now=at.hand.utc() - timedelta(minutes=33))
        await at.until(lambda: "PET 0:33" in at.whole)
        assert not contradicts(at), at.whole


async def test_leaving_says_what_is_not_in_the_journal(at_desk: Callable[..., Any]) -> None:
    async with at_desk() as at:
        session = at.desk.runtime.session
        job = Job(7, ({"kind": "noted", "text": "x"},), at.desk.runtime.utc_now())
        for token, kept in ((7, True), (8, True), (9, False)):
            session._queue.jobs[token] = PendingWrite(job, "note: x", (), 0.0, unsaved="full", kept=kept)
        session.refusals.presses = (Kept("j", job.utc, "op", job.events, "refused", "done already"),)
        await at.press("q")
        words = "2 kept here alone: the next desk at this seat sends them. 1 refused and not decided on: "
        words += "asked again at the next start. 1 not on disk: they will be printed. q again leaves the desk"
        assert " ".join(at.said.split()) == words
        assert at.desk.app.return_code is None
        session._queue.jobs.clear()
