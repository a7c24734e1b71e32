"""Writes exports: whole or not at all, to a file or to standard output, and never over a journal."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from tracker.foundation.errors import TrackerError, WrongUsage

_SQLITE = b"SQLite format 3\x00"


def check_targets(targets: Iterable[str], journals: Iterable[str | Path]) -> None:
    """Raise TrackerError when an export would replace a journal, WrongUsage when two go to one place."""
    sources = {Path(journal).resolve() for journal in journals}
    seen: set[str] = set()
    for target in targets:
        place = target if target == "-" else str(Path(target).resolve())
        if place in seen:
            raise WrongUsage(f"{target}: two exports cannot go to the same place; give each its own")
        seen.add(place)
        if target != "-" and (Path(target).resolve() in sources or _is_database(Path(target))):
            raise TrackerError(f"{target}: is a journal, which an export may not replace; give another name")


def _is_database(path: Path) -> bool:
    if not path.is_file():
        return False
    try:
        with path.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError as error:
        raise TrackerError(f"{path}: cannot be looked at: {error.strerror}; give another name") from error


def write_out(target: str, chunks: Iterable[str]) -> None:
    """Write text to a file, replacing it only once all of it is on disk; `-` is standard output.

    Raises TrackerError when the file cannot be written; what was there before is then unharmed.
    """
    if target == "-":
        sys.stdout.writelines(chunks)
        return
    path = Path(target)
    try:
        _replace(path, chunks)
    except OSError as error:
        raise TrackerError(f"{target}: cannot be written: {error.strerror}; give another place") from error


def _replace(path: Path, chunks: Iterable[str]) -> None:
    if path.is_dir():
        raise IsADirectoryError(21, "is a folder")
    if path.exists() and not path.is_file():
        # A device or a pipe is written to as it stands.
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(chunks)
        return
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.writelines(chunks)
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~mask)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise
