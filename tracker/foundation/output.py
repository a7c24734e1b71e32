"""Files that are written whole or not at all, and never over a journal.

A file is made beside its place and gets its name once all of it is on disk: in place of what was there before
(`write_out`), or only where nothing was (`put_new`, `write_new`).
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable, Iterable
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
    try:
        _replace(Path(target), chunks)
    except OSError as error:
        raise TrackerError(f"{target}: cannot be written: {error.strerror}; give another place") from error


def _replace(path: Path, chunks: Iterable[str]) -> None:
    """Write text in UTF-8 in place of what a file held, keeping its mode; OSError, and no harm, if not."""
    if path.is_dir():
        raise IsADirectoryError(21, "is a folder")
    if path.exists() and not path.is_file():
        # A device or a pipe is written to as it stands.
        with path.open("w", encoding="utf-8", newline="") as file:
            file.writelines(chunks)
        return
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        os.close(handle)
        _write(Path(name), chunks)
        os.chmod(name, path.stat().st_mode & 0o777 if path.exists() else _usual_mode())
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


def write_new(path: Path, chunks: Iterable[str]) -> None:
    """Write text in UTF-8 into a file that is not there yet; errors as in `put_new`."""
    put_new(path, lambda made: _write(made, chunks))


def put_new(path: Path, make: Callable[[Path], None]) -> None:
    """Let `make` write a new file, then give it its name: never a part of it, never over another file.

    Raises FileExistsError when the name is taken, and OSError when the folder refuses.
    """
    with tempfile.TemporaryDirectory(prefix=".new-", dir=path.parent) as folder:
        made = Path(folder) / f"new{path.suffix}"
        make(made)
        _name(made, path)
    _sync(path.parent)


def _write(path: Path, chunks: Iterable[str]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(chunks)
        file.flush()
        os.fsync(file.fileno())


def _usual_mode() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _name(made: Path, path: Path) -> None:
    """Give a finished file its name; FileExistsError when somebody else has taken it meanwhile."""
    try:
        os.link(made, path)
    except FileExistsError:
        raise
    except OSError:
        # File systems without links: claim the name first, then replace the claim, which is ours.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        made.replace(path)


def _sync(folder: Path) -> None:
    """Make a new name in a folder durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
