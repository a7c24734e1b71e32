"""A rehearsal along a clock, beside somebody who writes into the same journal."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.flat import FLAT_FILE
from tests.runs import plan_of, step, task
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.plan.model import Plan
from tracker.rehearsal.setting import FastClock, Player, Rehearsal

BASE = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


def test_the_clock_stands_until_it_is_started_and_then_hurries() -> None:
    mono = [100.0]
    clock = FastClock(BASE, 60.0, lambda: mono[0])
    mono[0] = 200.0
    assert clock.utc_now() == BASE
    clock.start()
    mono[0] = 202.5
    assert clock.utc_now() == BASE + timedelta(seconds=150)
    clock.start()
    assert clock.utc_now() == BASE + timedelta(seconds=150)


def trial() -> Plan:
    return plan_of(
        task("a", step("one", "EV1", 3)),
        task("home", step("in", "EV1", 2), closeout=True),
        crew="EV1",
    )


def maker(path: Path, plan: Plan) -> Callable[[], tuple[Rehearsal, Callable[[], None]]]:
    def make() -> tuple[Rehearsal, Callable[[], None]]:
        journal = Journal.open(path)
        return Rehearsal(journal, plan, 1, wanted=()), journal.close

    return make


def test_it_plays_to_the_end_by_the_clock(tmp_path: Path) -> None:
    path, plan = tmp_path / "live.sqlite", trial()
    Journal.create(path, plan, pace=FLAT_FILE, rehearsal=True).close()
    clock = FastClock(BASE, 1000.0)
    player = Player(maker(path, plan), clock.utc_now, starts=True)
    clock.start()
    player.start()
    player.join(20)
    assert not player.is_alive()
    assert player.fault == ()
    assert player.outcome.startswith("inside at 0:0")
    with Journal.open(path, read_only=True) as journal:
        assert [e.kind for e in journal.fold.recorded] == ["zero", "done", "done", "entered", "closed"]


def test_it_hears_what_is_recorded_beside_it(tmp_path: Path) -> None:
    path, plan = tmp_path / "live.sqlite", trial()
    Journal.create(path, plan, pace=FLAT_FILE, rehearsal=True).close()
    now = [BASE]
    player = Player(maker(path, plan), lambda: now[0], starts=False)
    player.start()
    with Journal.open(path) as desk:
        desk.record({"kind": "zero"}, seat="desk", utc_now=BASE)
        now[0] = BASE + timedelta(minutes=1)
        desk.record({"kind": "called", "call": "home"}, seat="desk", utc_now=now[0])
        now[0] = BASE + timedelta(minutes=10)
        player.join(20)
        desk.refresh()
        assert [e.kind for e in desk.fold.recorded] == ["zero", "called", "done", "entered", "closed"]


def test_a_fault_ends_it_and_is_kept_to_be_told() -> None:
    def make() -> tuple[Rehearsal, Callable[[], None]]:
        raise JournalError("gone.sqlite: no such file")

    player = Player(make, lambda: BASE, starts=True)
    player.start()
    player.join(5)
    assert player.fault == ("gone.sqlite: no such file",)
