"""A fault of the program itself: what is told of it, and where all of it can be read."""

from __future__ import annotations

import os
import platform
import traceback
from datetime import datetime
from pathlib import Path

from tracker import __version__
from tracker.foundation.errors import TrackerError
from tracker.foundation.output import write_out
from tracker.foundation.text import plain


def reported(fault: BaseException, utc: datetime, beside: Path | None) -> list[str]:
    """Write a report of a fault beside a journal, or into this user's state folder; the lines to be said.

    Nothing of the plan, or of what was typed, is in the lines.
    """
    name = f"fault-{utc:%Y%m%dT%H%M%SZ}.txt"
    path = beside.with_suffix(f".{name}") if beside is not None else _state() / name
    said = f"the screen ended by a fault of the program ({type(fault).__name__}); what was saved is saved"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_out(str(path), _report(fault, utc), beside=beside)
    except (TrackerError, OSError) as error:
        return [said, f"no report could be written: {plain(error, most=200)}"]
    return [said, f"report: {path}"]


def _state() -> Path:
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "tracker"


def _report(fault: BaseException, utc: datetime) -> list[str]:
    where = f"tracker {__version__}, Python {platform.python_version()}, {platform.platform()}"
    terminal = f"{os.environ.get('TERM', '-')}, {os.environ.get('COLUMNS', '-')} columns asked for"
    lines = [where, f"terminal: {terminal}", f"at {utc:%Y-%m-%dT%H:%M:%SZ}", ""]
    return [f"{line}\n" for line in lines] + traceback.format_exception(fault)
