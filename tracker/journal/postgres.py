"""Journals in a PostgreSQL database: many in one set of tables, which `postgres.sql` makes.

What is to be written is collected and goes to the server as one statement, so that nobody who is stopped in
the middle holds up anybody. It carries the name of its job: sent again after a cut line it is written once.
Notifications wake who waits; what is there is always read from the tables.
"""

from __future__ import annotations

import contextlib
import json
import re
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any, Protocol

from tracker.foundation.clock import monotonic_s
from tracker.foundation.errors import JournalError
from tracker.journal.place import Address
from tracker.journal.postgres_link import Link, Unfit
from tracker.journal.store import (
    COLUMNS,
    FORMAT,
    Again,
    Cell,
    Forked,
    Genesis,
    History,
    Listed,
    Lost,
    Raced,
    Row,
    Rows,
    Shown,
    Table,
)

_GENESIS = "format, uuid, created, rehearsal, plan_name, plan, pace_name, pace"
_FIND = f"SELECT id, hash, {_GENESIS} FROM tracker.journals WHERE name = %s"
_CREATE = (
    f"INSERT INTO tracker.journals (name, hash, {_GENESIS}) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s) "
    "RETURNING id"
)
_EVENTS = (
    "SELECT number, kind, at, stated, recorded, seat, body, hash FROM tracker.events "
    "WHERE journal = %s AND number > %s ORDER BY number"
)
_JOB = "SELECT first, last FROM tracker.jobs WHERE journal = %s AND job = %s::uuid"
_LAST = "SELECT number, hash FROM tracker.events WHERE journal = %s ORDER BY number DESC LIMIT 1"
_APPEND = (
    "SELECT * FROM tracker.append(%s, %s::uuid, %s::integer[], %s::text[], %s::float8[], %s::boolean[], "
    "%s::text[], %s::text[], %s::text[], %s::text[], %s::json, %s::integer[], %s::json, %s::integer[])"
)
_WAIT = "SELECT pg_logical_emit_message(true, 'tracker', '')"
"""Writes what no table shows: its commit waits for the standby, and so for all before it."""
_DERIVE = "SELECT tracker.put_{}(%s, %s::json, %s::integer[])"
_SHOW = "SELECT tracker.show(%s, %s, %s::float8, %s, %s, %s)"
_SHOWN = "SELECT event, at, shown, estimate FROM tracker.estimates WHERE journal = %s AND id > %s ORDER BY id"
_FIGURES = ("inside_p10", "inside_p50", "inside_p90", "safe")
_DIGESTS = f"SELECT id, digest, {', '.join(_FIGURES)} FROM tracker.estimates WHERE journal = %s ORDER BY id"
_HELD_S = "2s"
"""How long a turn may stand still before the server ends it."""
POLL_S = 2.0
"""How often the server is asked although it told of nothing: replicas and poolers cannot tell."""
_LOCK = 7262
"""The class of the locks under which journals are written."""
_LIST = (
    "SELECT j.name, j.uuid, j.created, j.rehearsal, j.plan_name, coalesce(e.number, 0), "
    "coalesce(e.hash, j.hash) "
    "FROM tracker.journals AS j LEFT JOIN LATERAL (SELECT number, hash FROM tracker.events "
    "WHERE journal = j.id ORDER BY number DESC LIMIT 1) AS e ON true ORDER BY j.name"
)


def listed(address: Address) -> list[Listed]:
    """The journals of a database, by name; JournalError when they cannot be read."""
    with contextlib.closing(Link(str(address), address.parameters(), read_only=True)) as link:
        return [Listed(*row) for row in link.ask(_LIST)]


@dataclass
class _Block:
    """What is to be written together."""

    job: str | None
    rows: list[Row] = field(default_factory=list)
    put: dict[Table, list[dict[str, Cell]]] = field(default_factory=lambda: {"as_run": [], "as_spent": []})
    gone: dict[Table, list[int]] = field(default_factory=lambda: {"as_run": [], "as_spent": []})
    shown: list[Shown] = field(default_factory=list)

    def tables(self) -> Iterator[tuple[Table, str, list[int]]]:
        """Yield each derived table with the rows to put, as JSON, and the places to clear."""
        for table in self.put:
            yield table, json.dumps(self.put[table], ensure_ascii=False), self.gone[table]


class News(Protocol):
    """How somebody learns what a journal holds by now, whoever wrote it."""

    def rows(self, after: int) -> list[Row]:
        """The events with greater numbers, in order."""

    def shown(self, after: int) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""

    def changed(self, seen: int) -> bool:
        """Whether there is something beyond event `seen`; true the first time."""

    def wait(self, seconds: float) -> None:
        """Let time pass until there may be something, at most so long."""

    def close(self) -> None:
        """Ask no more."""


class Asked:
    """What a journal holds, asked of the server itself."""

    def __init__(self, link: Link, journal: int) -> None:
        """Ask over a connection for the journal of this number."""
        self._link, self._journal = link, journal
        self._listens, self._looked = False, -POLL_S

    def rows(self, after: int) -> list[Row]:
        """The events with greater numbers, in order."""
        return [Row(*cells) for cells in self._link.ask(_EVENTS, (self._journal, after))]

    def shown(self, after: int) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""
        return [Shown(*cells) for cells in self._link.ask(_SHOWN, (self._journal, after))]

    def changed(self, seen: int) -> bool:
        """Whether there may be something beyond event `seen`; true the first time.

        There may when the server told of something; it is asked every two seconds.
        """
        if not self._listens:
            self._listens = True
            self._listen()
            return True
        if self._link.woken():
            return True
        if monotonic_s() - self._looked < POLL_S:
            return False
        self._looked = monotonic_s()
        last = self._link.ask(_LAST, (self._journal,))
        return bool(last) and last[0][0] > seen

    def greeted(self, journal: int) -> None:
        """Go on over a new connection, on which the journal has this number."""
        self._journal, self._looked = journal, -POLL_S
        if self._listens:
            self._listen()

    def _listen(self) -> None:
        with contextlib.suppress(JournalError):
            # A replica refuses it, and is asked every so often instead.
            self._link.listen(f"tracker_{self._journal}")

    def wait(self, seconds: float) -> None:
        """Let time pass until the server tells that somebody wrote, at most so long."""
        self._link.wait(seconds)

    def close(self) -> None:
        """Let go of the server."""
        self._link.close()


class PostgresStore:
    """One journal in a database; at most one thread at a time may use it, but for `wait`."""

    def __init__(self, link: Link, address: Address, found: Sequence[Any]) -> None:
        """Take over a connection and the row of a journal."""
        self._link, self._address = link, address
        self.asked = Asked(link, found[0])
        """Asks the server what others wrote."""
        self.news: News = self.asked
        """Tells what others wrote."""
        self.found = tuple(found)
        """The row of the journal."""
        self._id, self.stored_hash = found[:2]
        self.genesis = Genesis(**dict(zip(_GENESIS.split(", "), found[2:], strict=True)))
        self.tell: Callable[[str], object] = lambda words: None
        """Is told for whom a seat waits; a server queues everybody and tells nobody."""
        self._history = History()
        self._uncommitted: list[Row] = []
        self._remembered: list[Row] = []
        self._block: _Block | None = None
        link.greet = self._greet

    @classmethod
    def open(cls, address: Address, *, read_only: bool = False) -> PostgresStore:
        """Open a journal; JournalError when there is none, or the server does not let us."""
        link = Link(str(address), address.parameters(), read_only=read_only)
        try:
            found = link.ask(_FIND, (address.name,))
            if not found:
                raise JournalError(f"{address}: there is no such journal")
            if found[0][2] > FORMAT:
                raise JournalError(
                    f"{address}: was written by a newer program (journal format {found[0][2]}; this program "
                    f"reads {FORMAT})"
                )
            return cls(link, address, found[0])
        except BaseException:
            link.close()
            raise

    @classmethod
    def create(
        cls, address: Address, genesis: Genesis, *, fill: Callable[[PostgresStore], object] | None = None
    ) -> PostgresStore:
        """Make a new journal, whole or not at all; one that exists is never overwritten.

        `fill` writes what the new journal holds from the start.
        """
        _make(address, genesis, fill)
        store = cls.open(address)
        if store.genesis.uuid != genesis.uuid:
            store.close()
            raise JournalError(
                f"{address}: exists already, and a journal is never overwritten; `tracker run` goes on"
            )
        return store

    @property
    def name(self) -> str:
        """The address."""
        return str(self._address)

    @property
    def notice(self) -> str | None:
        """What whoever writes here should know of the server; None where all is as it should be."""
        return self._link.notice

    def new_job(self) -> str:
        """A fresh UUID: whether what got no answer is there can only be asked by its name."""
        return str(uuid.uuid4())

    @contextlib.contextmanager
    def turn(self) -> Iterator[None]:
        """Hold the only right to write from here on; when the block ends all of it is durable, or nothing."""
        self._link.begin()
        try:
            self._link.ask("SELECT set_config('idle_in_transaction_session_timeout', %s, true)", (_HELD_S,))
            self._link.ask("SELECT pg_advisory_xact_lock(%s, %s)", (_LOCK, self._id))
            yield
            self._link.ask("COMMIT")
            self._history.note(self._uncommitted)
        finally:
            self._uncommitted = []
            self._link.roll_back()

    @contextlib.contextmanager
    def writing(self, job: str | None = None) -> Iterator[None]:
        """Collect what is to be written; when the block ends all of it is durable, or nothing is there.

        `job` names what is written: written once already it raises Again. Raises Raced when events of others
        came in between, Lost when no answer came, and Forked when the server holds another history.
        """
        self._block = block = _Block(job)
        try:
            yield
        finally:
            self._block = None
        several = bool(block.shown) + bool(block.rows or any(block.put.values())) > 1
        alone = self._link.in_transaction or not several
        with contextlib.nullcontext() if alone else self.turn():
            self._insert(block)

    def _insert(self, block: _Block) -> None:
        if block.rows:
            self._append(block)
        elif any(block.put.values()) or any(block.gone.values()):
            for table, put, gone in block.tables():
                self._link.ask(_DERIVE.format(table), (self._id, put, gone))
        for one in block.shown:
            self._link.ask(_SHOW, (self._id, one.event, one.at, one.shown, one.estimate, one.digest))

    def _append(self, block: _Block) -> None:
        columns = [[getattr(row, name) for row in block.rows] for name in Row.__slots__]
        derived = [part for _, put, gone in block.tables() for part in (put, gone)]
        values = (self._id, block.job or self.new_job(), *columns, *derived)
        try:
            ((first, last, again),) = self._link.ask(_APPEND, values)
        except Unfit:
            if not self._link.in_transaction:
                self._greet()
            raise
        if again:
            self._link.ask(_WAIT)
            raise Again(first, last)
        # What is not committed may never have been: it is no history of this server yet.
        if self._link.in_transaction:
            self._uncommitted = block.rows
        else:
            self._history.note(block.rows)

    def job(self, job: str) -> tuple[int, int] | None:
        """The first and the last number of what was written under a name; None where nothing was."""
        if not (found := self._link.ask(_JOB, (self._id, job))):
            return None
        self._link.ask(_WAIT)
        return found[0][0], found[0][1]

    def rows(self, after: int = 0) -> list[Row]:
        """The events with greater numbers, in order; Forked where they follow another history."""
        try:
            found = self.news.rows(after)
        except Lost:
            if not self._remembered:
                raise
            return [row for row in self._remembered if row.number > after]
        before = self._history.hashes.get(after)
        if found and before is not None and not found[0].sealed_after(before):
            self._greet()
        self._history.note(found)
        return found

    def append(self, row: Row) -> None:
        """Add one event, inside `writing`; refused unless its number is the next."""
        self._writing().rows.append(row)

    def derived(self, table: Table) -> Rows:
        """The rows of a derived table."""
        names = ", ".join(f'"{name}"' for name in COLUMNS[table])
        found = self._link.ask(
            f"SELECT place, {names} FROM tracker.{table}_rows WHERE journal = %s ORDER BY place", (self._id,)
        )
        return {place: tuple(cells) for place, *cells in found}

    def derive(self, table: Table, put: Rows, gone: Iterable[int]) -> None:
        """Put rows into their places in a derived table and take others out, inside `writing`."""
        block = self._writing()
        block.put[table] += [
            {"place": place, **dict(zip(COLUMNS[table], cells, strict=True))} for place, cells in put.items()
        ]
        block.gone[table] += gone

    def show(self, estimate: Shown) -> None:
        """Keep an estimate that was shown, inside `writing`."""
        self._writing().shown.append(estimate)

    def shown(self, after: int = 0) -> list[Shown]:
        """The estimates that were shown, oldest first, without the first so many."""
        return self.news.shown(after)

    def changed(self) -> bool:
        """Whether somebody else has written since the last call; true the first time."""
        return self.news.changed(self._history.last)

    def wait(self, seconds: float) -> None:
        """Let time pass until somebody may have written, at most so long."""
        self.news.wait(seconds)

    def snapshot(self) -> PostgresStore:
        """All of it as it stands at one instant, over a connection of its own; to be closed."""
        link = Link(self.name, self._address.parameters(), read_only=True)
        try:
            link.begin("ISOLATION LEVEL REPEATABLE READ READ ONLY")
            link.ask("SELECT set_config('idle_in_transaction_session_timeout', '0', true)")
            return PostgresStore(link, self._address, link.ask(_FIND, (self._address.name,))[0])
        except BaseException:
            link.close()
            raise

    def faults(self) -> Iterator[str]:
        """Yield what is amiss with the triggers and functions that guard a journal."""
        return _unguarded(self._link)

    def estimate_faults(self) -> Iterator[str]:
        """Yield which estimates are not as they were written."""
        kept = self._link.ask(_DIGESTS, (self._id,))
        for place, (one, (own, digest, *figures)) in enumerate(zip(self.shown(), kept, strict=True), 1):
            if one.digest != digest or own != place or figures != list(_leading(one)):
                yield f"estimates: row {own} was changed"

    def close(self) -> None:
        """Let go of the server; a second call does nothing."""
        self.news.close()
        self._link.close()

    def _writing(self) -> _Block:
        if self._block is None:
            raise JournalError(f"{self.name}: nothing is written outside a `writing` block")
        return self._block

    def _greet(self) -> None:
        """Go on over a new connection; Forked unless the server holds what was read and written here."""
        found = self._link.ask("SELECT id, hash FROM tracker.journals WHERE name = %s", (self._address.name,))
        if not found or found[0][1] != self.stored_hash:
            raise Forked(f"{self.name}: the server holds another journal of this name, or none")
        self._id = found[0][0]
        self.asked.greeted(self._id)
        last, hashes = self._history.last, self._history.hashes
        sql = "SELECT number, hash FROM tracker.events WHERE journal = %s AND number "
        if not last or self._link.ask(f"{sql}= %s", (self._id, last)) == [(last, hashes[last])]:
            self._remembered = []
            return
        there = dict(self._link.ask(f"{sql}<= %s", (self._id, last)))
        raise self._history.forked(f"{self.name}: the server", there)


def remembered(address: Address, genesis: Genesis, rows: Sequence[Row]) -> PostgresStore:
    """The store of a journal whose server does not answer yet, as this machine knew it."""
    cells = [getattr(genesis, name) for name in _GENESIS.split(", ")]
    link = Link(str(address), address.parameters())
    store = PostgresStore(link, address, (0, genesis.hash, *cells))
    store._history.note(rows)
    store._remembered = list(rows)
    return store


def _make(address: Address, genesis: Genesis, fill: Callable[[PostgresStore], object] | None) -> None:
    """Write a new journal and what it holds from the start, in one transaction."""
    cells = [getattr(genesis, name) for name in _GENESIS.split(", ")]
    with contextlib.closing(Link(str(address), address.parameters())) as link:
        try:
            link.begin()
            ((own,),) = link.ask(_CREATE, (address.name, genesis.hash, *cells))
            store = PostgresStore(link, address, (own, genesis.hash, *cells))
            link.greet = lambda: None
            if fill is not None:
                fill(store)
            with contextlib.suppress(Lost):
                # Whether a lost answer was a yes is seen when it is opened.
                link.ask("COMMIT")
        except Raced:
            raise JournalError(
                f"{address}: exists already, and a journal is never overwritten; `tracker run` goes on"
            ) from None


def _unguarded(link: Link) -> Iterator[str]:
    """Yield which functions and triggers of a database are not those that it was prepared with."""
    text = (files("tracker.journal") / "postgres.sql").read_text(encoding="utf-8")
    bodies = re.findall(r"CREATE FUNCTION tracker\.(\w+)\(.*?\$\$(.*?)\$\$", text, re.DOTALL)
    found = dict(link.ask("SELECT proname, prosrc FROM pg_proc WHERE pronamespace = 'tracker'::regnamespace"))
    for name, body in bodies:
        if found.get(name) != body:
            yield f"the database has lost or changed the function tracker.{name}"
    wanted = set(re.findall(r"CREATE TRIGGER (\w+) .*? ON tracker\.(\w+) ", text))
    stands = link.ask(
        "SELECT tgname, relname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
        "WHERE relnamespace = 'tracker'::regnamespace AND tgenabled IN ('O', 'A') AND NOT tgisinternal"
    )
    for name, table in sorted(wanted - set(stands)):
        yield f"the trigger {name} of tracker.{table} is gone or switched off"


def _leading(shown: Shown) -> Iterator[float | None]:
    """Yield the leading figures of an estimate as its columns hold them."""
    estimate: Mapping[str, Any] = json.loads(shown.estimate)
    inside = estimate.get("inside") or {}
    for figure in (*(inside.get(key) for key in ("p10", "p50", "p90")), estimate.get("safe")):
        yield None if figure is None else float(figure)
