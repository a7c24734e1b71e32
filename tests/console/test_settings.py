"""The settings file: what it may hold, what is said about a wrong one, and what it changes at the desk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tracker.console.commands import commands_of, with_keys
from tracker.console.settings import _NAMED, Settings, named, shown
from tracker.console.settings_file import load_settings, read_settings, settings_path
from tracker.foundation.errors import TrackerError

GOOD = """
theme = "light"
local_time = true
bell = true

[keys]
undo = "U"
redo = ["ctrl+y", "f5"]
find = "\\\\"
"""


def faults(text: str) -> list[str]:
    with pytest.raises(TrackerError) as caught:
        read_settings(text, "settings.toml")
    return list(caught.value.lines)


def test_a_file_is_read() -> None:
    found = read_settings(GOOD, "settings.toml")
    assert (found.theme_name, found.local_time, found.bell) == ("tracker-light", True, True)
    assert found.keys == {"undo": ("U",), "redo": ("ctrl+y", "f5"), "find": ("backslash",)}


def test_an_empty_file_is_the_defaults() -> None:
    assert read_settings("", "settings.toml") == Settings()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("theme = 3", "settings.toml: theme: 3 does not fit; write dark, light, contrast or safe"),
        ('theme = "pink"', "theme: 'pink' does not fit"),
        ("bell = 1", "bell: 1 does not fit; write true or false"),
        ("colour = 1", "colour: is not a setting; there are theme, local_time, bell, keys"),
        ("theme = ", "is not TOML"),
        ("keys = 3", "keys: 3 does not fit"),
        ("[keys]\nundo = 3", "keys.undo: 3 does not fit"),
        ('[keys]\nundoo = "U"', "keys.undoo: there is no such command; perhaps undo"),
        ('[keys]\nfind = "7"', "keys.find: 7 is a digit, and digits tick"),
        ('[keys]\ntick-1 = "t"', "keys.tick-1: keeps its key"),
        ('[keys]\nback = "b"', "keys.back: keeps its key"),
        ('[keys]\nfind = "escape"', "keys.find: escape always goes back"),
        ('[keys]\nfind = "ctrl+c"', "keys.find: ctrl+c always leaves the desk"),
        ('[keys]\nfind = "ctrl+i"', "keys.find: ctrl+i is Tab to a terminal"),
        ('[keys]\nfind = "shift+f"', "keys.find: shift+f: a terminal sends the capital; write F"),
        ('[keys]\nfind = "hyper"', "keys.find: hyper is not a key"),
        ('[keys]\nfind = ""', "keys.find: nothing is not a key"),
        ("[keys]\nfind = []", "keys.find: has no key"),
        ('[keys]\nfind = "u"', "keys.find: u is the key of undo"),
        ('[keys]\nfind = "Z"\nundo = "Z"', "Z is the key of"),
    ],
)
def test_what_is_wrong_is_one_line_that_says_where(text: str, told: str) -> None:
    lines = faults(text)
    assert len(lines) == 1 and told in lines[0] and lines[0].startswith("settings.toml: ")


def test_all_faults_come_in_one_run() -> None:
    lines = faults('[keys]\nfind = "7"\nundoo = "U"\nhelp = ["hyper", "4"]')
    assert len(lines) == 4
    assert len(faults('theme = "pink"\nbell = 2\nother = 1')) == 3


def test_faults_of_keys_are_told_in_the_same_run_as_faults_of_form() -> None:
    text = 'theme = "pink"\n[keys]\nundo = 3\nundoo = "U"\nfind = "7"\nhelp = ["x", 4]\nskip = "u"'
    lines = faults(text)
    told = ("theme: 'pink'", "keys.undo: 3", "keys.undoo: there is", "keys.find: 7 is a digit")
    assert all(any(one in line for line in lines) for one in told)
    assert sum("keys.help: ['x', 4] does not fit" in line for line in lines) == 1
    assert any("keys.skip: u is the key of undo" in line for line in lines)
    assert len(lines) == 6 and all(line.startswith("settings.toml: ") and "; " in line for line in lines)


def test_hostile_text_in_a_file_is_said_as_text() -> None:
    assert "\x1b" not in faults('[keys]\nfind = "\\u001b[2J"')[0]
    assert "\x1b" not in faults('theme = "\\u001b[2J"')[0]
    assert "\x1b" not in faults('"\\u001b[2J" = 1')[0]


def test_two_commands_may_change_their_keys_with_each_other() -> None:
    found = read_settings('[keys]\nundo = "s"\nskip = "u"', "settings.toml")
    table = {c.id: c.keys for c in with_keys(commands_of("desk"), found.keys)}
    assert (table["undo"], table["skip"]) == (("s",), ("u",))


@pytest.mark.parametrize("char", ["-", "/", "?", "+", "a", "A", "_", ";", "!", "[", "~"])
def test_a_character_is_shown_as_it_was_written(char: str) -> None:
    from textual.keys import _character_to_key

    assert named(char) == _character_to_key(char)
    assert shown(named(char)) == char


@pytest.mark.parametrize(
    ("key", "words"),
    [("tab", "Tab"), ("backspace", "Backspace"), ("delete", "Delete"), ("shift+tab", "Shift+Tab")],
)
def test_a_key_with_a_name_is_shown_by_it(key: str, words: str) -> None:
    assert shown(key) == words


def test_no_key_is_shown_as_a_character_that_nobody_can_read() -> None:
    assert [key for key in _NAMED if not shown(key).isprintable()] == []


def test_where_the_file_is() -> None:
    """By the XDG Base Directory Specification 0.8: a relative path is ignored."""
    assert settings_path({"HOME": "/h"}) == Path("/h/.config/tracker/settings.toml")
    assert settings_path({"HOME": "/h", "XDG_CONFIG_HOME": "/x"}) == Path("/x/tracker/settings.toml")
    assert settings_path({"HOME": "/h", "XDG_CONFIG_HOME": "x"}) == Path("/h/.config/tracker/settings.toml")
    assert settings_path({"HOME": "/h", "TRACKER_SETTINGS": "/s.toml"}) == Path("/s.toml")
    assert settings_path({"HOME": "/h", "TRACKER_SETTINGS": ""}) is None
    assert settings_path({}) is None


def test_a_missing_file_is_the_defaults_unless_it_was_named(tmp_path: Path) -> None:
    assert load_settings({"HOME": str(tmp_path)}) == Settings()
    with pytest.raises(TrackerError, match="is not there"):
        load_settings({"TRACKER_SETTINGS": str(tmp_path / "none.toml")})
    with pytest.raises(TrackerError, match="settings are a TOML file"):
        load_settings({"TRACKER_SETTINGS": str(tmp_path)})
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe")
    with pytest.raises(TrackerError, match="is not UTF-8 text"):
        load_settings({"TRACKER_SETTINGS": str(binary)})
    good = tmp_path / "good.toml"
    good.write_text(GOOD)
    assert load_settings({"TRACKER_SETTINGS": str(good)}).theme == "light"


async def test_keys_are_those_of_the_file_everywhere(at_desk: Callable[..., Any]) -> None:
    keys = {"zero": ("Z",), "undo": ("s",), "skip": ("u",), "help": ("f2",), "quit": ("Q", "ctrl+c")}
    async with at_desk(settings=Settings(keys=keys)) as at:
        assert "Z starts the clock" in at.screen
        await at.press("1")
        assert "Z starts it" in at.said
        await at.press("z")
        assert at.kinds == []
        await at.press("Z", "1", "s")
        assert at.kinds == ["zero", "done", "withdrawn"]
        await at.press("question_mark")
        assert at.desk.view_name == "steps"
        await at.press("f2")
        assert at.desk.view_name == "help" and " Z " in at.screen and " F2 " in at.screen
        await at.press("f2", "q")
        assert "leaves the desk" not in at.said
        await at.press("Q")
        assert "Q again leaves the desk" in at.said


async def test_local_time_stands_beside_utc(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, in_zone: Callable[[str], None]
) -> None:
    in_zone("XYZ-3")
    async with at_desk(settings=Settings(local_time=True)) as at:
        assert "14:00:00 UTC  17:00 XYZ" in at.screen
    async with at_desk() as at:
        assert "XYZ" not in at.screen


@pytest.fixture
def in_zone(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Put this machine into a zone, and back."""
    import time

    def put(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield put
    monkeypatch.undo()
    time.tzset()


async def test_the_bell_rings_once_for_every_new_alert_to_act_upon(
    at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracker.console.app import TrackerApp
    from tracker.forecast.figures import Alert

    rung: list[int] = []
    monkeypatch.setattr(TrackerApp, "bell", lambda self: rung.append(1))
    one, two = (Alert(id, "words", False, severity="act") for id in "ab")
    look = Alert("c", "words", False, severity="look")
    async with at_desk(settings=Settings(bell=True)) as at:
        await at.press("z")
        for alerts, rings in (((), 0), ((one,), 1), ((one, look), 1), ((one, two), 2), ((two,), 2)):
            at.estimate(alerts=alerts)
            assert len(rung) == rings
    rung.clear()
    async with at_desk() as at:
        at.estimate(alerts=(one,))
        assert rung == []


async def test_the_theme_is_that_of_the_file(at_desk: Callable[..., Any]) -> None:
    async with at_desk(settings=Settings(theme="safe")) as at:
        assert at.desk.app.theme == "tracker-safe"
        await at.press("T")
        assert at.desk.app.theme == "tracker-dark"


async def test_a_line_is_copied(at_desk: Callable[..., Any], monkeypatch: pytest.MonkeyPatch) -> None:
    async with at_desk() as at:
        await at.press("z", "j", "down", "Y")
        assert at.desk.app.clipboard.startswith("1 0:00:00") and "desk" in at.desk.app.clipboard
        assert at.said.startswith("copied: 1 0:00:00")
        await at.press("j", "down", "Y")
        assert "Open the hatch" in at.desk.app.clipboard
        await at.press("escape", "n", "escape", "Y")
        assert at.desk.app.clipboard == "left, not written: note   the up arrow brings it back"


def test_readme_example_is_valid_and_its_ids_are_those_of_the_table() -> None:
    text = (Path(__file__).parents[2] / "plans" / "SETTINGS.md").read_text(encoding="utf-8")
    section = text.partition("The ids of the lead")[0]
    example = section.partition("```toml\n")[2].partition("```")[0]
    found = read_settings(example, "SETTINGS.md")
    assert found.bell and found.local_time and found.keys["undo"] == ("Z",)
    ids = [c.id for c in commands_of("desk") if c.id != "back" and not c.id[-1].isdigit()]
    assert ", ".join(f"`{id}`" for id in ids) in " ".join(section.split())
