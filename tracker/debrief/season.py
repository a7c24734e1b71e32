"""A season: many journals' debriefs in one SQLite file that any tool can read.

Each excursion is there once, known by its UUID and by the hash of its last event. Its tables follow from its
debrief, which is kept as well, and so are its plan and its events: no question to a season needs a journal.
"""

from __future__ import annotations

import json
import re
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from tracker.debrief.excursion import Excursion, Scoring
from tracker.debrief.journals import Job, Read, debriefs_of, say
from tracker.debrief.records import plain_values, restored
from tracker.debrief.season_tables import APPLICATION, FORMAT, OWN, migrations
from tracker.debrief.tabular import TABLES, Records
from tracker.debrief.wanted import Wanted
from tracker.foundation.errors import TrackerError
from tracker.foundation.text import count, plain, spelled
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal, start_fold
from tracker.journal.place import Place, place_of, resolved
from tracker.journal.sqlite_files import told
from tracker.journal.store import Genesis, Row, unseal
from tracker.journal.stores import open_store

SCORES: Mapping[str, Scoring | None] = {
    "none": None,
    "quarters": Scoring(instants=0, scenarios=500),
    "full": Scoring(),
}
"""How closely the forecasts of an excursion are scored, by name."""


_ANOTHER = "give another name"


@dataclass(slots=True)
class Added:
    """What came of adding journals."""

    unchanged: int = 0
    added: int = 0
    rescored: int = 0
    grown: int = 0
    growth: str = ""
    """Of the one that grew."""
    refused: int = 0

    def line(self, journals: int) -> str:
        """Return it in words: `20 journals: 17 unchanged, 2 added, 1 grown (132 -> 150 events)`."""
        grown = f"{self.grown} grown" + (f" ({self.growth} events)" if self.grown == 1 else "")
        parts = [
            f"{self.unchanged} unchanged" if self.unchanged else "",
            f"{self.added} added" if self.added else "",
            grown if self.grown else "",
            f"{self.rescored} scored anew" if self.rescored else "",
            f"{self.refused} refused" if self.refused else "",
        ]
        return f"{count(journals, 'journal')}: {', '.join(filter(None, parts)) or 'nothing to add'}"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a season's list."""

    uuid: str
    path: str
    excursion: str
    rehearsal: bool
    zero_utc: str | None
    last_event: int
    last_hash: str
    verdict: str
    scoring: str


class Season(AbstractContextManager["Season"]):
    """An open season; to be closed."""

    def __init__(self, path: Path, db: Database) -> None:
        """Take over an opened file."""
        self.path, self._db = path, db

    @staticmethod
    def open(path: str | Path, *, create: bool = False) -> Season:
        """Open a season, or make a new one where asked to; TrackerError when the file is none."""
        place = Path(path)
        if not place.exists() and not create:
            raise TrackerError(
                f"{place}: there is no such season; `tracker season add {place} JOURNAL` makes one"
            )
        if place.exists() and not place.is_file():
            raise TrackerError(f"{place}: is not a file, so it is no season; {_ANOTHER}")
        try:
            if not place.exists():
                place.touch(mode=0o600)
        except OSError as error:
            raise TrackerError(f"{place}: cannot be made: {error.strerror}; {_ANOTHER}") from error
        with told(place, "season"):
            db = Database(sqlite3.connect(place, timeout=5.0))
            _look(place, db)
        return Season(place, db)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """Let go of the file; an error of the database is one line that names it."""
        self.close()
        if isinstance(error, sqlite3.Error):
            with told(self.path, "season"):
                raise error

    def add(
        self,
        journals: Sequence[str | Place],
        *,
        scores: str = "quarters",
        rehearsals: bool = False,
        utc_now: datetime,
        faults: Callable[[str], object] = say,
    ) -> Added:
        """Take in journals; what is there already and has not changed stays as it is.

        `faults` is told a line for each that cannot be read, or tells another story of an excursion.
        """
        out, known, jobs = Added(), {entry.uuid: entry for entry in self.entries()}, list[Job]()
        for path in map(place_of, journals):
            try:
                news = _news(path, known, scores, self._hash_at, rehearsals=rehearsals)
            except TrackerError as error:
                out.refused += 1
                for line in error.lines:
                    faults(line)
                continue
            if news is None:
                out.unchanged += 1
            elif news.left_out:
                faults(news.left_out)
            else:
                jobs.append((path, spelled(path.name), SCORES[scores]))
                known[news.entry.uuid] = news.entry
        before = {entry.uuid: entry for entry in self.entries()}
        for (path, _, _), found in debriefs_of(jobs):
            if isinstance(found, TrackerError):
                out.refused += 1
                faults(found.lines[0])
            else:
                self._take(path, found, scores, utc_now)
                _told(out, before.get(found.uuid), found)
        return out

    def _take(self, path: Place, one: Excursion, scores: str, utc_now: datetime) -> None:
        """Put one excursion in the place of what was there of it."""
        genesis, rows = _source(path, one.events)
        with self._db.atomic():
            self._clear(one.uuid)
            for table in TABLES:
                own = _own(path, scores, utc_now) if table.name == "excursions" else ()
                self._insert(table, [(*row, *own) for row in table.of(one)])
            self._db.table("plans").insert(
                {"sha256": one.plan_sha256, "name": genesis.pop("plan_name"), "plan": genesis.pop("plan")},
                ignore=True,
            )
            self._db.table("kept").insert(
                {
                    "uuid": one.uuid,
                    "genesis": json.dumps(genesis),
                    "events": zlib.compress(json.dumps(rows).encode()),
                    "debrief": zlib.compress(json.dumps(plain_values(one)).encode()),
                }
            )

    def _insert(self, table: Records, rows: Sequence[Sequence[Any]]) -> None:
        names = [column.name for column in table.columns]
        names += OWN if table.name == "excursions" else ()
        self._db.table(table.name).insert_all(dict(zip(names, row, strict=True)) for row in rows)

    def _clear(self, uuid: str) -> None:
        for name in ("kept", *(table.name for table in reversed(TABLES))):
            self._db.table(name).delete_where("uuid = ?", [uuid])

    def entries(self, wanted: Wanted | None = None) -> list[Entry]:
        """Return what is there, by zero."""
        names = ", ".join(Entry.__dataclass_fields__)
        sql, values = (wanted or Wanted()).where()
        found = self._db.execute(
            f"SELECT {names} FROM excursions WHERE {sql} ORDER BY zero_utc, uuid", values
        )
        return [Entry(*row) for row in found.fetchall()]

    def excursions(self, wanted: Wanted | None = None) -> list[Excursion]:
        """Return the debriefs that are asked for, by zero; TrackerError where there is none.

        Where a crew member, a kind of work, a task or a step is asked for, only its steps are in them.
        """
        asked = wanted or Wanted()
        return [asked.narrowed(self._debrief(blob)) for (blob,) in self._kept("debrief", asked)]

    def _debrief(self, blob: bytes) -> Excursion:
        try:
            return restored(json.loads(zlib.decompress(blob)))
        except (KeyError, TypeError, ValueError, zlib.error) as error:
            raise TrackerError(
                f"{self.path}: was written by another version; add the journals to a new season"
            ) from error

    def read(self, wanted: Wanted | None = None) -> Iterator[tuple[Place, Read]]:
        """Yield what the events of each excursion add up to, with where its journal was."""
        kept = self._kept("name, plan, genesis, events", wanted)
        for entry, (name, plan, genesis, blob) in zip(self.entries(wanted), kept, strict=True):
            fold = start_fold(Genesis(plan_name=name, plan=plan, **json.loads(genesis)), entry.path)
            progress = fold.add_all([unseal(row) for row in _rows(blob)]).progress()
            yield place_of(entry.path), Read(progress, entry.last_hash)

    def _hash_at(self, uuid: str, number: int) -> str | None:
        """Return the hash of one event of an excursion, as it was taken in."""
        (blob,) = self._db.execute("SELECT events FROM kept WHERE uuid = ?", [uuid]).fetchone() or (None,)
        return None if blob is None else next((row.hash for row in _rows(blob) if row.number == number), None)

    def _kept(self, what: str, wanted: Wanted | None) -> list[tuple[Any, ...]]:
        sql, values = (wanted or Wanted()).where()
        found = self._db.execute(
            f"SELECT {what} FROM excursions JOIN kept USING (uuid) JOIN plans ON sha256 = plan_sha256 "
            f"WHERE {sql} ORDER BY zero_utc, uuid",
            values,
        ).fetchall()
        if not found:
            held = self.entries()
            rehearsals = sum(one.rehearsal for one in held)
            raise TrackerError(
                f"{self.path}: holds no excursion that is asked for, of {len(held)}, {rehearsals} of them "
                "rehearsals; `tracker season list` shows all with their whole names"
                + (wanted or Wanted()).meant(one.excursion for one in held)
            )
        return found

    def find(
        self, words: str, wanted: Wanted | None = None
    ) -> list[tuple[str, str, float | None, str, str, str]]:
        """Return (journal, excursion, at, kind, about, words) where all these words were said.

        What stands in quotes is looked for as it stands, a word with `*` behind it as the beginning of words.
        """
        sql, values = (wanted or Wanted()).where()
        quoted = re.sub(r'(?<=\w)\*"', '"*', self._db.quote_fts(words))
        return self._db.execute(
            "SELECT journal, excursion, at_s, words.kind, about, words.words FROM words_fts "
            "JOIN words ON words.rowid = words_fts.rowid JOIN excursions USING (uuid) "
            f"WHERE words_fts MATCH ? AND uuid IN (SELECT uuid FROM excursions WHERE {sql}) "
            "ORDER BY zero_utc, at_s",
            [quoted, *values],
        ).fetchall()

    def drop(self, uuid: str) -> Entry:
        """Take out an excursion by its UUID, or how that begins; TrackerError for none, or several."""
        found = [entry for entry in self.entries() if entry.uuid.startswith(uuid)]
        if len(found) != 1 or not uuid:
            what = "is none of its excursions" if not found else f"begins {len(found)} of them"
            raise TrackerError(
                f"{self.path}: {plain(uuid, most=60)} {what}; `tracker season list` shows their UUIDs"
            )
        with self._db.atomic():
            self._clear(found[0].uuid)
            self._db.table("excursions").delete_where("uuid = ?", [found[0].uuid])
        return found[0]

    def verify(self) -> Iterator[str]:
        """Yield what does not hold: the file itself, and each journal against what was taken from it."""
        for (line,) in self._db.execute("PRAGMA integrity_check(1)").fetchall():
            if line != "ok":
                yield f"{self.path}: is damaged: {plain(line, most=200)}"
        for table, row, *_ in self._db.execute("PRAGMA foreign_key_check").fetchall():
            yield f"{self.path}: {table}, row {row}, belongs to no excursion"
        for entry in self.entries():
            if fault := _against(entry):
                yield fault

    def rows(self, sql: str) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Return the column names and the rows of a query."""
        found = self._db.execute(sql)
        return [column[0] for column in found.description], found.fetchall()


def _look(path: Path, db: Database) -> None:
    """Make an empty file a season, bring an older one up to date, refuse any other."""
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    if db.table_names() and mark != APPLICATION:
        db.close()
        raise TrackerError(f"{path}: is no season; `tracker season add` makes one in a new file")
    db.execute("PRAGMA foreign_keys = ON")
    if mark != APPLICATION:
        db.execute(f"PRAGMA application_id = {APPLICATION}")
    if migrations.pending(db):
        migrations.apply(db)


def _rows(blob: bytes) -> list[Row]:
    return [Row(*row) for row in json.loads(zlib.decompress(blob))]


def _own(place: Place, scores: str, utc_now: datetime) -> tuple[str, int, str, str]:
    where = resolved(place) if isinstance(place, Path) else str(place)
    return where, FORMAT, format_instant(utc_now), scores


def _source(path: Place, last: int) -> tuple[dict[str, Any], list[list[Any]]]:
    """Return what a journal was created with, and its rows up to an event."""
    store = open_store(path, read_only=True)
    try:
        genesis = {name: getattr(store.genesis, name) for name in Genesis.__slots__}
        rows = [row for row in store.rows() if row.number <= last]
    finally:
        store.close()
    return genesis, [[getattr(row, name) for name in Row.__slots__] for row in rows]


@dataclass(frozen=True, slots=True)
class _News:
    """A journal that has to be read."""

    entry: Entry
    left_out: str = ""
    """Why it is not taken in after all."""


def _news(
    path: Place,
    known: Mapping[str, Entry],
    scores: str,
    hash_at: Callable[[str, int], str | None],
    *,
    rehearsals: bool,
) -> _News | None:
    """Return what has to be read of a journal; None where it is there as it stands.

    Raises TrackerError when it cannot be read, or goes on otherwise than what was taken in.
    """
    store = open_store(path, read_only=True)
    try:
        genesis, entry = store.genesis, known.get(store.genesis.uuid)
        if entry is None:
            rows = store.rows()
            left_out = f"{path}: a rehearsal; left out (--rehearsals takes it in)"
            skip = genesis.rehearsal and not rehearsals
            return _News(_entry(genesis, path, rows, scores), left_out if skip else "")
        rows = store.rows(after=max(0, entry.last_event - 1))
        if not rows and entry.last_event:
            # Fewer events than were taken in: an older copy, or another story.
            rows = store.rows()
            if rows and hash_at(entry.uuid, rows[-1].number) == rows[-1].hash:
                return None
        elif not entry.last_event or rows[0].hash == entry.last_hash:
            return _News(_entry(genesis, path, rows, scores)) if _more(rows, entry, scores) else None
        raise TrackerError(f"{path}: two histories of one excursion; the other is {entry.path}")
    finally:
        store.close()


def _more(rows: Sequence[Row], entry: Entry, scores: str) -> bool:
    """Whether there is more in a journal than was taken in, or it is to be scored otherwise."""
    return entry.scoring != scores or bool(rows and rows[-1].number > entry.last_event)


def _entry(genesis: Genesis, path: Place, rows: Sequence[Row], scores: str) -> Entry:
    last, digest = (rows[-1].number, rows[-1].hash) if rows else (0, "")
    return Entry(genesis.uuid, str(path), "", genesis.rehearsal, None, last, digest, "", scores)


def _told(out: Added, before: Entry | None, one: Excursion) -> None:
    """Count an excursion that was taken in."""
    if before is None:
        out.added += 1
    elif before.last_event == one.events:
        out.rescored += 1
    else:
        out.grown += 1
        out.growth = f"{before.last_event} -> {one.events}"


def _against(entry: Entry) -> str | None:
    """Return how a journal differs from what was taken from it; None where it does not."""
    try:
        with Journal.open(entry.path, read_only=True) as journal:
            rows = journal.fold.recorded
            number, digest, uuid = len(rows), journal.hash, journal.genesis.uuid
    except TrackerError as error:
        return error.lines[0]
    if uuid != entry.uuid:
        return f"{entry.path}: is another excursion"
    if number == entry.last_event and digest == entry.last_hash:
        return None
    if number > entry.last_event:
        return f"{entry.path}: has grown to {number} events from {entry.last_event}; add it again"
    return f"{entry.path}: two histories of one excursion"
