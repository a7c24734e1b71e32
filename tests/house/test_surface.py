"""What others depend on is there: the public names and the commands."""

from __future__ import annotations

import re

import pytest

import tracker
from tests.house.tree import nobody
from tracker.cli.main import VERBS, main
from tracker.foundation.text import ADVISORY


def test_public_names_are_importable() -> None:
    assert tracker.__all__
    nobody(name for name in tracker.__all__ if not getattr(tracker, name).__doc__)


def test_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = tracker.nothing


def test_every_verb_explains_itself(capsys: pytest.CaptureFixture[str]) -> None:
    for verb in VERBS:
        with pytest.raises(SystemExit) as ended:
            main([verb, "--help"])
        assert ended.value.code == 0, verb
        assert f"tracker {verb}" in capsys.readouterr().out


def test_overview_names_every_verb_and_the_advisory(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    shown = capsys.readouterr().out
    assert re.findall(r"^  tracker (\w+)", shown, re.MULTILINE) == list(VERBS)
    assert ADVISORY in shown


def test_unknown_verb_is_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fly"]) == 2
    assert "'fly'; `tracker` lists them" in capsys.readouterr().err
    assert main(["chek"]) == 2
    assert "'chek'; did you mean check" in capsys.readouterr().err


def test_a_journal_that_is_not_there_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    for verb in ("estimate", "debrief", "verify", "watch"):
        assert main([verb, "nowhere.sqlite"]) == 1, verb
        shown = capsys.readouterr()
        assert len(shown.err.splitlines()) == 1, verb
        assert "nowhere.sqlite" in shown.err
