"""Over a line that is cut, every press is on record once: none is lost, none is there twice, in order."""

from __future__ import annotations

import threading
from contextlib import closing
from pathlib import Path
from signal import SIGCONT, SIGSTOP
from typing import Any
from uuid import uuid4

import psycopg
import pytest

from tests.cut_line import MUTANTS, cut_run, wide_plan
from tests.servers import Server
from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import JournalError
from tracker.journal import postgres_link
from tracker.journal.journal import Journal
from tracker.journal.postgres import PostgresStore
from tracker.journal.store import Lost


def test_every_press_is_there_once_whatever_is_cut(server: Server, tmp_path: Path) -> None:
    found = cut_run(server, tmp_path, jobs=15)
    assert found.wrong == []
    assert found.cuts >= 10 and found.ambiguous >= 5, found


@pytest.mark.parametrize("mutate", MUTANTS.values(), ids=MUTANTS)
def test_the_same_run_finds_what_would_be_wrong(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mutate: Any
) -> None:
    mutate(monkeypatch)
    # A cut has to fall into a commit: where none did, that run proves nothing.
    runs = (
        cut_run(server, tmp_path / f"{seed}", jobs=6, share=0.5, seed=seed, most_s=8) for seed in (2, 3, 4)
    )
    assert any(run.wrong for run in runs)


def test_a_server_that_stands_still_is_not_waited_for(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgres_link, "DEADLINE_S", 0.3)
    place = server.address(f"still-{uuid4()}")
    with Journal.create(place, wide_plan(2)) as journal:
        zero, job = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, str(uuid4())
        server.kill(SIGSTOP)
        began = monotonic_s()
        try:
            # The first wait ends by our own deadline, the second try by that of connecting.
            with pytest.raises(Lost, match="does not answer"):
                journal.record_all([zero], job=job)
            assert monotonic_s() - began < 60
        finally:
            server.kill(SIGCONT)
        assert journal.record_all([zero], job=job) == [1]
        assert journal.number == 1


def _until_commits_wait(server: Server) -> None:
    """Commit until one waits for a standby: the setting is there some time after it was made."""
    while True:
        with closing(psycopg.connect(server.dsn("admin", "postgres"), autocommit=True)) as conn:
            conn.pgconn.send_query(b"SELECT pg_logical_emit_message(true, 'probe', '')")
            pause(0.1)
            conn.pgconn.consume_input()
            if conn.pgconn.is_busy():
                return


def test_a_commit_that_is_told_not_to_wait_for_its_standby_is_not_told_as_done(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(postgres_link, "DEADLINE_S", 1.5)
    place = server.address(f"standby-{uuid4()}")
    zero, job = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}, str(uuid4())
    with Journal.create(place, wide_plan(2)) as journal:
        server.admin("ALTER SYSTEM SET synchronous_standby_names = 'gone'")
        try:
            server.admin("SELECT pg_reload_conf()")
            _until_commits_wait(server)
            cancelled: list[bool] = []
            until = monotonic_s() + 60

            def cancel() -> None:
                sql = (
                    "SELECT pg_cancel_backend(pid) FROM pg_stat_activity "
                    "WHERE wait_event = 'SyncRep' AND usename = 'lead'"
                )
                while not cancelled and monotonic_s() < until:
                    cancelled.extend(bool(one) for (one,) in server.admin(sql))
                    pause(0.02)

            canceller = threading.Thread(target=cancel)
            canceller.start()
            # Cancelled, it is there and its standby lacks it; the second try finds it, and waits too.
            with pytest.raises(Lost):
                journal.record_all([zero], job=job)
            canceller.join()
            assert cancelled == [True]
        finally:
            server.admin("ALTER SYSTEM RESET synchronous_standby_names")
            server.admin("SELECT pg_reload_conf()")
        assert journal.record_all([zero], job=job) == [1]


def test_who_was_raced_twice_takes_a_turn(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    place = server.address(f"raced-{uuid4()}")
    with Journal.create(place, wide_plan(2)) as slow, Journal.open(place) as other:
        append, turns = PostgresStore._append, list[bool]()

        def raced(store: PostgresStore, block: Any) -> None:
            if store is slow._store:
                turns.append(store._link.in_transaction)
                if not turns[-1]:
                    other.record({"kind": "noted", "text": f"before {len(turns)}", "at": -60})
            append(store, block)

        monkeypatch.setattr(PostgresStore, "_append", raced)
        assert slow.record({"kind": "noted", "text": "slow", "at": -60}) == 3
        assert turns == [False, False, True]


def test_who_is_stopped_in_their_turn_holds_up_nobody_for_long(server: Server) -> None:
    place = server.address(f"turn-{uuid4()}")
    Journal.create(place, wide_plan(2)).close()
    with Journal.open(place) as stopped, Journal.open(place) as other:
        began = monotonic_s()
        with pytest.raises(JournalError), stopped._store.turn():
            assert other.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"}) == 1
            stopped.rows([1])
        assert monotonic_s() - began < 60
        assert stopped.refresh() and stopped.number == 1
