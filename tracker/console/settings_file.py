"""The settings file: its documented form, and everything that is wrong with one, in a line each."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, ValidationError

from tracker.console.commands import COMMANDS
from tracker.console.keys import key_faults, keys_of
from tracker.console.settings import Settings
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


def read_settings(text: str, name: str) -> Settings:
    """Return the settings in a file's text; TrackerError with one line a fault, `name: key: what; better`."""
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        words = f'{name}: is not TOML: {plain(error)}; write lines such as theme = "light"'
        raise TrackerError(words) from error
    try:
        found = SettingsFile.model_validate(given)
    except ValidationError as error:
        said = dict.fromkeys(f"{name}: {_said(one)}" for one in error.errors())
        raise TrackerError(*said) from error
    keys = {id: (value,) if isinstance(value, str) else tuple(value) for id, value in found.keys.items()}
    faults = key_faults(keys, COMMANDS)
    if faults:
        raise TrackerError(*(f"{name}: keys.{fault}" for fault in faults))
    return Settings(found.theme, found.local_time, found.bell, keys_of(keys))


_BETTER: Mapping[str, str] = {
    "theme": "write dark, light, contrast or safe",
    "local_time": "write true or false",
    "bell": "write true or false",
    "keys": 'write a key or a list of keys, as undo = "Z"',
}


def _said(error: Mapping[str, object]) -> str:
    place = error["loc"]
    parts = [str(part) for part in place] if isinstance(place, tuple) else []
    if error["type"] == "extra_forbidden":
        return f"{plain('.'.join(parts))}: is not a setting; there are {', '.join(SettingsFile.model_fields)}"
    where = ".".join(parts[:2] if parts[:1] == ["keys"] else parts[:1])
    given = plain(repr(error["input"]), most=40)
    return f"{plain(where)}: {given} does not fit; {_BETTER.get(parts[0], 'see the README') if parts else ''}"
