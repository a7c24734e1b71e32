"""What the watchers of a machine share: one of them asks the server, and tells all the others.

Whoever looks on at a journal of a server joins a socket in this user's state folder. Where nobody answers
there, the first to hold its lock asks the server from then on, over one connection, and passes on what it
finds; when that one leaves, another takes its place. Where no such socket can be had, or who holds it stands
still, a watcher asks over a connection of its own. Nobody here writes.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import math
import os
import random
import select
import socket
import threading
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import astuple
from pathlib import Path
from typing import Any

from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import JournalError
from tracker.foundation.output import state_folder
from tracker.journal.place import Address
from tracker.journal.postgres import POLL_S, Asked, PostgresStore
from tracker.journal.postgres_link import DEADLINE_S, Link
from tracker.journal.store import Forked, Lost, Row, Shown

_FORMAT = 1
"""Of what is said over the socket; programs that say it otherwise do not share one."""
_SILENT_S = POLL_S + 3.0
"""After so long without a word the server does not answer: something is said with every look."""
_FROZEN_S = DEADLINE_S + 4.0
"""After so long without a word it is who asks that stands still."""
_LINGER_S = 5.0
"""How long whoever asks goes on without anybody who listens."""
_SHOWN_S = 10.0
"""How often the estimates on record are looked at; in a rehearsal with every look."""
_TRIES, _BETWEEN_S = 150, 0.02
_CHUNK = 1 << 16

Word = Mapping[str, Any]
"""One line of what is said: a journal, rows and estimates that follow those before, or what is amiss."""


def watch(address: Address) -> PostgresStore:
    """The store of a journal that is only looked on at; JournalError when there is none."""
    place = _socket_of(address)
    joined = None if place is None else _joined(place, address, {"rows": 0, "hash": "", "shown": 0})
    if place is None or joined is None:
        return PostgresStore.open(address, read_only=True)
    line, welcome = joined
    store = PostgresStore(
        Link(str(address), address.parameters(), read_only=True), address, welcome["journal"]
    )
    store.news = _Told(address, place, line, welcome, store.asked)
    return store


def ask_for_all(address: Address) -> None:
    """Ask the server from here, as long as the program runs, unless somebody on this machine does."""
    place = _socket_of(address)
    if place is not None:
        with contextlib.suppress(OSError):
            _takes_place(place, address, linger_s=math.inf)


def _socket_of(address: Address) -> Path | None:
    """Where this user's watchers of a journal meet; None where they cannot."""
    link = Link(str(address), address.parameters(), read_only=True)
    text = json.dumps([_FORMAT, address.name, *link.means])
    folder = state_folder() / "watch"
    place = folder / f"{hashlib.sha256(text.encode()).hexdigest()[:16]}.sock"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError:
        return None
    # The kernel takes no longer name for a socket.
    return place if len(os.fsencode(place)) < 100 else None


def _joined(place: Path, address: Address, known: Word) -> tuple[_Line, Word] | None:
    """A line to whoever asks the server, and what was said first; None where no one is to be had.

    Whoever finds nobody there takes the place. Raises what is amiss with the journal.
    """
    for _ in range(_TRIES):
        with contextlib.suppress(OSError):
            line = _Line(place)
            line.say(known)
            if (word := line.first()) is None:
                if not line.ended:
                    line.close()
                    return None
            elif (amiss := _amiss(word, address)) is not None:
                line.close()
                raise amiss
            else:
                return line, word
        try:
            if not _takes_place(place, address, _LINGER_S):
                pause(_BETWEEN_S)
        except OSError:
            return None
    return None


def _takes_place(place: Path, address: Address, linger_s: float) -> bool:
    """Ask the server for all who join from now on, unless somebody else does."""
    lock = os.open(place.with_suffix(".lock"), os.O_CREAT | os.O_RDWR, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        place.unlink(missing_ok=True)
        door = socket.socket(socket.AF_UNIX)
        door.bind(str(place))
        place.chmod(0o600)
        door.listen(512)
    except BlockingIOError:
        os.close(lock)
        return False
    except BaseException:
        os.close(lock)
        raise
    _Asking(address, door, lock, linger_s).start()
    return True


def _amiss(word: Word, address: Address) -> JournalError | None:
    """What is amiss with the journal by what was said."""
    kinds: dict[str, type[JournalError]] = {"lost": Lost, "forked": Forked}
    return (
        None if "amiss" not in word else kinds.get(word["kind"], JournalError)(f"{address}: {word['amiss']}")
    )


class _Line:
    """One end of what is said between who asks and who listens."""

    def __init__(self, place: Path) -> None:
        """Join at a place; OSError where nobody is."""
        self._line = socket.socket(socket.AF_UNIX)
        self._line.settimeout(DEADLINE_S)
        self._begun, self._lines = b"", deque[bytes]()
        self.ended = False
        """Whether the other has left."""
        try:
            self._line.connect(str(place))
        except OSError:
            self._line.close()
            raise

    def say(self, word: Word) -> None:
        """Say something to the other."""
        self._line.sendall(_written(word))

    def first(self) -> Word | None:
        """What is said first; None where nothing is for a long time, or the other leaves."""
        until = monotonic_s() + _FROZEN_S
        while not self.ended and monotonic_s() < until:
            for word in self.heard(0.5):
                return word
        return None

    def heard(self, seconds: float = 0.0) -> Iterator[Word]:
        """Yield what was said meanwhile."""
        more = True
        while self._lines or (more and not self.ended and self.wait(seconds)):
            if self._lines:
                yield json.loads(self._lines.popleft())
                continue
            try:
                chunk = self._line.recv(_CHUNK)
            except OSError:
                chunk = b""
            # What fills no chunk was all: whoever is told once has no more to ask for.
            self.ended, more = not chunk, len(chunk) == _CHUNK
            *lines, self._begun = (self._begun + chunk).split(b"\n")
            self._lines += lines

    def wait(self, seconds: float) -> bool:
        """Let time pass until something is said, at most so long; whether there is something to hear."""
        return bool(select.select([self._line], [], [], seconds)[0])

    def close(self) -> None:
        """Leave."""
        self.ended = True
        self._line.close()


def _written(word: Word) -> bytes:
    return json.dumps(word, ensure_ascii=False).encode() + b"\n"


class _Told:
    """What a journal holds, as whoever asks for all tells it.

    Raises Lost while the server does not answer, and goes on by itself.
    """

    def __init__(self, address: Address, place: Path, line: _Line, welcome: Word, asked: Asked) -> None:
        """Go on with a line; `asked` asks the server where nobody is to be had."""
        self._address, self._place, self._asked = address, place, asked
        self._line: _Line | None = line
        self._alone = False
        self._rows: list[Row] = []
        self._shown: list[Shown] = []
        self._hash = str(welcome["journal"][1])
        self._amiss: JournalError | None = None
        self._news = True
        self._take(welcome)

    def rows(self, after: int) -> list[Row]:
        """The events with greater numbers, in order."""
        return self._asked.rows(after) if self._alone else self._rows[after:]

    def shown(self, after: int) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""
        return self._asked.shown(after) if self._alone else self._shown[after:]

    def changed(self, seen: int) -> bool:
        """Whether something was told since the last call; true the first time. Raises what is amiss."""
        if self._line is not None:
            for word in self._line.heard():
                self._take(word)
        if not self._alone and (self._line is None or self._line.ended or self._silent_s > _FROZEN_S):
            self._rejoin()
        if self._alone:
            return self._asked.changed(seen)
        if self._silent_s > _SILENT_S:
            raise Lost(f"{self._address}: the server does not answer")
        if self._amiss is not None:
            raise self._amiss
        news, self._news = self._news, False
        return news

    def wait(self, seconds: float) -> None:
        """Let time pass until something is told, at most so long."""
        if self._alone:
            self._asked.wait(seconds)
        elif self._line is None:
            pause(seconds)
        else:
            self._line.wait(seconds)

    def close(self) -> None:
        """Leave."""
        if self._line is not None:
            self._line.close()
        self._line = None

    @property
    def _silent_s(self) -> float:
        return monotonic_s() - self._heard

    def _rejoin(self) -> None:
        """Join whoever asks by now; go on alone where no one is to be had."""
        self.close()
        known = {"rows": len(self._rows), "hash": self._hash, "shown": len(self._shown)}
        joined = _joined(self._place, self._address, known)
        self._alone = joined is None
        if joined is not None:
            self._line, welcome = joined
            self._take(welcome)

    def _take(self, word: Word) -> None:
        """Take in what was told."""
        self._heard = monotonic_s()
        self._amiss = _amiss(word, self._address)
        rows = [Row(*cells) for cells in word.get("rows", ())]
        self._rows += rows
        self._hash = rows[-1].hash if rows else self._hash
        self._shown += [Shown(*cells) for cells in word.get("shown", ())]
        self._news = self._news or bool(rows)


class _Asking(threading.Thread):
    """Asks the server over one connection, and tells everybody who joined what it finds."""

    def __init__(self, address: Address, door: socket.socket, lock: int, linger_s: float) -> None:
        super().__init__(name="asking", daemon=True)
        self._address, self._door, self._lock, self._linger_s = address, door, lock, linger_s
        self._store: PostgresStore | None = None
        self._rows: list[Row] = []
        self._shown: list[Shown] = []
        self._amiss: Word | None = None
        self._guests: set[socket.socket] = set()
        self._turn = threading.Lock()
        """Over what was found and who is told."""
        self._asked, self._ended = threading.Event(), False
        self._wanted, self._looked = monotonic_s(), -_SHOWN_S

    def run(self) -> None:
        """Look and tell until nobody has listened for a while."""
        threading.Thread(target=self._let_in, name="door", daemon=True).start()
        while not self._ended:
            word = self._look()
            with self._turn:
                known = self._keep(word)
                self._tell(_written(word))
                self._wanted = monotonic_s() if self._guests else self._wanted
                self._ended = monotonic_s() - self._wanted > self._linger_s
            # Who joins once all was forgotten waits for what is there by now.
            (self._asked.set if known else self._asked.clear)()
        with contextlib.suppress(OSError):
            self._door.shutdown(socket.SHUT_RDWR)
        self._door.close()
        if self._store is not None:
            self._store.close()
        os.close(self._lock)

    def _look(self) -> Word:
        """What is there since the last look, or what is amiss."""
        if self._amiss is not None:
            # All the watchers of a server are not to come back to it at one instant.
            pause(random.uniform(0.2, POLL_S))
        elif self._store is not None:
            self._store.wait(POLL_S)
        try:
            store = self._store = self._store or PostgresStore.open(self._address, read_only=True)
            rows = store.rows(len(self._rows)) if store.changed() or self._amiss else []
            shown: list[Shown] = []
            if store.genesis.rehearsal or monotonic_s() - self._looked > _SHOWN_S:
                self._looked = monotonic_s()
                shown = store.shown(len(self._shown))
        except JournalError as error:
            kind = "lost" if isinstance(error, Lost) else "forked" if isinstance(error, Forked) else "other"
            return {"amiss": error.lines[0].removeprefix(f"{self._address}: "), "kind": kind}
        return {"rows": [astuple(row) for row in rows], "shown": [astuple(one) for one in shown]}

    def _keep(self, word: Word) -> bool:
        """Keep what was found for those who join later; whether it is not all to be found anew."""
        self._amiss = word if "amiss" in word else None
        self._rows += [Row(*cells) for cells in word.get("rows", ())]
        self._shown += [Shown(*cells) for cells in word.get("shown", ())]
        if self._amiss is None or word["kind"] == "lost" or self._store is None:
            return True
        self._store.close()
        self._store, self._rows, self._shown, self._looked = None, [], [], -_SHOWN_S
        return False

    def _tell(self, line: bytes) -> None:
        """Tell everybody; who cannot take it at once is left out, and joins again."""
        for guest in tuple(self._guests):
            with contextlib.suppress(OSError):
                if guest.send(line) == len(line):
                    continue
            self._guests.discard(guest)
            guest.close()

    def _let_in(self) -> None:
        """Let in whoever comes."""
        with contextlib.suppress(OSError):
            while True:
                guest, _ = self._door.accept()
                self._wanted = monotonic_s()
                threading.Thread(target=self._welcome, args=(guest,), name="guest", daemon=True).start()

    def _welcome(self, guest: socket.socket) -> None:
        """Tell one all that it does not know yet, and leave the rest to the looks."""
        try:
            guest.settimeout(DEADLINE_S)
            with guest.makefile("rb") as file:
                known = json.loads(file.readline())
            self._asked.wait(_FROZEN_S)
            with self._turn:
                word = self._first(known)
            while word:
                guest.sendall(_written(word))
                known = {part: known[part] + len(word.get(part, ())) for part in ("rows", "shown")}
                with self._turn:
                    if not (word := self._missing(known)) and not self._ended:
                        guest.setblocking(False)
                        self._guests.add(guest)
                        return
        except (OSError, ValueError, LookupError, TypeError):
            # Whoever it is says nothing that is known here, or has left.
            guest.close()
        guest.close()

    def _first(self, known: Word) -> Word:
        """What somebody is told first: the journal and all they lack of it, or what is amiss."""
        if self._amiss is not None or self._store is None:
            return self._amiss or {}
        number = known["rows"]
        rows = [self._store.stored_hash, *(row.hash for row in self._rows)]
        if number >= len(rows) or known["hash"] not in ("", rows[number]):
            return {"amiss": "the server holds another history", "kind": "forked"}
        return {"journal": self._store.found, **self._missing(known)}

    def _missing(self, known: Word) -> Word:
        rows, shown = self._rows[known["rows"] :], self._shown[known["shown"] :]
        found = {"rows": [astuple(row) for row in rows], "shown": [astuple(one) for one in shown]}
        return found if rows or shown else {}
