"""All who look on at a journal of a server from one machine share one connection, whoever of them leaves."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from uuid import uuid4

import pytest

from tests.cut_line import wide_plan
from tests.servers import Server
from tracker.foundation.clock import monotonic_s, pause
from tracker.journal import fan_out
from tracker.journal.follow import Follower
from tracker.journal.journal import Journal

ESTIMATE = {"at": 60.0, "inside": {"p10": 1.0, "p50": 2.0, "p90": 3.0}, "safe": 0.5}
ASKS = (
    "import sys; from tracker.journal import fan_out; from tracker.journal.follow import Follower\n"
    "fan_out.POLL_S = 0.2\nwith Follower(sys.argv[1]) as one:\n  "
)


@pytest.fixture
def desk(server: Server, monkeypatch: pytest.MonkeyPatch) -> Iterator[Journal]:
    """A journal that runs, and who writes it."""
    for name, seconds in (("POLL_S", 0.2), ("_SHOWN_S", 0.3), ("_LINGER_S", 0.5), ("_SILENT_S", 2.5)):
        monkeypatch.setattr(fan_out, name, seconds)
    with Journal.create(server.address(f"shared-{uuid4()}"), wide_plan(4)) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        yield journal


def reader(desk: Journal) -> str:
    return desk.name.replace("lead@", "watcher@")


def note(desk: Journal) -> int:
    return desk.record({"kind": "noted", "text": "n", "at": 10 * desk.number})


def asked(server: Server) -> set[int]:
    """The connections of all who look on."""
    return {
        int(str(pid)) for (pid,) in server.admin("SELECT pid FROM pg_stat_activity WHERE usename = 'watcher'")
    }


def wait_for(wanted: Callable[[], bool], most_s: float = 60.0) -> None:
    until = monotonic_s() + most_s
    while not wanted():
        assert monotonic_s() < until
        pause(0.02)


def told(follower: Follower) -> bool:
    follower.wait(0.1)
    return follower.look() != ()


def caught_up(followers: list[Follower], desk: Journal) -> bool:
    for one in followers:
        one.look()
    return all(one.trouble is None and one.number == desk.number for one in followers)


def test_all_watchers_of_a_machine_share_one_connection(desk: Journal, server: Server) -> None:
    before = asked(server)
    with ExitStack() as stack:
        followers = [stack.enter_context(Follower(reader(desk))) for _ in range(6)]
        assert len(asked(server) - before) == 1
        number = note(desk)
        for one in followers:
            wait_for(partial(told, one))
            assert one.number == number and one.look() == () and one.trouble is None
        desk.write_estimate(ESTIMATE, number)
        late = stack.enter_context(Follower(reader(desk)))
        assert late.number == number and len(asked(server) - before) == 1
        # What was shown is told too, to who was there before and to who comes later.
        fresh = late.journal
        assert fresh is not None
        wait_for(lambda: caught_up([late], desk) and len(fresh.estimates()) == 1)
        assert fresh.estimates(1) == []
    wait_for(lambda: not asked(server) - before)


@pytest.fixture
def asking(desk: Journal) -> Iterator[subprocess.Popen[str]]:
    """Another process, which asks for all."""
    code = f"{ASKS}print('ready', flush=True); sys.stdin.read()"
    process = subprocess.Popen(
        [sys.executable, "-c", code, reader(desk)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None and process.stdout.readline() == "ready\n"
    yield process
    process.kill()
    process.communicate()


def test_another_takes_the_place_of_who_asked(
    desk: Journal, server: Server, asking: subprocess.Popen[str]
) -> None:
    before = asked(server)
    with ExitStack() as stack:
        followers = [stack.enter_context(Follower(reader(desk))) for _ in range(4)]
        note(desk)
        wait_for(lambda: caught_up(followers, desk))
        assert not asked(server) - before
        asking.kill()
        seen: list[int] = []
        note(desk)
        until = monotonic_s() + 60
        while len(seen) < len(followers) and monotonic_s() < until:
            seen += [event.number for one in followers for event in one.look()]
            assert all(one.trouble is None for one in followers)
        assert seen == [desk.number] * len(followers)
        assert len(asked(server) - before) == 1


def test_who_asked_and_stands_still_is_done_without(
    desk: Journal, server: Server, asking: subprocess.Popen[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fan_out, "_SILENT_S", 0.7)
    monkeypatch.setattr(fan_out, "_FROZEN_S", 1.2)
    before = asked(server)
    with Follower(reader(desk)) as one:
        os.kill(asking.pid, signal.SIGSTOP)
        note(desk)
        wait_for(lambda: (one.look(), one.trouble)[1] is not None)
        assert "the server does not answer" in str(one.trouble) and one.number == 1
        wait_for(lambda: caught_up([one], desk))
        assert len(asked(server) - before) == 1


def test_where_no_socket_can_be_had_everybody_asks(
    desk: Journal, server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / ("long" * 20)))
    before = asked(server)
    with Follower(reader(desk)) as one, Follower(reader(desk)) as two:
        assert len(asked(server) - before) == 2
        note(desk)
        wait_for(lambda: caught_up([one, two], desk))


def test_another_history_is_told_and_what_was_shown_stays(desk: Journal, server: Server) -> None:
    note(desk), note(desk)
    with Follower(reader(desk)) as one:
        known = one.progress
        own = "(SELECT id FROM tracker.journals WHERE name = %s)"
        switch = "ALTER TABLE tracker.events {} TRIGGER refuse"
        server.admin(switch.format("DISABLE"), database="excursions")
        gone = f"DELETE FROM tracker.events WHERE number > 2 AND journal = {own}"
        server.admin(gone, (desk.name.split("#")[1],), "excursions")
        server.admin(switch.format("ENABLE"), database="excursions")
        server.admin("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'watcher'")
        with Journal.open(desk.name) as other:
            for text in ("another", "history"):
                other.record({"kind": "noted", "text": text, "at": 500})
        wait_for(lambda: (one.look(), one.trouble or "")[1].find("another history") > 0)
        wait_for(lambda: "history" in ((one.look(), one.trouble or "")[1]))
        assert one.number == 3 and one.progress is known
        with Follower(reader(desk)) as fresh:
            assert fresh.number == 4
