"""Journals as files: looked at before a database touches them, put in place whole or not at all, and shared.

What is no journal stays exactly as it was. Where somebody else is at a file, a seat waits, says for whom,
and an error of the database is one line.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from tracker.foundation import output
from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.journal.store import APPLICATION_ID, FORMAT, Held

_MAGIC = b"SQLite format 3\x00"
_WAL = 2
"""The version of a file that is written ahead, in bytes 18 and 19 of its header."""


def look(path: Path) -> bool:
    """Whether an older program may keep events in a write-ahead file beside the journal at `path`.

    Raises JournalError, in one line, unless the file has the header of a journal we can read.
    """
    try:
        found = path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise JournalError(f"{path}: is a folder, not a journal")
        if not stat.S_ISREG(found.st_mode):
            raise JournalError(f"{path}: is not a file, so it is not a journal")
        header = _header(path, found)
    except FileNotFoundError as error:
        raise JournalError(f"{path}: there is no such journal") from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise JournalError(f"{path}: cannot be read: {reason}") from error
    _check_header(path, header, found.st_size)
    return _WAL in header[18:20]


def _header(path: Path, found: os.stat_result) -> bytes:
    """The first 100 bytes of a file.

    Where this process has it open they are read through that: to close the file would end the locks that
    another of its connections holds (fcntl(2)).
    """
    for name in os.listdir("/dev/fd") if os.path.isdir("/dev/fd") else ():
        with contextlib.suppress(OSError, ValueError):
            handle = int(name)
            mine = os.fstat(handle)
            if (mine.st_dev, mine.st_ino) == (found.st_dev, found.st_ino):
                return os.pread(handle, 100, 0)
    with path.open("rb") as file:
        return file.read(100)


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
    if size >= whole or beside(path) or os.path.exists(f"{path.resolve()}-journal"):
        return
    # Its length was taken before: a writer may have ended meanwhile, and all that it wrote be there.
    if (size := path.stat().st_size) < whole:
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


_COPIES = 5
_RESCUE = "; where it is gone for good, `tracker rescue` makes it anew from the outbox"


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

    def touched(self) -> int:
        """When somebody last wrote the file, in nanoseconds."""
        return _signature(self.path)[2]

    def has_other_names(self) -> bool:
        """Whether there are hard links to the file."""
        return self.path.stat().st_nlink > 1

    def overtaken(self) -> bool:
        """Whether somebody has begun to write, or mended, the file that was opened as quiet."""
        return self.quiet and _signature(self.path) != self._signature


def _signature(path: Path) -> tuple[int, ...]:
    """The marks that change when a journal is replaced, written or mended; JournalError when it is gone."""
    try:
        found = path.stat()
    except OSError as error:
        raise JournalError(f"{path}: was moved or deleted while it was open{_RESCUE}") from error
    unfinished = os.path.exists(f"{path.resolve()}-journal")
    return found.st_dev, found.st_ino, found.st_mtime_ns, found.st_size, unfinished, beside(path)


def private_copy(path: Path) -> tuple[TemporaryDirectory[str], Path]:
    """Copy a journal and what lies beside it into a folder of our own; return both.

    Copied once more where somebody wrote meanwhile.
    """
    folder = TemporaryDirectory(prefix="journal-")
    copy = Path(folder.name) / "copy.sqlite"
    for _ in range(_COPIES):
        before = _signature(path)
        for end in ("", "-wal", "-journal"):
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(f"{path.resolve()}{end}", f"{copy}{end}")
        if _signature(path) == before:
            break
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
        raise JournalError(
            f"{path}: exists already, and a journal is never overwritten; `tracker run` goes on"
        ) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise JournalError(f"{path}: cannot be created: {reason}") from error


def _check_free(path: Path) -> None:
    if path.is_dir():
        raise JournalError(f"{path}: is a folder; a journal is a file")
    if os.path.lexists(path):
        raise JournalError(
            f"{path}: exists already, and a journal is never overwritten; `tracker run` goes on"
        )
    for end in ("-wal", "-shm", "-journal"):
        if os.path.lexists(f"{path}{end}"):
            raise JournalError(
                f"{path}{end}: is left of another journal; move it away or choose another name"
            )


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
    sqlite3.SQLITE_NOTADB: "is not a {what}",
    (_CLOSED := sqlite3.SQLITE_MISUSE): "was closed; open it again",
    **dict.fromkeys((sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR), "is a damaged {what}"),
}


@contextlib.contextmanager
def told(path: Path, what: str = "journal") -> Iterator[None]:
    """Turn an error of the database into one line that names the journal, or what else the file is."""
    try:
        yield
    except (sqlite3.Error, UnicodeDecodeError) as error:
        code = code_of(error)
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise Held(f"{path}: is locked by {holder(path)}; nothing was written") from error
        reason = _REASONS.get(getattr(error, "sqlite_errorcode", code)) or _REASONS.get(code)
        reason = reason.format(what=what) if reason else f"the {what} failed: {plain(error, most=120)}"
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
