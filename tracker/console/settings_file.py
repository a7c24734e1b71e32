"""The settings file: its documented form, and everything that is wrong with one, in a line each."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, ValidationError

from tracker.console.commands import COMMANDS
from tracker.console.keys import key_faults, keys_of
from tracker.console.lead_commands import LEAD_COMMANDS
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
    lead_keys: dict[str, str | list[str]] = Field(default_factory=dict)
    """Keys by id of a command of the lead's view, in place of its own: `mark = "S"`."""


def read_settings(text: str, name: str) -> Settings:
    """Return the settings in a file's text; TrackerError with one line a fault, `name: key: what; better`."""
    try:
        given = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        words = f'{name}: is not TOML: {plain(error)}; write lines such as theme = "light"'
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
    told += [f"keys.{fault}" for fault in key_faults(desk, COMMANDS)]
    told += [f"lead_keys.{fault}" for fault in key_faults(lead, LEAD_COMMANDS)]
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
