"""SQLite files that several use at once: waiting for others, who they are, and errors as one line."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from typing import TypeVar

from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.journal.store import Held

_PATIENCE_S = 4.0
"""How long anybody waits for another before the journal counts as locked."""
_TELL_S = 1.0
"""How long somebody waits before it is said for whom."""
_POLL_S = (0.001, 0.002, 0.005, 0.01, 0.02)
"""How long between two tries; the last for all that follow."""
_REASONS = {
    sqlite3.SQLITE_READONLY_DBMOVED: "was moved or deleted while it was open",
    sqlite3.SQLITE_READONLY: "is read-only",
    sqlite3.SQLITE_CANTOPEN: "cannot be opened: the file or its folder is closed to this user",
    sqlite3.SQLITE_FULL: "cannot be written: the disk is full",
    sqlite3.SQLITE_IOERR: "cannot be read or written: the disk reports an error",
    sqlite3.SQLITE_NOTADB: "is not a journal",
    (_CLOSED := sqlite3.SQLITE_MISUSE): "was closed; open it again",
    **dict.fromkeys((sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR), "is a damaged journal"),
}


@contextlib.contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn an error of the database into one line that names the journal."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        code = code_of(error)
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise Held(f"{path}: is locked by {holder(path)}; nothing was written") from error
        known = _REASONS.get(code, f"the journal failed: {plain(error, most=120)}")
        reason = _REASONS.get(getattr(error, "sqlite_errorcode", code), known)
        raise JournalError(f"{path}: {reason}") from error


def code_of(error: Exception) -> int:
    """The primary result code of an error; of one without, damage or a closed connection."""
    guess = sqlite3.SQLITE_CORRUPT if not isinstance(error, sqlite3.ProgrammingError) else _CLOSED
    return int(getattr(error, "sqlite_errorcode", guess)) & 0xFF


def tell_nobody(words: str) -> None:
    """Hear for whom a seat waits, and keep it."""


T = TypeVar("T")


def patiently(path: Path, act: Callable[[], T], tell: Callable[[str], object] = tell_nobody) -> T:
    """What an act on the database returns; tried again for a while where somebody else is at it.

    The database's own waiting leaves long pauses in which a busy journal is never free.
    """
    began, told = monotonic_s(), False
    for n in count():
        try:
            return act()
        except sqlite3.OperationalError as error:
            waited = monotonic_s() - began
            if code_of(error) != sqlite3.SQLITE_BUSY or waited > _PATIENCE_S:
                raise
        if waited > _TELL_S and not told:
            told = True
            tell(f"{path}: waits for {holder(path)}")
        pause(_POLL_S[min(n, len(_POLL_S) - 1)])
    raise AssertionError


def holder(path: Path) -> str:
    """Who else has locked a file, as `sqlite3 (process 812)`, or `another program`.

    Writers are named before readers. Source: proc(5), `/proc/locks`, on Linux.
    """
    try:
        inode = path.stat().st_ino
        found = sorted(_locks(inode), key=lambda lock: lock[0] != "WRITE")
    except (OSError, ValueError):
        return "another program"
    others = [pid for _, pid in found if pid != os.getpid()]
    if others:
        return f"{_program(others[0])} (process {others[0]})"
    return "another seat of this program" if found else "another program"


def _locks(inode: int) -> Iterator[tuple[str, int]]:
    """Yield READ or WRITE, and the process, of every lock on a file that is held."""
    for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
        parts = line.split()
        if "->" not in parts and int(parts[5].rsplit(":", 1)[1]) == inode:
            yield parts[3], int(parts[4])


def _program(pid: int) -> str:
    """The name of a process; of an interpreter, that of what it runs."""
    words = Path(f"/proc/{pid}/cmdline").read_bytes().decode("utf-8", "replace").split("\0")
    names = [os.path.basename(word) for word in words if word]
    if len(names) > 1 and names[0].startswith("python") and not names[1].startswith("-"):
        names = names[1:]
    return plain(names[0], most=40) if names else "a program"
