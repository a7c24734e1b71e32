"""Who holds a lock on a file, in words, where the system says so."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from tracker.foundation.text import plain


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
