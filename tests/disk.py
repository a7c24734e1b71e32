"""A disk under SQLite that remembers what was written and what was synced, loses power, fails when told.

It stands between the library that Python's `sqlite3` uses and the files: every write, sync, cut and removal
of a file goes through it. What was never synced may be lost, in part or in any order, once the power goes; so
does a real disk that keeps its word on syncs alone. Syncs themselves are only noted, so it is fast.
"""

from __future__ import annotations

import _sqlite3
import contextlib
import ctypes as c
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

SECTOR = 512
FULL, IO_ERROR = 13, 10
"""What SQLite calls a disk without room, and one that refuses."""
_FILE_CALLS = "xClose xRead xWrite xTruncate xSync xFileSize xLock xUnlock xCheckReservedLock xFileControl"
_FILE_CALLS += " xSectorSize xDeviceCharacteristics xShmMap xShmLock xShmBarrier xShmUnmap xFetch xUnfetch"
_DISK_CALLS = "xOpen xDelete xAccess xFullPathname xDlOpen xDlError xDlSym xDlClose xRandomness xSleep"
_DISK_CALLS += " xCurrentTime xGetLastError xCurrentTimeInt64 xSetSystemCall xGetSystemCall xNextSystemCall"


class _Methods(c.Structure):
    _fields_ = [("iVersion", c.c_int), *((name, c.c_void_p) for name in _FILE_CALLS.split())]


class _File(c.Structure):
    _fields_ = [("methods", c.POINTER(_Methods))]


class _Vfs(c.Structure):
    _fields_ = [
        ("iVersion", c.c_int),
        ("szOsFile", c.c_int),
        ("mxPathname", c.c_int),
        ("pNext", c.c_void_p),
        ("zName", c.c_char_p),
        ("pAppData", c.c_void_p),
        *((name, c.c_void_p) for name in _DISK_CALLS.split()),
    ]


_CLOSE = c.CFUNCTYPE(c.c_int, c.c_void_p)
_WRITE = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_void_p, c.c_int, c.c_int64)
_CUT = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_int64)
_SYNC = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_int)
_OPEN = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_void_p, c.c_void_p, c.c_int, c.POINTER(c.c_int))
_DELETE = c.CFUNCTYPE(c.c_int, c.c_void_p, c.c_char_p, c.c_int)


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that was asked of the disk."""

    kind: str
    """write, cut, sync, open, delete."""
    path: str
    at: int = 0
    """Where it was written, to which length it was cut, whether a removal was synced."""
    data: bytes = b""


@dataclass
class Disk:
    """What was asked of it so far, and how it answers."""

    deeds: list[Deed] = field(default_factory=list)
    first: dict[str, bytes] = field(default_factory=dict)
    """What was in files before anything was asked."""
    refuses: Callable[[Deed], int] = lambda deed: 0
    """What it answers a deed with, before it is done; 0 does it."""

    def after(self, power_cut: int, random: Random) -> dict[str, bytes]:
        """The files that are found once the power went after so many deeds."""
        files: dict[str, _Kept] = {path: _Kept(data) for path, data in self.first.items()}
        for deed in self.deeds[:power_cut]:
            files.setdefault(deed.path, _Kept(None)).take(deed)
        found = {path: kept.found(random) for path, kept in files.items()}
        return {path: data for path, data in found.items() if data is not None}


@dataclass
class _Kept:
    """One file: as it was synced, and what was done since."""

    synced: bytes | None
    since: list[Deed] = field(default_factory=list)

    def take(self, deed: Deed) -> None:
        if deed.kind == "sync":
            content = self.synced or b""
            for one in self.since:
                content = _done(content, one)
            self.synced, self.since = content, []
        elif deed.kind == "delete" and deed.at:
            self.synced, self.since = None, []
        else:
            self.since.append(deed)

    def found(self, random: Random) -> bytes | None:
        """What of it is found: of what was not synced anything may be missing."""
        content = self.synced
        for deed in self.since:
            if random.random() < 0.5:
                continue
            if deed.kind == "delete":
                content = None
            elif content is not None or deed.kind == "open":
                content = _done(content or b"", _torn(deed, random))
        return content


def _done(content: bytes, deed: Deed) -> bytes:
    if deed.kind == "cut":
        return content[: deed.at].ljust(deed.at, b"\0")
    if deed.kind == "delete":
        return b""
    if deed.kind == "write":
        return content[: deed.at].ljust(deed.at, b"\0") + deed.data + content[deed.at + len(deed.data) :]
    return content


def _torn(deed: Deed, random: Random) -> Deed:
    """A write of which only some sectors arrived."""
    if deed.kind != "write" or random.random() < 0.5:
        return deed
    first = SECTOR * random.randrange(len(deed.data) // SECTOR + 1)
    last = first + SECTOR * random.randrange(len(deed.data) // SECTOR + 1)
    return Deed("write", deed.path, deed.at + first, deed.data[first:last])


_EVERY: list[_Shim] = []
"""A connection that nobody closed may call on one long after."""


@contextlib.contextmanager
def watched(folder: Path) -> Iterator[Disk]:
    """Have all that SQLite does to files of a folder go through a disk."""
    library = c.CDLL(_sqlite3.__file__)
    library.sqlite3_vfs_find.restype = c.POINTER(_Vfs)
    before = library.sqlite3_vfs_find(None)
    disk = Disk(first={str(path): path.read_bytes() for path in folder.rglob("*") if path.is_file()})
    shim = _Shim(disk, folder, before)
    _EVERY.append(shim)
    library.sqlite3_vfs_register(c.byref(shim.vfs), 1)
    try:
        yield disk
    finally:
        library.sqlite3_vfs_unregister(c.byref(shim.vfs))
        library.sqlite3_vfs_register(before, 1)


class _Shim:
    """The system's own way to files, with four of its calls on files and two on names gone round."""

    def __init__(self, disk: Disk, folder: Path, before: Any) -> None:
        self._disk, self._folder, self._before = disk, str(folder), before
        self._paths: dict[int, str] = {}
        self._methods: dict[int, _Methods] = {}
        self._kept: list[Any] = []
        self.vfs = _Vfs.from_buffer_copy(before.contents)
        self.vfs.zName = b"watched"
        self._open_first = _OPEN(before.contents.xOpen)
        self._delete_first = _DELETE(before.contents.xDelete)
        self.vfs.xOpen = self._call(_OPEN(self._open))
        self.vfs.xDelete = self._call(_DELETE(self._delete))

    def _call(self, function: Any) -> Any:
        self._kept.append(function)
        return c.cast(function, c.c_void_p)

    def _asked(self, deed: Deed, do: Callable[[], int]) -> int:
        answer = self._disk.refuses(deed) or do()
        if not answer:
            self._disk.deeds.append(deed)
        return answer

    def _open(self, vfs: Any, name: Any, file: Any, flags: int, out: Any) -> int:
        path = c.string_at(name).decode() if name else ""
        there = Path(path).exists() if path else True
        answer = self._open_first(c.addressof(self._before.contents), name, file, flags, out)
        found = c.cast(file, c.POINTER(_File)).contents
        if answer or not path.startswith(self._folder) or not found.methods:
            return int(answer)
        if not there:
            self._disk.deeds.append(Deed("open", path))
        self._paths[file] = path
        found.methods = c.pointer(self._gone_round(found.methods))
        return 0

    def _gone_round(self, methods: Any) -> _Methods:
        """The calls on a file of one kind, four of them gone round."""
        first = c.addressof(methods.contents)
        if first not in self._methods:
            made = _Methods.from_buffer_copy(methods.contents)
            close, write = _CLOSE(made.xClose), _WRITE(made.xWrite)
            cut = _CUT(made.xTruncate)

            def on_close(file: Any) -> int:
                self._paths.pop(file, None)
                return int(close(file))

            def on_write(file: Any, data: Any, size: int, at: int) -> int:
                deed = Deed("write", self._paths[file], at, c.string_at(data, size))
                return self._asked(deed, lambda: int(write(file, data, size, at)))

            def on_cut(file: Any, size: int) -> int:
                return self._asked(Deed("cut", self._paths[file], size), lambda: int(cut(file, size)))

            def on_sync(file: Any, flags: int) -> int:
                return self._asked(Deed("sync", self._paths[file]), lambda: 0)

            made.xClose, made.xWrite = self._call(_CLOSE(on_close)), self._call(_WRITE(on_write))
            made.xTruncate, made.xSync = self._call(_CUT(on_cut)), self._call(_SYNC(on_sync))
            self._methods[first] = made
        return self._methods[first]

    def _delete(self, vfs: Any, name: bytes, synced: int) -> int:
        deed = Deed("delete", name.decode(), synced)
        whole = c.addressof(self._before.contents)
        return self._asked(deed, lambda: int(self._delete_first(whole, name, 0)))
