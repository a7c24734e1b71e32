"""A line of progress: on a terminal only, from half a second on, and gone at the end."""

from __future__ import annotations

import io
import threading

import pytest

from tracker.foundation import waiting
from tracker.foundation.waiting import Waiting, meanwhile


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """A clock that stands at its only item."""
    now = [100.0]
    monkeypatch.setattr(waiting, "monotonic_s", lambda: now[0])
    return now


def test_what_is_quick_shows_nothing(clock: list[float]) -> None:
    with Waiting(out := Terminal()) as shown:
        clock[0] += 0.4
        shown.share("journal", 1, 2)
    assert out.getvalue() == ""


def test_what_is_long_is_shown_and_taken_away(clock: list[float]) -> None:
    with Waiting(out := Terminal()) as shown:
        clock[0] += 0.6
        shown.share("journal", 3, 40)
        assert out.getvalue() == "\rjournal 3 of 40  [#...................]"
        clock[0] += 0.01
        shown.share("journal", 4, 40)
        assert "4 of" not in out.getvalue()
        clock[0] += 0.2
        shown.share("journal", 40, 40)
        assert out.getvalue().endswith("\rjournal 40 of 40  [####################]")
    assert out.getvalue().endswith("\r" + " " * 40 + "\r")


def test_nothing_goes_into_a_file(clock: list[float]) -> None:
    with Waiting(out := io.StringIO()) as shown:
        clock[0] += 60
        shown.share("journal", 1, 2)
    assert out.getvalue() == ""


def test_the_line_goes_when_the_work_fails(clock: list[float]) -> None:
    out = Terminal()
    with pytest.raises(ValueError), Waiting(out) as shown:
        clock[0] += 1
        shown.show("a\x1b[2Jb")
        raise ValueError
    assert "\x1b" not in out.getvalue() and out.getvalue().endswith(" \r")


def test_what_cannot_tell_how_far_it_is_says_for_how_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waiting, "PATIENCE_S", 0.01)
    out, told = Terminal(), threading.Event()
    monkeypatch.setattr(out, "flush", told.set)
    with meanwhile("looking through", out):
        assert told.wait(10)
    assert out.getvalue().startswith("\rlooking through, 0 s")
    assert out.getvalue().endswith(" \r") and not _tellers()


def test_meanwhile_nothing_goes_into_a_file_and_faults_come_through() -> None:
    out = io.StringIO()
    with pytest.raises(ValueError), meanwhile("looking through", out):
        assert not _tellers()
        raise ValueError
    assert out.getvalue() == ""


def _tellers() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "meanwhile"]
