"""Promise: a clock that is set puts no wrong time on a tick, is said, and is asked about once."""

from __future__ import annotations

import queue
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.journals import MORNING, ZERO, plan
from tracker.cli.main import main
from tracker.cli.record import _say
from tracker.console.key_events import EventBatch, undo
from tracker.console.seat_clock import SeatClock, instant_of
from tracker.console.session import DeskRuntime
from tracker.console.view.alerts import detail
from tracker.console.view.events import events_list
from tracker.console.view.styled_text import text_of
from tracker.console.writer import Job, Opened, OthersWrote, Written
from tracker.foundation import clock
from tracker.foundation.clock import SteadyClock, boot_s
from tracker.foundation.errors import EventError
from tracker.journal.journal import Journal

START = datetime(2031, 5, 4, 14, 0, tzinfo=UTC)


class Machine:
    """A machine whose wall clock can be set."""

    def __init__(self) -> None:
        self.boot, self.off = 1000.0, 0.0

    def wall(self) -> datetime:
        """What the wall clock shows."""
        return START + timedelta(seconds=self.boot - 1000.0 + self.off)

    def since_boot(self) -> float:
        """Seconds since it was started."""
        return self.boot


class Seat:
    """A desk without a screen, whose disk answers at once."""

    def __init__(self, folder: Path, *, zero: bool = True) -> None:
        self.machine = Machine()
        self.clock = SeatClock(SteadyClock(self.machine.wall, self.machine.since_boot))
        self.journal = Journal.create(folder / "one.sqlite", plan())
        if zero:
            self.journal.record(ZERO, seat="other")
        runtime = DeskRuntime(
            lambda: self.journal, "op", seat_clock=self.clock, monotonic_s=self.machine.since_boot
        )
        self.runtime, self.session = runtime, runtime.session
        self.session.ask, self.session.submit = lambda wanted: None, self._write
        runtime.take(Opened(str(self.journal.path), self.journal.progress(), "op"))

    def _write(self, job: Job) -> None:
        numbers = tuple(self.journal.record_all(job.events, seat="op", utc_now=job.utc))
        self._written = Written(job.token, numbers, self.journal.progress())

    def press(self, *events: dict[str, object]) -> None:
        """Write events, as their key does."""
        utc = instant_of(list(events), self.runtime.utc_now())
        assert self.session.perform(EventBatch(events, "pressed"), utc, self.machine.boot)
        self.runtime.take(self._written)
        self.machine.boot += 1

    def undo(self) -> None:
        """Take back this seat's latest entry."""
        self.press(*undo(self.session.ahead, "op", redo="U").events)

    def passes(self, seconds: float, *, set_by: float = 0.0) -> None:
        """Let time pass, the wall clock being set meanwhile."""
        self.machine.boot += seconds
        self.machine.off += set_by
        self.runtime.want()

    @property
    def now(self) -> float:
        """The PET on the desk's clock."""
        return self.session.now(self.runtime.utc_now())

    @property
    def asked(self) -> str:
        """What is asked of the clock; nothing where nothing is."""
        return self.session.clock.words if self.session.clock else ""

    def say(self, text: str) -> None:
        """Answer what is asked."""
        said = self.clock.answer(text, self.session.ahead, "op", self.now)
        assert said
        self.press(*said)

    def ticked(self, step: str) -> float | None:
        """When a step was done, by what is on record."""
        return self.journal.progress().steps[step].done


@pytest.fixture
def seat(tmp_path: Path) -> Seat:
    made = Seat(tmp_path)
    made.passes(600)
    made.press({"kind": "done", "step": "egress.hatch"})
    return made


@pytest.mark.parametrize(
    ("off", "way"), [(3600.0, "forward by 1:00"), (-3600.0, "back by 1:00"), (2.5, "forward by 0:00:02")]
)
def test_pet_goes_on_evenly_and_it_is_asked_which_clock_is_right(off: float, way: str, seat: Seat) -> None:
    assert seat.now == 601 and not seat.asked
    seat.passes(59, set_by=off)
    assert seat.now == 660
    assert f"this machine's clock was set {way} at 0:11. PET goes on" in seat.asked
    alert = seat.runtime.scene().clock
    assert alert is not None and alert.by_s == pytest.approx(off, abs=0.01)
    seat.press({"kind": "noted", "text": "x"})
    assert seat.journal.fold.recorded[-1].at == 660


def test_a_clock_that_is_only_slewed_or_set_back_again_asks_nothing(seat: Seat) -> None:
    seat.passes(60, set_by=1.9)
    assert not seat.asked
    seat.passes(60, set_by=60)
    assert seat.asked
    seat.passes(60, set_by=-61)
    assert not seat.asked
    with pytest.raises(EventError, match="nothing is to be chosen"):
        seat.clock.answer("clock wall", seat.session.ahead, "op", seat.now)


def test_where_the_clock_that_never_steps_is_right_nothing_moves_and_it_is_asked_no_more(seat: Seat) -> None:
    seat.passes(60, set_by=-90)
    seat.say("clock boot")
    last = seat.journal.fold.recorded[-1]
    assert (last.kind, last.body) == ("clocked", {"trust": "boot", "by_s": pytest.approx(-90, abs=0.01)})
    seat.passes(3600)
    assert not seat.asked and seat.now == 602 + 60 + 3600
    seat.passes(60, set_by=-90)
    assert "back by 0:03" in seat.asked


def test_where_the_set_clock_is_right_what_was_ticked_since_moves_and_one_undo_takes_it_back(
    seat: Seat,
) -> None:
    seat.passes(59, set_by=240)
    seat.press({"kind": "done", "step": "trays.walk"})
    seat.press({"kind": "done", "step": "trays.take", "at": 650})
    assert "what was written since (1) with it" in seat.asked
    seat.say("clock wall")
    assert not seat.asked and seat.now == 663 + 240
    assert [seat.ticked(s) for s in ("egress.hatch", "trays.walk", "trays.take")] == [600, 900, 650]
    seat.undo()
    seat.runtime.want()
    assert seat.asked and seat.now == 664
    assert seat.ticked("trays.walk") == 660


def test_where_the_start_was_stamped_by_a_clock_that_was_off_it_moves_and_no_pet_does(tmp_path: Path) -> None:
    seat = Seat(tmp_path, zero=False)
    seat.press({"kind": "zero", "utc": "2031-05-04T14:00:00.000Z"})
    seat.passes(599)
    seat.press({"kind": "done", "step": "egress.hatch"})
    seat.passes(59, set_by=-40)
    assert "`clock zero`: both are right, the start moves" in seat.asked
    seat.say("clock zero")
    progress = seat.journal.progress()
    assert progress.zero == START - timedelta(seconds=40)
    assert seat.ticked("egress.hatch") == 600 and seat.now == 661 and not seat.asked


def test_another_seats_word_on_its_clock_is_not_taken_for_ones_own(seat: Seat) -> None:
    seat.journal.record({"kind": "clocked", "trust": "wall", "by_s": 500, "at": 600}, seat="other")
    seat.runtime.take(OthersWrote(seat.journal.progress()))
    assert seat.now == 601
    assert "other wrote 3: clock wall set 500" in seat.session.said


def test_an_entry_by_a_clock_behind_the_last_ones_is_taken_marked_and_told_at_both_desks(
    seat: Seat, capsys: pytest.CaptureFixture[str]
) -> None:
    here = seat.machine.wall()
    ahead = {"kind": "noted", "text": "ahead", "at": 590}
    seat.journal.record(ahead, seat="other", utc_now=here + timedelta(seconds=30))
    seat.runtime.take(OthersWrote(seat.journal.progress()))
    assert "clock of" not in seat.session.said
    seat.press({"kind": "noted", "text": "mine"})
    mark = "written 0:00:30 before entry 3 by the clock of op"
    assert mark in seat.session.said
    _say(seat.journal, 3)
    _say(seat.journal, 4)
    assert capsys.readouterr().err == f"warning: event 4: {mark}\n"
    scene = replace(seat.runtime.scene(), chosen="4")
    assert mark in detail(scene)
    assert [line.split()[2] for line in text_of(events_list(scene, 100, 5)).splitlines()[1:]] == [
        "clock",
        "note",
        "done",
        "the",
    ]
    seat.journal.record({**ahead, "text": "near"}, seat="other", utc_now=here - timedelta(seconds=1.9))
    seat.runtime.take(OthersWrote(seat.journal.progress()))
    assert "clock of" not in seat.session.said
    seat.journal.record({**ahead, "text": "far"}, seat="other", utc_now=here - timedelta(seconds=4.1))
    seat.runtime.take(OthersWrote(seat.journal.progress()))
    assert (
        "other wrote 6: note far; written 0:00:02 before entry 5 by the clock of other" in seat.session.said
    )


def test_the_clock_of_a_seat_goes_on_for_as_long_as_the_machine_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine, boot = Machine(), "one"
    monkeypatch.setattr(clock, "utc_now", machine.wall)
    monkeypatch.setattr(clock, "boot_s", machine.since_boot)
    monkeypatch.setattr(clock, "boot_id", lambda: boot)
    path = tmp_path / "one.sqlite"
    with Journal.create(path, plan()) as made:
        made.record(ZERO, seat="other")

    def sat_down() -> tuple[DeskRuntime, list[str]]:
        steady = SteadyClock(machine.wall, machine.since_boot)
        heard: queue.Queue[Any] = queue.Queue()
        runtime = DeskRuntime(
            lambda: Journal.open(path), "op", seat_clock=SeatClock(steady), outbox=tmp_path / "out"
        )
        runtime.session.ask = lambda wanted: None
        runtime.start(heard.put)
        runtime.take(heard.get(timeout=60))
        said = runtime.session.said
        runtime.stop()
        return runtime, [said, runtime.session.clock.words if runtime.session.clock else ""]

    machine.boot += 600
    runtime, said = sat_down()
    assert said == ["", ""]
    # Between two sittings somebody sets the clock: it is asked about, and PET goes on as before.
    machine.boot, machine.off = machine.boot + 60, 3600.0
    runtime, said = sat_down()
    assert runtime.session.now(runtime.utc_now()) == 660
    assert said[0] == "" and "set forward by 1:00 at 0:11" in said[1]
    boot, machine.boot = "two", 1000.0 + 700
    runtime, said = sat_down()
    assert runtime.session.now(runtime.utc_now()) == 700 + 3600
    assert said == [
        "this machine was started anew since: PET goes by its wall clock, 15:11:40 UTC. Is that right?",
        "",
    ]


def test_the_steady_clock_goes_on_while_nobody_looks_and_while_the_machine_sleeps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = boot_s()
    assert boot_s() >= before and abs(SteadyClock().jump_s()) < 2.0
    # Of the clocks that never step this one alone counts while a machine sleeps (clock_gettime(2)).
    monkeypatch.setattr(time, "clock_gettime", {time.CLOCK_BOOTTIME: 3600.0}.__getitem__)
    assert boot_s() == 3600.0


def test_a_journal_replays_to_the_same_figures_whatever_the_machines_clock_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path, said = str(tmp_path / "one.sqlite"), []
    with Journal.create(path, plan()) as made:
        made.record_all(MORNING)
    for year in (1, 400_000, 9_000_000):
        monkeypatch.setattr(clock, "utc_now", lambda hours=year: START + timedelta(hours=hours))
        assert main(["estimate", path, "--at", "0:30", "--json"]) == 0
        said.append(capsys.readouterr().out)
    assert said[0] == said[1] == said[2]
