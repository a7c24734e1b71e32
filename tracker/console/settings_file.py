"""The settings file: its documented form, and everything that is wrong with one, in a line each.

Where a seat's settings file is, and what stands in it.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, ValidationError

from tracker.console.commands import BY_ID, Where
from tracker.console.settings import Settings, key_faults, keys_of
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import plain


class SettingsFile(BaseModel):
    """`settings.toml`. Every key is optional; unknown ones are refused."""

    model_config = ConfigDict(extra="forbid")

    theme: Literal["dark", "light", "contrast", "safe"] = "dark"
    """The looks at the start: `contrast` is high contrast, `safe` is safe for colour-blind eyes."""
    local_time: StrictBool = False
    """Show the time of this machine's zone beside UTC."""
    bell: StrictBool = False
    """Ring the terminal's bell once for every new alert."""
    keys: dict[str, str | list[str]] = Field(default_factory=dict)
    """Keys by id of a command of the desk, in place of its own: `undo = "Z"`, `late = ["minus", "_"]`."""
    lead_keys: dict[str, str | list[str]] = Field(default_factory=dict)
    """Keys by id of a command of the lead's view, in place of its own: `mark = "S"`."""


def read_settings(text: str, name: str) -> Settings:
    """Return the settings in a file's text; TrackerError with one line a fault, `name: key: what; better`."""
    try:
        given = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        what = (
            plain(error)
            if isinstance(error, tomllib.TOMLDecodeError)
            else "a number is too long, or too much nested"
        )
        words = f'{name}: is not TOML: {what}; write lines such as theme = "light"'
        raise TrackerError(words) from error
    faults: dict[str, str] = {}
    try:
        found = SettingsFile.model_validate(given)
    except ValidationError as error:
        for one in error.errors():
            faults.setdefault(_place(one), _said(one))
        keys, lead_keys = _readable(given.get("keys")), _readable(given.get("lead_keys"))
        found = SettingsFile.model_construct(keys=keys, lead_keys=lead_keys)
    desk, lead = _every(found.keys), _every(found.lead_keys)
    told = [*faults.values()]
    told += [f"keys.{fault}" for fault in key_faults(desk, _keys("desk"))]
    told += [f"lead_keys.{fault}" for fault in key_faults(lead, _keys("lead"))]
    if told:
        raise TrackerError(*(f"{name}: {fault}" for fault in told))
    return Settings(found.theme, found.local_time, found.bell, keys_of(desk), keys_of(lead))


def _readable(given: object) -> dict[str, str | list[str]]:
    """Return those keys whose form is right, so that what they name is looked at in the same run."""
    table = given if isinstance(given, Mapping) else {}
    return {
        str(id): value
        for id, value in table.items()
        if isinstance(value, str) or (isinstance(value, list) and all(isinstance(key, str) for key in value))
    }


def _keys(where: Where) -> dict[str, tuple[str, ...]]:
    """Return the keys of a screen's commands, by id."""
    return {id: command.keys for id, command in BY_ID[where].items()}


def _every(given: Mapping[str, str | list[str]]) -> dict[str, tuple[str, ...]]:
    return {id: (value,) if isinstance(value, str) else tuple(value) for id, value in given.items()}


_BETTER: Mapping[str, str] = {
    "theme": "write dark, light, contrast or safe",
    "local_time": "write true or false",
    "bell": "write true or false",
    "keys": 'write a key or a list of keys, as undo = "Z"',
    "lead_keys": 'write a key or a list of keys, as mark = "S"',
}


def _parts(error: Mapping[str, object]) -> list[str]:
    place = error["loc"]
    return [str(part) for part in place] if isinstance(place, tuple) else []


def _place(error: Mapping[str, object]) -> str:
    """Return where a fault is: a setting, or a key of a table."""
    parts = _parts(error)
    return ".".join(parts[:2] if parts[:1] in (["keys"], ["lead_keys"]) else parts[:1])


def _said(error: Mapping[str, object]) -> str:
    parts = _parts(error)
    if error["type"] == "extra_forbidden":
        return f"{plain('.'.join(parts))}: is not a setting; there are {', '.join(SettingsFile.model_fields)}"
    given = plain(repr(error["input"]), most=40)
    better = _BETTER.get(parts[0], "see the README") if parts else ""
    return f"{plain(_place(error))}: {given} does not fit; {better}"


PLACE = "TRACKER_SETTINGS"
"""Environment variable with the path of the file; empty: no file is read."""


def settings_path(environment: Mapping[str, str] = os.environ) -> Path | None:
    """Return where the settings file is looked for; None: nowhere.

    Source: XDG Base Directory Specification 0.8 (relative paths in XDG_CONFIG_HOME are ignored).
    """
    told = environment.get(PLACE)
    if told is not None:
        return Path(told).expanduser() if told.strip() else None
    base = environment.get("XDG_CONFIG_HOME", "")
    home = environment.get("HOME", "")
    if not os.path.isabs(base):
        if not home:
            return None
        base = os.path.join(home, ".config")
    return Path(base) / "tracker" / "settings.toml"


def load_settings(environment: Mapping[str, str] = os.environ) -> Settings:
    """Return the settings of this seat; TrackerError has a line for each fault of the file."""
    path = settings_path(environment)
    if path is None:
        return Settings()
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        if PLACE in environment:
            raise TrackerError(f"{path}: is not there; {PLACE} names it, set it to another path") from None
        return Settings()
    except (OSError, ValueError) as error:
        words = error.strerror if isinstance(error, OSError) else "is not UTF-8 text"
        raise TrackerError(f"{path}: {words}; settings are a TOML file") from error
    # What validates is imported only where there is something to validate: the first frame comes sooner.

    return read_settings(text, str(path))
