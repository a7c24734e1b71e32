"""Promise: a clock that is set while the desk is open puts no wrong time on a tick, and is said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.journals import ZERO
from tests.journals import journal as journal_in
from tracker.console.session import DeskRuntime
from tracker.console.writer import Opened
from tracker.foundation.clock import SteadyClock, boot_s

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


@pytest.mark.parametrize("off", [3600.0, -3600.0, 30.0])
def test_pet_goes_on_evenly_and_the_jump_is_told_once(off: float, tmp_path: Path) -> None:
    machine = Machine()
    steady = SteadyClock(machine.wall, machine.since_boot)
    with journal_in(tmp_path, ZERO) as journal:
        runtime = DeskRuntime(lambda: journal, "op", utc_now=steady.utc_now, jump_s=steady.jump_s)
        session = runtime.session
        runtime.take(Opened(str(journal.path), journal.progress(), "op"))
        session.ask = lambda wanted: None
        machine.boot += 600
        assert session.now(steady.utc_now()) == 600.0
        machine.off = off
        machine.boot += 60
        runtime.want()
        assert session.now(steady.utc_now()) == 660.0
        way = "forward" if off > 0 else "back"
        assert f"was set {way} by {abs(off):.0f} s; PET and ticks go on" in session.said
        session.say("")
        runtime.want()
        assert session.said == ""
        machine.off = 0.0
        runtime.want()
        assert "agrees again" in session.said


def test_a_clock_that_is_only_slewed_is_not_told(tmp_path: Path) -> None:
    machine = Machine()
    steady = SteadyClock(machine.wall, machine.since_boot)
    with journal_in(tmp_path, ZERO) as journal:
        runtime = DeskRuntime(lambda: journal, "op", utc_now=steady.utc_now, jump_s=steady.jump_s)
        runtime.take(Opened(str(journal.path), journal.progress(), "op"))
        runtime.session.ask = lambda wanted: None
        machine.off = 1.9
        runtime.want()
        assert runtime.session.said == ""


def test_the_steady_clock_goes_on_while_nobody_looks() -> None:
    before = boot_s()
    clock = SteadyClock()
    assert boot_s() >= before and abs(clock.jump_s()) < 2.0
