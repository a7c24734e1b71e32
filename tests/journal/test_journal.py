"""A journal appends, then applies: what it says is what is on disk, whoever wrote it."""

from __future__ import annotations

import sqlite3
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.journal.memory_store import in_memory
from tests.journals import MORNING, PLAN, ZERO, done, journal, plan
from tracker.foundation.errors import EventError, JournalError
from tracker.journal import journal as journal_module
from tracker.journal.journal import Journal, default_path
from tracker.journal.progress import Progress
from tracker.journal.seat import default_seat
from tracker.journal.store import Store

NOW = datetime(2031, 5, 4, 14, 25, 0, 987_654, tzinfo=UTC)


def facts(progress: Progress) -> tuple[object, ...]:
    """Return what an excursion adds up to, for comparing two folds of it."""
    return (
        progress.number,
        progress.at,
        progress.zero,
        progress.events,
        dict(progress.steps),
        progress.warnings,
    )


def query(path: Path, sql: str) -> list[tuple[Any, ...]]:
    other = sqlite3.connect(path)
    try:
        return other.execute(sql).fetchall()
    finally:
        other.close()


def test_the_way_of_the_readme(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "logs" / "one.sqlite", plan()) as one:
        assert one.record(ZERO) == 1
        assert one.record(done("egress.hatch", 320)) == 2
        assert one.progress().steps["egress.hatch"].done == 320
        assert one.path == tmp_path / "logs" / "one.sqlite"
    with Journal.open(tmp_path / "logs" / "one.sqlite") as again:
        assert again.number == 2


@pytest.mark.parametrize("read_only", [False, True])
def test_a_journal_read_back_is_the_journal_that_was_written(tmp_path: Path, read_only: bool) -> None:
    with journal(tmp_path, *MORNING) as one:
        written, digest = facts(one.progress()), one.hash
    with Journal.open(tmp_path / "one.sqlite", read_only=read_only) as again:
        assert facts(again.progress()) == written
        assert again.hash == digest
        assert again.plan == replace(plan(), file=again.plan.file)


def test_every_step_of_the_way_reads_back_the_same(tmp_path: Path) -> None:
    with journal(tmp_path) as one:
        for event in MORNING:
            one.record(event, utc_now=NOW)
            with Journal.open(one.path, read_only=True) as again:
                assert facts(again.progress()) == facts(one.progress())


def test_a_refused_event_leaves_no_trace(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING[:4]) as one:
        before = (
            facts(one.progress()),
            query(one.path, "SELECT * FROM events"),
            query(one.path, "SELECT * FROM as_run"),
        )
        for wrong in (
            done("egress.hatch", 650),
            done("nowhere", 650),
            {"kind": "noted"},
            {"kind": "finished"},
        ):
            with pytest.raises(EventError):
                one.record(wrong)
        after = (
            facts(one.progress()),
            query(one.path, "SELECT * FROM events"),
            query(one.path, "SELECT * FROM as_run"),
        )
        assert after == before
        assert one.record(done("hinge.release", 900)) == 5


def test_events_recorded_together_are_all_there_or_none(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING[:4]) as one:
        with pytest.raises(EventError):
            one.record_all([done("trays.walk", 900), done("trays.walk", 910)])
        assert one.number == 4 and one.progress().steps["trays.walk"].ended is None
        assert one.record_all([done("trays.walk", 900), done("trays.take", 910)]) == [5, 6]
        assert one.record_all([]) == []
        first, second = one.fold.recorded[4:]
        assert first.recorded == second.recorded


def test_a_choice_to_drop_and_the_drop_come_together(tmp_path: Path) -> None:
    chose = {"kind": "chose", "task": "latch", "choice": "drop", "at": 700}
    with journal(tmp_path, *MORNING[:4]) as one:
        with pytest.raises(EventError, match="both or neither"):
            one.record(chose)
        assert one.record_all([chose, {"kind": "dropped", "task": "latch", "at": 700}]) == [5, 6]


def test_what_is_kept_is_exact_to_the_millisecond_in_memory_too(tmp_path: Path) -> None:
    with journal(tmp_path) as one:
        one.record(ZERO, utc_now=NOW)
        assert one.fold.recorded[0].recorded == NOW.replace(microsecond=987_000)


def test_the_seat_is_the_events_own_or_the_one_given_or_the_user_at_this_host(tmp_path: Path) -> None:
    with journal(tmp_path) as one:
        one.record(ZERO)
        one.record({"kind": "noted", "text": "a", "at": 1}, seat="lead@b")
        one.record({"kind": "noted", "text": "b", "at": 1, "seat": "own"}, seat="lead@b")
        assert [event.seat for event in one.fold.recorded] == [default_seat(), "lead@b", "own"]
    user, _, host = default_seat().partition("@")
    assert user and host


def test_a_seat_has_a_name_also_where_the_user_has_none(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody() -> str:
        raise KeyError("uid not found")

    monkeypatch.setattr("getpass.getuser", nobody)
    assert default_seat().partition("@")[0].isdigit()


def test_two_journals_of_one_file_see_each_other(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING[:4]) as one, Journal.open(tmp_path / "one.sqlite") as two:
        assert two.record(done("trays.walk", 800)) == 5
        assert one.number == 4
        assert one.refresh() and one.number == 5
        assert not one.refresh()
        assert two.record(done("trays.take", 900)) == 6
        # Without a refresh: what the other wrote is taken in before the event is judged.
        with pytest.raises(EventError):
            one.record(done("trays.take", 950))
        assert one.record(done("hinge.release", 950)) == 7
        assert two.refresh()
        assert facts(one.progress()) == facts(two.progress())
        assert one.hash == two.hash


def test_a_reader_follows_and_refuses_to_write(tmp_path: Path) -> None:
    with (
        journal(tmp_path, *MORNING[:4]) as one,
        Journal.open(tmp_path / "one.sqlite", read_only=True) as reader,
    ):
        one.record(done("trays.walk", 800))
        assert reader.refresh() and reader.progress().steps["trays.walk"].ended == "done"
        with pytest.raises(JournalError, match="read-only"):
            reader.record(done("trays.take", 900))


def test_threads_take_turns(tmp_path: Path) -> None:
    with journal(tmp_path, ZERO) as one:

        def notes(name: str) -> None:
            for n in range(25):
                one.record({"kind": "noted", "text": f"{name} {n}", "at": n})

        threads = [threading.Thread(target=notes, args=(name,)) for name in "abc"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert one.number == 76
        assert [event.number for event in one.fold.recorded] == list(range(1, 77))


def test_a_failed_write_changes_nothing_that_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with journal(tmp_path, *MORNING[:4]) as one:
        before = facts(one.progress())

        def full(*_: object) -> None:
            raise JournalError("the disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(journal_module, "_derive", full)
            with pytest.raises(JournalError, match="full"):
                one.record(done("trays.walk", 800))
        assert facts(one.progress()) == before
        assert one.record(done("trays.walk", 800)) == 5


def test_progress_as_of_an_instant_and_as_known_then(tmp_path: Path) -> None:
    zero = datetime(2031, 5, 4, 14, tzinfo=UTC)
    with journal(tmp_path) as one:
        one.record(ZERO, utc_now=zero)
        one.record(done("egress.hatch", 300), utc_now=zero + timedelta(seconds=310))
        one.record(done("egress.2", 600), utc_now=zero + timedelta(seconds=900))
        assert one.progress(at=599).number == 2
        assert one.progress(at=600).number == 3
        assert one.progress(at=600, known=True).number == 2
        assert one.progress(at=600, known=900).number == 3
        assert one.progress(known=899.5).number == 2
        assert one.progress(known=False).number == 3
        assert one.progress(at=5, known=True).steps["egress.hatch"].ended is None


def test_known_needs_a_zero(tmp_path: Path) -> None:
    with journal(tmp_path, MORNING[0]) as one, pytest.raises(JournalError, match="never started"):
        one.progress(known=5)


def test_warnings_belong_to_their_event(tmp_path: Path) -> None:
    with journal(tmp_path, ZERO) as one:
        number = one.record(done("hinge.mate", 300))
        assert one.warnings_of(number)
        assert one.warnings_of(1) == ()


def test_plan_pace_and_purpose_are_kept(tmp_path: Path) -> None:
    pace = tmp_path / "crew.yaml"
    pace.write_text("format: 1\n", encoding="utf-8")
    with Journal.create(tmp_path / "one.sqlite", plan(), pace=pace, rehearsal=True) as one:
        uuid = one.progress().uuid
    with Journal.create(tmp_path / "two.sqlite", plan(), pace="format: 1\npace: {}\n") as two:
        assert two.genesis.pace == "format: 1\npace: {}\n" and two.progress().uuid != uuid
    with Journal.open(tmp_path / "one.sqlite") as again:
        progress = again.progress()
        assert (progress.pace_name, progress.pace_text) == ("crew.yaml", "format: 1\n")
        assert progress.rehearsal and progress.uuid == uuid
        assert again.genesis.plan == PLAN


@pytest.mark.parametrize("content", [None, b"\xff\xfe"])
def test_a_pace_file_that_cannot_be_read_makes_no_journal(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "pace.yaml").write_bytes(content)
    with pytest.raises(JournalError, match=r"give the path of a pace file|is UTF-16; save it as UTF-8"):
        Journal.create(tmp_path / "one.sqlite", plan(), pace=tmp_path / "pace.yaml")
    assert not (tmp_path / "one.sqlite").exists()


def test_a_plan_that_this_program_cannot_use_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Journal.create(
        tmp_path / "one.sqlite", replace(plan(), source=PLAN.replace("crew: [IV]", "crew: [IW]"))
    ).close()
    with pytest.raises(JournalError) as caught:
        Journal.open(tmp_path / "one.sqlite")
    assert "faults in the journal's plan" in caught.value.lines[0]
    assert any("IW" in line for line in caught.value.lines)


def test_a_plan_without_its_text_makes_no_journal(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no text"):
        Journal.create(tmp_path / "one.sqlite", replace(plan(), source=" "))
    assert not (tmp_path / "one.sqlite").exists()


def test_a_journal_in_memory_is_one_like_any_other(tmp_path: Path) -> None:
    with in_memory(plan(), seed="fixed") as memory, journal(tmp_path) as file:
        for one in (memory, file):
            one.record_all(MORNING, seat="op", utc_now=NOW)
        assert facts(memory.progress()) == facts(file.progress())
        assert memory.progress().uuid == "fixed"


def test_default_path_names_plan_and_instant() -> None:
    assert default_path(plan(), NOW) == Path("logs/sallow-20310504T142500Z.sqlite")


def test_a_store_is_let_go_when_a_journal_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal(tmp_path, *MORNING).close()
    closed: list[Store] = []
    from tracker.journal.sqlite import SqliteStore

    monkeypatch.setattr(journal_module, "replay", lambda *_: (_ for _ in ()).throw(JournalError("broken")))
    close = SqliteStore.close

    def noted(store: SqliteStore) -> None:
        closed.append(store)
        close(store)

    monkeypatch.setattr(SqliteStore, "close", noted)
    with pytest.raises(JournalError, match="broken"):
        Journal.open(tmp_path / "one.sqlite")
    assert len(closed) == 1


def test_a_closed_journal_says_that_it_was_closed(tmp_path: Path) -> None:
    done_with = journal(tmp_path, *MORNING)
    done_with.close()
    with pytest.raises(JournalError, match=r"one\.sqlite: was closed; open it again"):
        done_with.record({"kind": "noted", "text": "late"})
