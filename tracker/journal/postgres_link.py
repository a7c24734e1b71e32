"""The connection to a PostgreSQL server: how it is made, how long anybody waits, and its errors as one line.

The only file that knows psycopg. Lost connections are made anew at the next question. Words are ours: what
libpq says of an address or a setting may repeat it.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import select
import socket
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import psycopg
from psycopg import pq

from tracker.foundation.clock import monotonic_s, pause, utc_now
from tracker.foundation.errors import JournalError
from tracker.foundation.text import plain
from tracker.journal.store import Lost, Raced

DEADLINE_S = 8.0
"""How long anybody waits for an answer, whatever server, network or proxy do; then the line is cut."""
_APART_S = 2.0
"""How far two clocks may be apart before it is said."""
_OPTIONS = (
    "-c synchronous_commit=on -c statement_timeout=10s -c lock_timeout=3s "
    "-c idle_in_transaction_session_timeout=5s -c search_path=pg_catalog"
)
# Settings of our own at each connection: the environment, or a role, may say something else.
_SETTINGS: Mapping[str, Any] = {
    "client_encoding": "utf8",
    "connect_timeout": 3,
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 8000,
    "application_name": "tracker",
}
_HERE = re.compile(r"|/.*|localhost|127\.[0-9.]+|::1", re.IGNORECASE)
"""Hosts that are this machine."""
_FIRST = {"TRK01", "23505"}
_RACED = {*_FIRST, "TRK02", "TRK03"}
_LOST = {"57014", "55P03", "53300"}
_UNSURE = {("WARNING", code) for code in ("01000", "57014", "57P01")}
_PREPARE = "the database is not prepared for journals; what `tracker journals --prepare` prints prepares it"
_REASONS = {
    "42501": "this login may not do that; who writes needs the role tracker_write, who reads tracker_read",
    "25006": "is open to read only: a replica, or a login that may only read; nothing was written",
    "42P01": _PREPARE,
    "3F000": _PREPARE,
    "22021": "text with a NUL character cannot be kept there",
    "22P05": "text with a NUL character cannot be kept there",
    "TRK09": "a journal is never changed, only added to",
}
_STATE = "SELECT current_setting('fsync'), current_setting('full_page_writes'), pg_is_in_recovery()"
_CLOCK = "SELECT extract(epoch from clock_timestamp())::float8"
_SAMPLES = 5
"""How often the server's clock is asked: of an answer that was held up nobody knows when it was given."""


class Unfit(Raced):
    """What was to be written follows no event that the server holds."""


class Link:
    """A connection that is made when it is needed, and again when it was lost. Threads take turns."""

    def __init__(self, name: str, parameters: Mapping[str, str], *, read_only: bool = False) -> None:
        """Connect to nothing yet; JournalError when the way there is not safe."""
        self.name, self.read_only = name, read_only
        self._parameters = {**parameters, **_safely(name, parameters)}
        self._conn: psycopg.Connection[tuple[Any, ...]] | None = None
        self._deadline: _Deadline | None = None
        self._closed = False
        self._lost = "no answer yet"
        self._unsure = self._listens = self._woken = False
        self.greet: Callable[[], None] = lambda: None
        """What is looked at first on each connection; raises where it is not what it was."""
        self.apart_s = 0.0
        """How far the server's clock is ahead of this machine's; only who writes asks."""

    def ask(self, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """What a statement returns; raises Lost, Raced, or JournalError in words."""
        conn, deadline = self._connected()
        self._unsure = False
        with self._told(), deadline:
            cursor = conn.execute(sql, values or None)
            found = cursor.fetchall() if cursor.description else []
            self._hear(conn)
        if self._unsure:
            raise Lost(
                f"{self.name}: the server was told not to wait for its standby, which may lack the last"
            )
        return found

    def begin(self, mode: str = "") -> None:
        """Begin a transaction."""
        self.ask(f"BEGIN {mode}")

    @property
    def means(self) -> list[tuple[str, str]]:
        """Where it leads and as whom, by all of libpq's sources: the same for all who mean it. No secret."""
        told = {**_defaults(self._parameters.get("service")), **self._parameters}
        return sorted((key, str(value)) for key, value in told.items() if "password" not in key)

    @property
    def in_transaction(self) -> bool:
        """Whether one was begun and stands."""
        return self._conn is not None and self._conn.info.transaction_status != pq.TransactionStatus.IDLE

    def roll_back(self) -> None:
        """Take back what was begun, where the connection stands."""
        if self.in_transaction:
            with contextlib.suppress(JournalError):
                self.ask("ROLLBACK")

    def woken(self) -> bool:
        """Whether the server has told of what somebody else did; never asks it."""
        if self._conn is None or self._deadline is None:
            return True
        with self._told(), self._deadline:
            self._hear(self._conn)
        woken, self._woken = self._woken, False
        return woken

    def listen(self, channel: str) -> None:
        """Be told from now on of what somebody else tells a channel."""
        self._listens = True
        self.ask(f"LISTEN {channel}")

    def _hear(self, conn: psycopg.Connection[tuple[Any, ...]]) -> None:
        """Note what was told meanwhile: what came along with an answer is no more on the line to wait at."""
        if self._listens:
            told = [one.pid for one in conn.notifies(timeout=0)]
            self._woken = self._woken or any(pid != conn.info.backend_pid for pid in told)

    def wait(self, seconds: float) -> None:
        """Let time pass until the server tells of something."""
        try:
            handle = -1 if self._conn is None else self._conn.fileno()
            if handle < 0:
                pause(seconds)
            elif not self._woken:
                select.select([handle], [], [], seconds)
        except (psycopg.Error, ValueError, OSError):
            pause(seconds)

    def close(self) -> None:
        """Leave for good; a second call does nothing."""
        self._closed = True
        self._drop("was closed; open it again")

    def _connected(self) -> tuple[psycopg.Connection[tuple[Any, ...]], _Deadline]:
        if self._closed:
            raise JournalError(f"{self.name}: was closed; open it again")
        if self._conn is None or self._deadline is None or self._conn.closed:
            self._conn = self._dial()
            self._deadline = _Deadline(self._conn)
            try:
                self._look()
                self.greet()
            except BaseException:
                self._drop(self._lost)
                raise
        return self._conn, self._deadline

    def _dial(self) -> psycopg.Connection[tuple[Any, ...]]:
        _check_passfile(self.name, self._parameters)
        told: dict[str, Any] = {**self._parameters, **_SETTINGS, "options": _OPTIONS}
        try:
            conn = psycopg.connect(**told, autocommit=True, prepare_threshold=None)
        except psycopg.Error as error:
            raise Lost(f"{self.name}: {_why_not_connected(error)}") from None
        conn.add_notice_handler(self._noticed)
        return conn

    def _noticed(self, notice: psycopg.errors.Diagnostic) -> None:
        """Mind a commit that was cancelled while it waited for a standby: it is told as done."""
        self._unsure = self._unsure or (notice.severity_nonlocalized, notice.sqlstate) in _UNSURE

    def _look(self) -> None:
        """Look whether the server is one that keeps what it is told."""
        assert self._conn is not None
        info = self._conn.info
        if info.server_version < 150000:
            raise JournalError(
                f"{self.name}: the server is PostgreSQL {info.server_version // 10000}; 15 is needed"
            )
        if info.parameter_status("server_encoding") != "UTF8":
            raise JournalError(f"{self.name}: the database is not in UTF-8")
        if self.read_only:
            # Not when connecting: a server that may be written could then not be told from a replica.
            self.ask("SET default_transaction_read_only = on")
            return
        ((fsync, whole, replica),) = self.ask(_STATE)
        if "off" in (fsync, whole):
            raise JournalError(
                f"{self.name}: the server does not put on disk what it promises (fsync or full_page_writes "
                f"is off); nothing is written there"
            )
        if replica:
            raise JournalError(f"{self.name}: {_REASONS['25006']}")
        self.apart_s = min(self._sample() for _ in range(_SAMPLES))[1]

    def _sample(self) -> tuple[float, float]:
        """How long the server's clock took to answer, and how far it is ahead of this machine's."""
        before = utc_now().timestamp()
        ((then,),) = self.ask(_CLOCK)
        after = utc_now().timestamp()
        return after - before, then - (before + after) / 2

    @property
    def notice(self) -> str | None:
        """What whoever writes here should know of the server."""
        if abs(self.apart_s) <= _APART_S:
            return None
        way = "ahead of" if self.apart_s > 0 else "behind"
        return f"the server's clock is {abs(self.apart_s):.0f} s {way} this machine's: one is wrong"

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Turn an error of the database into one line that names the journal."""
        try:
            yield
        except psycopg.Error as error:
            raise self._error(error) from None

    def _error(self, error: psycopg.Error) -> JournalError:
        code = error.sqlstate or ""
        broken = self._conn is None or self._conn.closed or self._conn.broken
        if broken or code in _LOST or code[:2] == "08" or code[:3] == "57P" or not code:
            self._drop("the server does not answer")
            return Lost(f"{self.name}: the server does not answer")
        if code in _RACED:
            kind = Raced if code in _FIRST else Unfit
            return kind(f"{self.name}: {plain(error.diag.message_primary, most=120)}")
        reason = _REASONS.get(code)
        words = reason or f"the server refused: {plain(error.diag.message_primary, most=160)} ({code})"
        return JournalError(f"{self.name}: {words}")

    def _drop(self, why: str) -> None:
        conn, self._conn, self._lost = self._conn, None, why
        if conn is not None:
            conn.close()
        if self._deadline is not None:
            self._deadline.end()


class _Deadline:
    """Ends every wait at a connection after a while: no setting of libpq does for a server that stands still.

    One thread for all of them, which sleeps: a thread for each would take longer than a short answer.
    """

    def __init__(self, conn: psycopg.Connection[tuple[Any, ...]]) -> None:
        """Watch over a connection until it is let go."""
        self._conn, self._due, self._over = conn, math.inf, threading.Event()
        threading.Thread(target=self._watch, name="deadline", daemon=True).start()

    def __enter__(self) -> None:
        self._due = monotonic_s() + DEADLINE_S

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._due = math.inf

    def end(self) -> None:
        """Watch no more."""
        self._over.set()

    def _watch(self) -> None:
        # No wait begins that is due before this has looked again.
        while not self._over.wait(min(self._due - monotonic_s(), DEADLINE_S)):
            if monotonic_s() >= self._due:
                self._cut()

    def _cut(self) -> None:
        """Cut the line, so that whoever waits at it is told."""
        self._due = math.inf
        with (
            contextlib.suppress(psycopg.Error, OSError),
            socket.socket(fileno=os.dup(self._conn.fileno())) as line,
        ):
            line.shutdown(socket.SHUT_RDWR)


def _defaults(service: str | None) -> dict[str, str]:
    """What libpq's own sources say: the environment, and a service where one is named."""
    before = os.environ.get("PGSERVICE")
    try:
        if service is not None:
            os.environ["PGSERVICE"] = service
        found = pq.Conninfo.get_defaults()
    finally:
        if service is not None:
            os.environ.pop("PGSERVICE")
            os.environ.update({"PGSERVICE": before} if before is not None else {})
    return {one.keyword.decode(): one.val.decode() for one in found if one.val is not None}


def _safely(name: str, parameters: Mapping[str, str]) -> dict[str, str]:
    """How the connection is encrypted; JournalError where it would leave this machine in the clear."""
    told = {**_defaults(parameters.get("service")), **parameters}
    hosts = [*told.get("host", "").split(","), *told.get("hostaddr", "").split(",")]
    if all(_HERE.fullmatch(host) for host in hosts):
        return {}
    asked = parameters.get("sslmode") or os.environ.get("PGSSLMODE")
    asked = asked or (told["sslmode"] if told.get("sslmode") != "prefer" else None)
    if asked not in (None, "verify-full"):
        raise JournalError(
            f"{name}: off this machine the line has to be encrypted and the server known for certain: set "
            f"sslmode=verify-full (in the address, or PGSSLMODE) and sslrootcert=FILE (or PGSSLROOTCERT), "
            f"the certificate of whoever signed the server's"
        )
    return {"sslmode": "verify-full"}


def _check_passfile(name: str, parameters: Mapping[str, str]) -> None:
    """Raise JournalError for a file of passwords that libpq would leave out, and say so into the screen."""
    path = Path(parameters.get("passfile") or os.environ.get("PGPASSFILE") or Path.home() / ".pgpass")
    try:
        mode = path.stat().st_mode
    except OSError:
        return
    if mode & 0o077:
        raise JournalError(f"{name}: {path} can be read by others, so it is not used: chmod 600 {path}")


_READ_ONLY = "every server there is open to read only"
_WHY = (
    ("password authentication failed", "the server does not take the password in ~/.pgpass"),
    ("no password supplied", "the server asks for a password: put it into ~/.pgpass (mode 0600)"),
    (
        "root certificate file",
        "no certificate to know the server by: set sslrootcert=FILE or PGSSLROOTCERT",
    ),
    ("certificate verify failed", "nobody in sslrootcert (or PGSSLROOTCERT) signed the server's certificate"),
    ("does not match host name", "the server's certificate is for another name than the address gives"),
    (
        "does not support SSL",
        "the server encrypts no connection, and off this machine no other will do",
    ),
    ("definition of service", "no such service in the service file (PGSERVICEFILE, ~/.pg_service.conf)"),
    ("too many", "the server has no connection left"),
    ("remaining connection slots", "the server has no connection left"),
    ("pg_hba.conf", "the server lets this login not in from here (its pg_hba.conf)"),
    ("starting up", "the server is starting up"),
    ("shutting down", "the server is shutting down"),
    ("could not translate host name", "the server's name is not known here"),
    ("read-only", _READ_ONLY),
    ("not permitted to log in", "this login may not log in"),
)


def _why_not_connected(error: psycopg.Error) -> str:
    """Why no connection came about, in words of ours.

    Where several servers were tried, the cause is what kept the one that may be written from answering.
    """
    tries = [_why_one_did_not(one) for one in re.split(r"^- ", str(error), flags=re.MULTILINE)[1:]]
    other = [words for words in tries if words != _READ_ONLY]
    return (other or [_why_one_did_not(str(error))])[0]


def _why_one_did_not(text: str) -> str:
    if found := re.search(r'(database|role) "[^"]*" does not exist', text):
        return f"the server has no such {found[1].replace('role', 'login')}"
    return next((words for sign, words in _WHY if sign in text), "the server does not answer")
