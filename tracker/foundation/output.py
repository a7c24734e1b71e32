"""Files that are written whole or not at all, and never over what people made.

A file is made beside its place and gets its name once all of it is on disk: in place of what was there before
(`write_out`), or only where nothing was (`put_new`, `write_new`).
"""

from __future__ import annotations

import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from tracker.foundation.errors import TrackerError, WrongUsage
from tracker.foundation.text import plain

Chunks = Iterable[str] | Iterable[bytes]
"""Pieces of a text, or of bytes, of which a file is made."""

_SQLITE = b"SQLite format 3\x00"


def state_folder() -> Path:
    """The folder in which the program keeps what is this user's alone."""
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "tracker"


def check_targets(targets: Iterable[str], journals: Iterable[str | Path]) -> None:
    """Raise TrackerError when an export may not go to its place, WrongUsage when two go to one."""
    sources = {Path(journal).resolve() for journal in journals}
    seen: set[str] = set()
    for target in targets:
        place = target if target == "-" else str(Path(target).resolve())
        if place in seen:
            raise WrongUsage(f"{target}: two exports cannot go to the same place; give each its own")
        seen.add(place)
        if target != "-":
            if Path(target).resolve() in sources:
                raise TrackerError(f"{target}: is a journal, which an export may not replace; {_ANOTHER}")
            _check_place(Path(target))


_ANOTHER = "give another name"


def _check_place(path: Path) -> None:
    """Raise TrackerError when nothing may be written at a place: over what people made, through a link."""
    try:
        if path.is_symlink() and (path.is_file() or not path.exists()):
            raise TrackerError(f"{path}: is a link, which an export does not follow; {_ANOTHER}")
        what = _made_by_people(path) if path.is_file() else None
    except OSError as error:
        raise TrackerError(f"{path}: cannot be looked at: {error.strerror}; {_ANOTHER}") from error
    if what is not None:
        raise TrackerError(f"{path}: is {what}, which an export may not replace; {_ANOTHER}")


def _made_by_people(path: Path) -> str | None:
    """What a file is that nothing the program writes can stand in for; None for any other."""
    with path.open("rb") as file:
        head = file.read(_LOOKED_AT)
    if head.startswith(_SQLITE):
        return "a journal"
    keys = set(_json_keys(head) or _KEYS.findall(head))
    if keys >= {b"excursion", b"crew", b"tasks", b"limits", b"zero"}:
        return "a plan"
    if b"format" in keys and keys & {b"pace", b"noise", b"work"} and b"learned_from" not in keys:
        return "a pace file that somebody wrote by hand"
    return "a settings file" if _SETTINGS.search(head) else None


_LOOKED_AT = 10_000_000
_KEYS = re.compile(rb"^([a-z_]+):", re.MULTILINE)
_SETTINGS = re.compile(rb"^(?:(?:theme|local_time|bell) *=|\[(?:lead_)?keys\])", re.MULTILINE)


def _json_keys(head: bytes) -> list[bytes]:
    """The keys of a JSON object; none where it is no such thing."""
    if not head.lstrip().startswith(b"{"):
        return []
    try:
        return [key.encode() for key in json.loads(head)]
    except (ValueError, RecursionError):
        return []


def write_out(target: str, chunks: Chunks, *, beside: Path | None = None) -> None:
    """Write text to a file, replacing it only once all of it is on disk; `-` is standard output.

    `beside`: a file whose mode the new one gets. Raises TrackerError when the file cannot be written, is a
    link, or is a journal, a plan, settings or a pace file of somebody's own; it is then unharmed.
    """
    if target == "-":
        for chunk in chunks:
            if isinstance(chunk, str):
                sys.stdout.write(chunk)
            else:
                sys.stdout.buffer.write(chunk)
        return
    _check_place(Path(target))
    try:
        _replace(Path(target), chunks, beside)
    except OSError as error:
        raise TrackerError(f"{target}: cannot be written: {error.strerror}; give another place") from error


def write_told(target: str, chunks: Chunks) -> None:
    """Write as `write_out`, and tell on standard error what was written."""
    write_out(target, chunks)
    if target != "-":
        print(f"{plain(target)}: written", file=sys.stderr)


def _replace(path: Path, chunks: Chunks, beside: Path | None) -> None:
    """Write text in UTF-8 in place of what a file held; OSError, and no harm, if not."""
    if path.is_dir():
        raise IsADirectoryError(21, "is a folder")
    if path.exists() and not path.is_file():
        # A device or a pipe is written to as it stands.
        with path.open("wb") as device:
            device.writelines(_encoded(chunks))
        return
    like = beside or (path if path.exists() else None)
    mode = like.stat().st_mode & 0o777 if like else _usual_mode()
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        os.close(handle)
        _write(Path(name), chunks)
        os.chmod(name, mode)
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise


def write_new(target: str, chunks: Chunks, right: str = "give another name, or move the file away") -> None:
    """Write a file that is not there yet; `-` is standard output.

    Raises TrackerError when it is there, and then says what would be right, or cannot be written.
    """
    if target == "-":
        write_out(target, chunks)
        return
    try:
        put_new(Path(target), lambda made: _write(made, chunks))
    except FileExistsError:
        raise TrackerError(f"{target}: is already there and stays as it is; {right}") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise TrackerError(f"{target}: cannot be written: {reason}; give another place") from None


def put_new(path: Path, make: Callable[[Path], None]) -> None:
    """Let `make` write a new file, then give it its name: never a part of it, never over another file.

    Raises FileExistsError when the name is taken, and OSError when the folder refuses.
    """
    with tempfile.TemporaryDirectory(prefix=".new-", dir=path.parent) as folder:
        made = Path(folder) / f"new{path.suffix}"
        make(made)
        _name(made, path)
    _sync(path.parent)


def _encoded(chunks: Chunks) -> Iterator[bytes]:
    for chunk in chunks:
        yield chunk.encode("utf-8") if isinstance(chunk, str) else chunk


def _write(path: Path, chunks: Chunks) -> None:
    with path.open("wb") as file:
        file.writelines(_encoded(chunks))
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
