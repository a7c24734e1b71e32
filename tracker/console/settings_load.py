"""Where a seat's settings file is, and what stands in it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from tracker.console.settings import Settings
from tracker.foundation.errors import TrackerError

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
    from tracker.console.settings_file import read_settings

    return read_settings(text, str(path))
