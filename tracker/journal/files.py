"""Journals as files: looked at before a database touches them, and put in place whole or not at all.

What is no journal stays exactly as it was.
"""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from tracker.foundation import output
from tracker.foundation.errors import JournalError
from tracker.journal.store import APPLICATION_ID, FORMAT

_MAGIC = b"SQLite format 3\x00"


def look(path: Path) -> None:
    """Raise JournalError, in one line, unless the file at `path` has the header of a journal we can read."""
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise JournalError(f"{path}: is a folder, not a journal")
        if not stat.S_ISREG(found.st_mode):
            raise JournalError(f"{path}: is not a file, so it is not a journal")
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError as error:
        raise JournalError(f"{path}: there is no such journal") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise JournalError(f"{path}: cannot be read: {reason}") from error
    _check_header(path, header, found.st_size)


def _check_header(path: Path, header: bytes, size: int) -> None:
    """Check the first 100 bytes (https://www.sqlite.org/fileformat2.html, section 1.3)."""
    if not header:
        raise JournalError(f"{path}: is empty, not a journal")
    if not header.startswith(_MAGIC):
        damaged = _MAGIC.startswith(header[:16]) or header[68:72] == APPLICATION_ID.to_bytes(4, "big")
        raise JournalError(f"{path}: {'is a damaged journal' if damaged else 'is not a journal'}")
    if len(header) < 100:
        raise JournalError(f"{path}: is cut off after {size} bytes")
    if int.from_bytes(header[68:72], "big") != APPLICATION_ID:
        raise JournalError(f"{path}: is a SQLite database, but not a journal")
    written = int.from_bytes(header[60:64], "big")
    if written > FORMAT:
        raise JournalError(
            f"{path}: was written by a newer program (journal format {written}; this program reads {FORMAT})"
        )
    _check_length(path, header, size)


def _check_length(path: Path, header: bytes, size: int) -> None:
    """Refuse a file that is shorter than its header says, unless pages may still be in the file beside it."""
    page = int.from_bytes(header[16:18], "big")
    whole = (65536 if page == 1 else page) * int.from_bytes(header[28:32], "big")
    if size < whole and not beside(path):
        raise JournalError(f"{path}: is cut off after {size} of {whole} bytes")


def beside(path: Path) -> bool:
    """Whether a write-ahead file with something in it lies beside the journal."""
    try:
        return os.stat(f"{path.resolve()}-wal").st_size > 0
    except OSError:
        return False


def writable(path: Path) -> None:
    """Raise JournalError when the journal, or the folder that must hold the file beside it, is read-only."""
    if not os.access(path, os.W_OK):
        raise JournalError(f"{path}: is read-only; `tracker copy` makes a copy that can be written")
    if not os.access(path.parent, os.W_OK):
        raise JournalError(
            f"{path}: its folder is read-only; `tracker copy` makes a copy that can be written"
        )


class Opened:
    """A journal's file as it was when it was opened, to see whether it still is."""

    def __init__(self, path: Path, *, quiet: bool = False) -> None:
        """Look at the file; JournalError when it is gone."""
        self.path = path
        self.quiet = quiet
        """Whether it was opened as a file that nobody writes; `overtaken` says when that is over."""
        self._signature = _signature(path)

    def still_there(self) -> None:
        """Raise JournalError when the file was moved, deleted or replaced: what is written would be lost."""
        if _signature(self.path)[:2] != self._signature[:2]:
            raise JournalError(f"{self.path}: was replaced by another file while it was open")

    def overtaken(self) -> bool:
        """Whether somebody has begun to write the file that was opened as quiet."""
        return self.quiet and (beside(self.path) or _signature(self.path) != self._signature)


def _signature(path: Path) -> tuple[int, int, int, int]:
    """The marks that change when the main file is replaced or written; JournalError when it is gone."""
    try:
        found = path.stat()
    except OSError as error:
        raise JournalError(f"{path}: was moved or deleted while it was open") from error
    return found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size


def private_copy(path: Path) -> tuple[TemporaryDirectory[str], Path]:
    """Copy a journal and the write-ahead file beside it into a folder of our own; return both."""
    folder = TemporaryDirectory(prefix="journal-")
    copy = Path(folder.name) / "copy.sqlite"
    for end in ("", "-wal"):
        shutil.copyfile(f"{path.resolve()}{end}", f"{copy}{end}")
    return folder, copy


def put_new(path: Path, make: Callable[[Path], None]) -> None:
    """Let `make` write a new journal, which then gets its name, and its folder where there is none.

    Raises JournalError when the name is taken or the folder refuses.
    """
    _check_free(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        output.put_new(path, make)
    except FileExistsError as error:
        raise JournalError(f"{path}: exists already, and a journal is never overwritten") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise JournalError(f"{path}: cannot be created: {reason}") from error


def _check_free(path: Path) -> None:
    if path.is_dir():
        raise JournalError(f"{path}: is a folder; a journal is a file")
    if os.path.lexists(path):
        raise JournalError(f"{path}: exists already, and a journal is never overwritten")
    for end in ("-wal", "-shm", "-journal"):
        if os.path.lexists(f"{path}{end}"):
            raise JournalError(
                f"{path}{end}: is left of another journal; move it away or choose another name"
            )
