"""Whoever follows a journal sees what is appended, keeps what was known, and leaves no trace."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.journals import MORNING, done, journal
from tracker.foundation.errors import JournalError
from tracker.journal.follow import Follower


def test_a_follower_sees_each_event_once(tmp_path: Path) -> None:
    with journal(tmp_path, *MORNING[:4]) as one, Follower(one.path) as follower:
        assert follower.number == 4 and follower.look() == ()
        one.record(done("trays.walk", 800))
        one.record(done("trays.take", 900))
        assert [event.number for event in follower.look()] == [5, 6]
        assert follower.look() == ()
        assert [event.number for event in follower.changes(since=3)] == [4, 5, 6]
        assert follower.progress.steps["trays.take"].done == 900
        assert follower.trouble is None


def test_a_follower_sees_a_writer_that_comes_later(tmp_path: Path) -> None:
    journal(tmp_path, *MORNING[:4]).close()
    with Follower(tmp_path / "one.sqlite") as follower:
        with journal(tmp_path, name="other.sqlite"):
            pass
        from tracker.journal.journal import Journal

        with Journal.open(tmp_path / "one.sqlite") as one:
            one.record(done("trays.walk", 800))
            assert [event.number for event in follower.look()] == [5]
        assert follower.look() == ()


def test_a_quiet_journal_is_followed_without_a_trace(tmp_path: Path) -> None:
    journal(tmp_path, *MORNING).close()
    before = {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()}
    with Follower(tmp_path / "one.sqlite") as follower:
        assert follower.look() == ()
    assert {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()} == before


def test_what_was_known_stays_while_the_file_is_away_and_goes_on_when_it_is_back(tmp_path: Path) -> None:
    journal(tmp_path, *MORNING).close()
    path, away = tmp_path / "one.sqlite", tmp_path / "away.sqlite"
    with Follower(path) as follower:
        known = follower.progress
        path.rename(away)
        assert follower.look() == ()
        assert follower.trouble is not None and "moved or deleted" in follower.trouble
        assert (
            follower.look() == () and follower.trouble is not None and "no such journal" in follower.trouble
        )
        assert follower.progress is known
        journal(tmp_path, *MORNING).close()
        assert (
            follower.look() == () and follower.trouble is not None and "another journal" in follower.trouble
        )
        away.replace(path)
        assert follower.look() == () and follower.trouble is None
        assert follower.number == len(MORNING)


def test_what_is_no_journal_is_not_followed(tmp_path: Path) -> None:
    with pytest.raises(JournalError):
        Follower(tmp_path / "one.sqlite")
