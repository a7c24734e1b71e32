"""A journal on a PostgreSQL server: verbs take it, nobody changes what is there, copies are equal."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest

from tests.servers import Server
from tracker import Journal, read_plan
from tracker.cli.main import main
from tracker.foundation.clock import monotonic_s, pause, utc_now
from tracker.foundation.errors import JournalError
from tracker.journal import postgres_link
from tracker.journal.events import parse_event
from tracker.journal.journal import _admitted
from tracker.journal.place import Address, place_of
from tracker.journal.postgres_link import Link
from tracker.journal.store import Forked
from tracker.journal.stores import open_store

TOP = Path(__file__).resolve().parents[2]
EXAMPLE = TOP / "logs" / "example.sqlite"
PLAN = TOP / "plans" / "larkspur.yaml"
WHEN = datetime(2031, 5, 4, 14, 0, 5, tzinfo=UTC)


def run(*words: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    status = main(list(words))
    said = capsys.readouterr()
    return status, said.out, said.err


@pytest.fixture
def place(server: Server) -> str:
    """A place on the server where nothing is."""
    return server.address(f"one-{uuid4()}")


@pytest.fixture
def copied(server: Server, place: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The example of the repository on the server."""
    assert main(["copy", str(EXAMPLE), place]) == 0
    capsys.readouterr()
    return place


def test_copies_both_ways_hold_the_same_rows_tables_and_estimates(
    copied: str, server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    second, back = server.address(f"two-{uuid4()}"), tmp_path / "back.sqlite"
    assert run("copy", copied, second, capsys=capsys)[0] == 0
    status, out, _ = run("copy", second, str(back), capsys=capsys)
    assert status == 0 and out.startswith("copied: ")
    assert run("verify", second, "--expect", out.split()[-1], capsys=capsys)[0] == 0
    stores = [open_store(place_of(one), read_only=True) for one in (str(EXAMPLE), copied, second, str(back))]
    try:
        first, *others = (
            (s.genesis, s.rows(), s.derived("as_run"), s.derived("as_spent"), s.shown()) for s in stores
        )
        assert len(first[1]) > 50 and all(one == first for one in others)
    finally:
        for store in stores:
            store.close()


def test_figures_are_the_same_from_the_server_and_from_its_copy(
    copied: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def told(journal: str, name: str) -> list[Any]:
        estimate = run("estimate", journal, "--at", "1:30", "--json", capsys=capsys)
        debrief = run("debrief", journal, "--json", "-", capsys=capsys)
        learned = run("learn", journal, "--rehearsals", "--out", "-", capsys=capsys)
        assert [one[0] for one in (estimate, debrief, learned)] == [0, 0, 0]
        return [one[1].replace(name, "JOURNAL") for one in (estimate, debrief, learned)]

    back = tmp_path / "back.sqlite"
    assert main(["copy", copied, str(back)]) == 0
    capsys.readouterr()
    address = place_of(copied)
    assert isinstance(address, Address)
    assert told(copied, address.name) == told(str(back), back.name)


def test_events_are_recorded_followed_and_listed(
    place: str, server: Server, capsys: pytest.CaptureFixture[str]
) -> None:
    zero = ("zero", "utc=2031-05-04T14:00:00Z")
    status, out, _ = run("record", place, "--plan", str(PLAN), *zero, capsys=capsys)
    assert (status, out) == (0, "1\n")
    with Journal.open(place, read_only=True) as watching, Journal.open(place) as other:
        job = str(uuid4())
        for _ in range(2):
            words = ("noted", "text=Grüße", "--at", "0:10", "--job", job)
            assert run("record", place, *words, capsys=capsys)[:2] == (0, "2\n")
        assert watching.refresh() and watching.number == 2
        assert not watching.refresh()
        assert other.record({"kind": "noted", "text": "on", "at": 700}) == 3
        watching.wait(5.0)
        assert watching.refresh() and watching.number == 3 and watching.hash == other.hash
        with pytest.raises(JournalError, match="read only"):
            watching.record({"kind": "noted", "text": "no", "at": 700})
    status, out, _ = run("journals", server.address("").split("#")[0], capsys=capsys)
    address = place_of(place)
    assert isinstance(address, Address)
    assert status == 0 and address.name in out and address.name.count("-") > 0
    status, _, err = run("record", place, "done", "step=none.1", "--at", "0:20", capsys=capsys)
    assert status == 1 and "none.1" in err


def test_what_is_told_along_with_another_answer_wakes_who_waits_then(place: str) -> None:
    with Journal.create(place, read_plan(PLAN)) as other, Journal.open(place, read_only=True) as watching:
        watching.refresh()
        writes = threading.Timer(0.1, other.record, [{"kind": "noted", "text": "on", "at": -60}])
        writes.start()
        link = watching._store._link  # type: ignore[attr-defined]
        link.ask("SELECT pg_sleep(0.5)")
        writes.join()
        began = monotonic_s()
        watching.wait(5.0)
        assert monotonic_s() - began < 2.0 and watching.refresh()
        # What is told of one's own deeds wakes nobody.
        other.wait(0.1)
        assert not other.refresh()


def test_the_servers_clock_is_known_by_the_answer_that_came_at_once(
    place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the others nobody knows when they were given: the first was held up for a minute."""
    Journal.create(place, read_plan(PLAN)).close()
    waits = iter((60.0, 0.0, 20.0, 30.0, 40.0))
    held_s = [0.0]

    def slow_clock(link: Link, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        found = ask(link, sql, values)
        held_s[0] += next(waits) if sql == postgres_link._CLOCK else 0.0
        return found

    ask = Link.ask
    monkeypatch.setattr(Link, "ask", slow_clock)
    monkeypatch.setattr(postgres_link, "utc_now", lambda: utc_now() + timedelta(seconds=held_s[0]))
    with Journal.open(place) as journal:
        # The answer after the first was given when this machine's clock had gone on by that minute.
        assert journal.notice == "the server's clock is 60 s behind this machine's: one is wrong"
        assert abs(journal._store._link.apart_s + 60.0) < 1.0  # type: ignore[attr-defined]


def test_a_season_takes_journals_from_a_server(
    copied: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = str(tmp_path / "season.sqlite")
    for wanted in ("1 added", "1 unchanged"):
        status, out, _ = run(
            "season", "add", season, copied, "--rehearsals", "--scores", "none", capsys=capsys
        )
        assert status == 0 and wanted in out
    assert run("season", "verify", season, capsys=capsys)[0] == 0


def test_what_is_not_there_or_there_already_is_told(
    copied: str, server: Server, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "exists already" in run("copy", str(EXAMPLE), copied, capsys=capsys)[2]
    missing = server.address("missing")
    assert "there is no such journal" in run("verify", missing, capsys=capsys)[2]
    assert "no such database" in run("verify", server.address("x", database="none"), capsys=capsys)[2]
    assert "not prepared" in run("verify", server.address("x", database="postgres"), capsys=capsys)[2]
    assert "does not take the password" in run("verify", server.address("x", user="nobody"), capsys=capsys)[2]
    away = missing.replace(str(server.port), "1")
    assert "does not answer" in run("verify", away, capsys=capsys)[2]
    for verb in ("verify", "journals"):
        status, _, err = run(verb, "postgresql://192.0.2.1/db?sslmode=require#x", capsys=capsys)
        assert status == 1 and "sslmode=verify-full" in err and "sslrootcert=FILE" in err


def test_nothing_is_written_where_the_server_may_lose_it_or_the_database_is_not_in_utf_8(
    copied: str, server: Server
) -> None:
    shows = "SELECT current_setting('fsync')"
    try:
        for wanted in ("off", "on"):
            server.admin(f"ALTER SYSTEM SET fsync = {wanted}")
            server.admin("SELECT pg_reload_conf()")
            while server.admin(shows) != [(wanted,)]:
                pause(0.02)
            if wanted == "off":
                with pytest.raises(JournalError, match="does not put on disk what it promises"):
                    Journal.open(copied)
                Journal.open(copied, read_only=True).close()
    finally:
        server.admin("ALTER SYSTEM RESET fsync")
        server.admin("SELECT pg_reload_conf()")
    name = f"latin-{uuid4().hex[:8]}"
    server.admin(
        f"CREATE DATABASE \"{name}\" TEMPLATE template0 ENCODING 'LATIN1' LOCALE_PROVIDER libc LOCALE 'C'"
    )
    with pytest.raises(JournalError, match="not in UTF-8"):
        Journal.open(server.address("one", database=name))


def test_a_reader_reads_and_a_writer_changes_nothing(copied: str, server: Server) -> None:
    tables = ("journals", "events", "jobs", "estimates")
    forbidden = [f"{verb} tracker.{table}" for table in tables for verb in ("DELETE FROM", "TRUNCATE")]
    columns = {"journals": "plan", "events": "body", "jobs": "job", "estimates": "estimate"}
    forbidden += [f"UPDATE tracker.{table} SET {one} = {one}" for table, one in columns.items()]
    forbidden += [f"DROP TABLE tracker.{table}" for table in tables]
    forbidden += [
        "ALTER TABLE tracker.events DISABLE TRIGGER follows",
        "SET session_replication_role = replica",
    ]
    forbidden += ["CREATE TABLE tracker.mine (x integer)", "CREATE TEMPORARY TABLE mine (x integer)"]
    writes = [
        "INSERT INTO tracker.jobs SELECT id, gen_random_uuid(), 1, 1 FROM tracker.journals",
        "UPDATE tracker.as_run_rows SET seat = seat",
        "SELECT tracker.put_as_run(1, '[]', '{}')",
    ]
    for login, refused in (("lead", forbidden), ("watcher", forbidden + writes)):
        with psycopg.connect(server.dsn(login, "excursions"), autocommit=True) as conn:
            assert conn.execute("SELECT count(*) FROM tracker.as_run").fetchone() != (0,)
            for sql in refused:
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    conn.execute(sql)
    with psycopg.connect(server.dsn("admin", "excursions"), autocommit=True) as conn:
        for sql in forbidden[:12]:
            with pytest.raises(psycopg.DatabaseError, match="never changed, only added to"):
                conn.execute(sql + (" CASCADE" if "TRUNCATE" in sql else ""))
    reader = copied.replace("lead@", "watcher@")
    with Journal.open(reader, read_only=True) as journal:
        assert journal.number > 50
    with Journal.open(reader) as journal, pytest.raises(JournalError, match="tracker_write"):
        journal.record({"kind": "noted", "text": "x", "at": 20000})


def test_the_server_takes_no_event_that_does_not_follow(copied: str, server: Server) -> None:
    with psycopg.connect(server.dsn("lead", "excursions"), autocommit=True) as conn:
        own = conn.execute(
            "SELECT id FROM tracker.journals WHERE name = %s", (copied.split("#")[1],)
        ).fetchone()
        last = conn.execute(
            "SELECT * FROM tracker.events WHERE journal = %s ORDER BY number DESC LIMIT 1", own
        ).fetchone()
        assert last is not None
        insert = "INSERT INTO tracker.events VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s)"
        for number, code in ((last[1], "TRK01"), (last[1] + 2, "TRK02"), (last[1] + 1, "TRK03")):
            with pytest.raises(psycopg.DatabaseError) as caught:
                conn.execute(insert, (last[0], number, *last[2:]))
            assert caught.value.sqlstate == code


def test_damage_by_an_administrator_is_found(server: Server, capsys: pytest.CaptureFixture[str]) -> None:
    database = f"harmed-{uuid4().hex[:8]}"
    server.prepare(database)
    place = server.address("one", database=database)
    assert run("copy", str(EXAMPLE), place, capsys=capsys)[0] == 0

    def harm(sql: str) -> str:
        server.admin(sql, database=database)
        status, _, err = run("verify", place, capsys=capsys)
        assert status == 1
        return err

    assert "trigger refuse of tracker.events" in harm("ALTER TABLE tracker.events DISABLE TRIGGER refuse")
    server.admin('UPDATE tracker.events SET body = \'{"text": "x"}\' WHERE number = 9', database=database)
    assert "event 9 was changed" in harm("ALTER TABLE tracker.events ENABLE TRIGGER refuse")
    body = "RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NEW; END'"
    assert "function tracker.follows" in harm(f"CREATE OR REPLACE FUNCTION tracker.follows() {body}")


def test_what_the_outbox_knows_comes_back_when_the_server_has_lost_it(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    database = f"lost-{uuid4().hex[:8]}"
    server.prepare(database)
    place = server.address("one", database=database)
    with Journal.create(place, read_plan(PLAN), outbox=tmp_path / "out") as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        for n in range(4):
            journal.record({"kind": "noted", "text": f"n {n}", "at": 10 * n})
    new = str(tmp_path / "new.sqlite")
    server.admin(f'DROP DATABASE "{database}" WITH (FORCE)')
    status, out, err = run("rescue", place, "--out", new, "--outbox", str(tmp_path / "out"), capsys=capsys)
    assert status == 0, err
    assert out.startswith("rescued: 5 events")


@pytest.fixture
def forked(place: str, server: Server) -> Iterator[tuple[Journal, str]]:
    """A desk that knows five events of a journal of which the server holds three, and then others."""
    with Journal.create(place, read_plan(PLAN)) as desk:
        desk.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        for n in range(4):
            desk.record({"kind": "noted", "text": f"n {n}", "at": 10 * n})
        own = "(SELECT id FROM tracker.journals WHERE name = %s)"
        switch = "ALTER TABLE tracker.events {} TRIGGER refuse"
        server.admin(switch.format("DISABLE"), database="excursions")
        server.admin(
            f"DELETE FROM tracker.events WHERE number > 3 AND journal = {own}",
            (place.split("#")[1],),
            "excursions",
        )
        server.admin(switch.format("ENABLE"), database="excursions")
        yield desk, place


def test_a_server_that_holds_another_history_gets_nothing(forked: tuple[Journal, str]) -> None:
    desk, place = forked
    with pytest.raises(Forked, match="another history from event 4 on"):
        desk.record({"kind": "noted", "text": "n 5", "at": 60})
    with Journal.open(place) as other:
        assert other.number == 3
        for n in range(3):
            other.record({"kind": "noted", "text": f"other {n}", "at": 10 * n})
    with pytest.raises(Forked, match="another history from event 4 on"):
        desk.record({"kind": "noted", "text": "n 5", "at": 60})
    assert desk.number == 5
    with closing(open_store(place_of(place), read_only=True)) as store:
        assert len(store.rows()) == 6


def test_psycopg_is_imported_for_a_server_alone() -> None:
    code = (
        "import sys; from tracker.cli.main import main; "
        f"assert main(['estimate', {str(EXAMPLE)!r}, '--at', '1:00', '--brief']) == 0; "
        "assert 'psycopg' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, timeout=60)


def test_the_preparation_is_one_file_in_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run("journals", "--prepare", capsys=capsys)
    assert status == 0 and out == (TOP / "tracker" / "journal" / "postgres.sql").read_text(encoding="utf-8")
    assert json.dumps(out)


def test_what_was_never_committed_is_no_history(place: str, server: Server) -> None:
    with Journal.create(place, read_plan(PLAN)) as desk:
        desk.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        store = desk._store
        with pytest.raises(JournalError), store.turn():
            note = parse_event({"kind": "noted", "text": "x", "at": 1})
            admitted = partial(_admitted, events=[note], found=store.job, now=WHEN, sent=None, seat="s")
            desk._attempt(admitted, str(uuid4()))
            server.admin("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'lead'")
        assert desk.record({"kind": "noted", "text": "y", "at": 2}) == 2
