"""The settings file serves the lead's view too: keys, theme, local time, bell."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.leads import NOW_S, by_hand
from tracker.console.commands import commands_of
from tracker.console.settings import Settings
from tracker.console.settings_file import read_settings
from tracker.console.view.scene import Snapshot
from tracker.console.workers import Estimated, Wanted
from tracker.forecast.figures import Alert, Severity
from tracker.foundation.errors import TrackerError

SIZES = [(80, 24), (120, 36)]


def faults(text: str) -> list[str]:
    with pytest.raises(TrackerError) as caught:
        read_settings(text, "settings.toml")
    return list(caught.value.lines)


def test_keys_of_the_view_have_a_table_of_their_own() -> None:
    found = read_settings('[keys]\nundo = "Z"\n[lead_keys]\nmark = "Z"\nquit = "Q"', "settings.toml")
    assert found.keys == {"undo": ("Z",)}
    assert found.lead_keys == {"mark": ("Z",), "quit": ("Q", "ctrl+c")}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[lead_keys]\nmarc = "Z"', "lead_keys.marc: there is no such command; perhaps mark"),
        ('[lead_keys]\nundo = "Z"', "lead_keys.undo: there is no such command"),
        ('[lead_keys]\nmark = "f"', "lead_keys.mark: f is the key of what-if"),
        ('[lead_keys]\nback = "w"', "lead_keys.back: keeps its key"),
        ('[lead_keys]\nmark = "hyper"', "lead_keys.mark: hyper is not a key"),
        ("[lead_keys]\nmark = 3", "lead_keys.mark: 3 does not fit"),
        ("lead_keys = 3", "lead_keys: 3 does not fit"),
    ],
)
def test_what_is_wrong_is_one_line_that_says_where(text: str, told: str) -> None:
    lines = faults(text)
    assert len(lines) == 1 and lines[0].startswith(f"settings.toml: {told}")


def test_faults_of_both_tables_come_in_one_run() -> None:
    lines = faults('theme = "pink"\n[keys]\nfind = "7"\n[lead_keys]\nmark = "f"')
    assert len(lines) == 3


async def test_the_view_goes_by_a_persons_keys(at_lead: Callable[..., Any]) -> None:
    chosen = 'earlier = ","\nlater = ";"\nwhole = "E"\ntheme = "J"\nwhat-if = ["T", "e"]'
    keys = read_settings(f"[lead_keys]\n{chosen}", "settings.toml")
    async with at_lead(settings=keys) as at:
        assert "T what if" in at.screen and ", ; back" in at.screen
        await at.press("comma")
        assert at.session.chosen == 2460.0
        await at.press("left")
        assert at.session.chosen == 2460.0, "its own key is free"
        await at.press("semicolon", "end", "E")
        assert at.lead.view_name == "whole"
        await at.press("question_mark")
        assert "  E         alerts, figures" in at.screen
        await at.press("pagedown")
        assert "  T         suppose events" in at.screen
        await at.press("escape", "T")
        assert at.lead.query_one("#lead-entry").display


async def test_the_theme_is_that_of_the_file(at_lead: Callable[..., Any]) -> None:
    async with at_lead(settings=Settings(theme="light")) as at:
        assert at.app.theme == "tracker-light"


@pytest.fixture
def zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A zone of its own: two hours before UTC, with a name that no other has."""
    monkeypatch.setenv("TZ", "XYZ-2")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize("size", SIZES)
async def test_local_time_stands_beside_utc(
    at_lead: Callable[..., Any], zone: None, size: tuple[int, int]
) -> None:
    async with at_lead(size, settings=Settings(local_time=True)) as at:
        assert "14:41:17 UTC  16:41 XYZ" in at.screen
    async with at_lead(size) as at:
        assert "XYZ" not in at.screen


async def test_local_time_before_the_start_leaves_room(at_lead: Callable[..., Any], zone: None) -> None:
    async with at_lead((80, 24), events=(), settings=Settings(local_time=True), alerts=()) as at:
        first = at.screen.splitlines()[0]
        assert "XYZ" in first and "not started" in first and "~" not in first


@pytest.mark.parametrize("wanted", [True, False])
async def test_a_new_alert_rings_once_where_a_bell_is_wanted(
    at_lead: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, wanted: bool
) -> None:
    async with at_lead(settings=Settings(bell=wanted)) as at:
        rung: list[int] = []
        monkeypatch.setattr(at.app, "bell", lambda: rung.append(1))
        progress = at.session.snapshot.progress

        def alerts(*names: str, severity: Severity = "act") -> None:
            told = tuple(Alert(name, f"{name} is due", False, severity=severity) for name in names)
            found = by_hand(progress, NOW_S, alerts=told)
            at.session.snapshot = Snapshot(progress, None)
            at.lead.runtime.take(Estimated(found, Wanted(progress, NOW_S, True), full=True))
            at.lead.repaint()

        at.lead.repaint()
        assert not rung, "what stood when it was opened is in sight"
        alerts("last-call:survey:15", "hold:one")
        at.lead.repaint()
        assert len(rung) == wanted
        alerts("hold:one")
        alerts("last-call:survey:15", "hold:one")
        assert len(rung) == 2 * wanted
        alerts("last-call:survey:15", "hold:one", severity="look")
        alerts("last-call:survey:15", "hold:one")
        assert len(rung) == 2 * wanted, "what is only to be looked at between is not another one"
        await at.press("pageup")
        alerts("hold:two")
        assert len(rung) == 2 * wanted, "nothing rings while an earlier instant is shown"


def test_the_file_is_read_by_the_verb_and_its_faults_come_before_any_screen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.leads import on_record
    from tracker.cli.main import main
    from tracker.journal.journal import Journal
    from tracker.plan.read import read_plan

    plan = read_plan(Path(__file__).parent / "heron.yaml")
    with Journal.create(tmp_path / "one.sqlite", plan) as journal:
        on_record(journal)
    (tmp_path / "settings.toml").write_text('[lead_keys]\nmark = "f"\n')
    monkeypatch.setenv("TRACKER_SETTINGS", str(tmp_path / "settings.toml"))
    monkeypatch.setattr("tracker.console.terminal.is_terminal", lambda: True)
    for more in ([], ["--serve", "127.0.0.1:0"]):
        assert main(["watch", str(tmp_path / "one.sqlite"), *more]) == 1
        told = capsys.readouterr()
        assert told.out == "" and "lead_keys.mark: f is the key of what-if" in told.err


def test_ids_of_the_view_are_told() -> None:
    text = (Path(__file__).parents[2] / "plans" / "SETTINGS.md").read_text(encoding="utf-8")
    named = text.partition("ids of the lead's view:")[2].partition("\n\n")[0]
    assert [one.strip("`.\n") for one in named.split()] and all(
        f"`{command.id}`" in named for command in commands_of("lead") if command.id != "back"
    )
