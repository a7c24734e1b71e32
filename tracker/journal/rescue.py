"""A sound journal from what can still be read of a damaged one, and from what outboxes know.

The pages of the file are read one by one, whatever the database makes of them, and an event is taken only
where its hash fits what came before. A number that nobody knows gets a note in its place, so that every other
event keeps its own; from there on the chain is made anew.

Source of the pages: https://www.sqlite.org/fileformat2.html, sections 1.6 (b-tree pages) and 2.1 (record
format).
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import struct
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from tracker.foundation.errors import EventError, JournalError
from tracker.foundation.text import plain
from tracker.journal import sqlite_files as files
from tracker.journal.as_run import derived_rows
from tracker.journal.fold import Fold
from tracker.journal.journal import Journal, start_fold
from tracker.journal.outbox import known_rows, went_on
from tracker.journal.place import Address, Place, resolved
from tracker.journal.progress import Recorded
from tracker.journal.seat import Sitting
from tracker.journal.store import Genesis, Row, Store, seal, unseal
from tracker.journal.stores import create_store, open_store
from tracker.journal.verify import Verdict, verify

Candidates = Mapping[int, Sequence[Row]]


@dataclass(frozen=True, slots=True)
class Rescued:
    """What was saved, and what was not."""

    verdict: Verdict
    """Of the new journal."""
    missing: tuple[str, ...]
    """A line for every event that could not be put back as it was."""


def rescue(place: Place, target: Place, outboxes: Iterable[Path]) -> Rescued:
    """Write what can be read of a journal, and of outboxes in some folders, into a new one.

    Raises JournalError when the plan is nowhere to be read, or the new journal cannot be written.
    """
    found: defaultdict[int, list[Row]] = defaultdict(list)
    beginnings: list[Genesis] = []
    for cells in _records(place) if isinstance(place, Path) else ():
        _sort_out(cells, found, beginnings)
    told = _told_by(place) if isinstance(place, Address) else None
    beginnings += [told[0]] if told else []
    for genesis, rows in known_rows(outboxes, {one.uuid for one in beginnings}, resolved(place)):
        beginnings.append(genesis)
        for row in rows:
            found[row.number].append(row)
    for row in told[1] if told else ():
        if any(one.hash != row.hash for one in found[row.number]):
            # From here on the server holds another history, which can be copied as it is.
            break
        found[row.number].append(row)
    if not beginnings:
        raise JournalError(f"{place}: the plan cannot be read, and no outbox knows this journal")
    genesis = beginnings[0]
    start = start_fold(genesis, str(place))
    rows, missing = _in_order(start, genesis.hash, found)
    _write(target, genesis, rows, start.add_all(unseal(row) for row in rows))
    verdict = verify(target)
    if verdict.fault is not None:
        raise JournalError(f"{target}: what was rescued is not sound: {verdict.fault}")
    return Rescued(verdict, tuple(missing))


def _told_by(place: Address) -> tuple[Genesis, list[Row]] | None:
    """What a server still tells; where it tells nothing the outboxes have to do."""
    with contextlib.suppress(JournalError), closing(open_store(place, read_only=True)) as store:
        return store.genesis, store.rows()
    return None


def _records(path: Path) -> Iterator[tuple[int, list[Any]]]:
    """Yield every record of the file's pages, once what a killed writer left is taken back."""
    if not path.is_file():
        return
    folder, copy = files.private_copy(path)
    with folder:
        with contextlib.suppress(sqlite3.Error), closing(sqlite3.connect(copy)) as db:
            db.execute("SELECT count(*) FROM sqlite_master").fetchall()
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        yield from records(copy.read_bytes())


def _sort_out(
    record: tuple[int, list[Any]], found: defaultdict[int, list[Row]], beginnings: list[Genesis]
) -> None:
    """Take a record for an event, or for what the journal was created with, where it is one."""
    number, cells = record
    with contextlib.suppress(ValueError, TypeError, AttributeError):
        if len(cells) == 8 and cells[0] is None and isinstance(cells[1], str):
            kind, at, stated, *rest = cells[1:]
            row = Row(number, kind, float(at), stated == 1, *rest)
            unseal(row)
            found[number].append(row)
        elif len(cells) == 10 and cells[0] is None:
            form, uuid, created, rehearsal, plan_name, plan, pace_name, pace, digest = cells[1:]
            genesis = Genesis(uuid, created, rehearsal == 1, plan_name, plan, pace_name, pace, form)
            if genesis.hash == digest:
                beginnings.append(genesis)


def _in_order(fold: Fold, digest: str, found: Candidates) -> tuple[list[Row], list[str]]:
    """The events from 1 on, sealed in a chain, and what is said of those that are not as they were."""
    rows: list[Row] = []
    missing: list[str] = []
    whole = True
    for number in range(1, max(found, default=0) + 1):
        known = found.get(number, ())
        fits = [row for row in known if row.sealed_after(digest)]
        after = found.get(number + 1, ())
        guess = fits or [row for row in known if any(one.sealed_after(row.hash) for one in after)] or known
        event = unseal(guess[0]) if guess else None
        fold, taken, why = _added(fold, number, event)
        if why is not None:
            missing.append(f"event {number}: {why}")
        if why is None and not fits and whole:
            missing.append(f"from event {number} on the chain of hashes is made anew")
        whole = bool(fits) and why is None
        rows.append(fits[0] if whole else seal(taken, digest))
        digest = rows[-1].hash
    return rows, missing


def _added(fold: Fold, number: int, event: Recorded | None) -> tuple[Fold, Recorded, str | None]:
    """The fold with an event, or with a note in its place; the event, and why it is a note."""
    why = "nothing of it can be read"
    if event is not None:
        with contextlib.suppress(EventError, LookupError, TypeError, ValueError, AttributeError):
            return fold.add(event), event, None
        body = json.dumps(dict(event.body), ensure_ascii=False)
        why = f"impossible without what is missing: {event.kind} by {event.seat}: {body}"
    last = fold.recorded[-1] if fold.recorded else None
    when = event.recorded if event else last.recorded if last else datetime.fromisoformat(_NEVER)
    note = {"text": plain(f"lost, put here by tracker rescue: {why}", most=5000)}
    put = Recorded(number, "noted", fold.at, True, when, "tracker rescue", note)
    return fold.add(put), put, plain(why, most=300)


_NEVER = "1970-01-01T00:00:00+00:00"


def go_on_in(target: Place, journal: Journal, why: str, utc_now: datetime) -> Journal:
    """The journal in another place: all that is known of it here, its chain unbroken, and whoever sits there.

    It begins there with a note that names the place before it, and how far it went. Raises JournalError where
    there is something already, or nothing can be written; then all is as it was.
    """
    digest, rows, before = journal.genesis.hash, [], resolved(journal.place)
    for event in journal.fold.recorded:
        rows.append(seal(event, digest))
        digest = rows[-1].hash
    _write(target, journal.genesis, rows, journal.fold)
    there = Journal.open(target)
    note = {"kind": "noted", "text": f"{went_on(before)}, which ended at {journal.number}:{digest}: {why}"}
    try:
        there.record(note, seat=journal.sitting.seat, utc_now=utc_now)
    except EventError:
        there.record({**note, "at": int(there.fold.at)}, seat=journal.sitting.seat, utc_now=utc_now)
    there.sitting, journal.sitting = journal.sitting, Sitting()
    journal.close()
    if there.sitting.outbox is not None:
        there.sitting.saw(there.rows(range(there.number, there.number + 1)))
        there.sitting.outbox.moved(resolved(target))
    return there


def _write(target: Place, genesis: Genesis, rows: Iterable[Row], fold: Fold) -> None:
    """Write a new journal of these rows."""

    def fill(new: Store) -> None:
        with new.writing():
            for row in rows:
                new.append(row)
            for table, cells in derived_rows(fold.progress()).items():
                new.derive(table, cells, [])

    create_store(target, genesis, fill).close()


_LEAF = 0x0D
_MOST_BYTES = 64_000_000
"""The longest record that is put together from several pages."""


def records(data: bytes) -> Iterator[tuple[int, list[Any]]]:
    """Yield the key and the values of every record in any leaf page of a table."""
    size = int.from_bytes(data[16:18], "big") if len(data) >= 100 else 0
    size = {1: 65536}.get(size, size)
    if size not in {1 << n for n in range(9, 17)}:
        size = 4096
    for start in range(0, len(data), size):
        page = data[start : start + size]
        head = 100 if start == 0 else 0
        if len(page) > head + 8 and page[head] == _LEAF:
            count = int.from_bytes(page[head + 3 : head + 5], "big")
            for n in range(count):
                at = head + 8 + 2 * n
                with contextlib.suppress(ValueError, IndexError, struct.error):
                    yield _cell(data, size, page, int.from_bytes(page[at : at + 2], "big"))


def _cell(data: bytes, size: int, page: bytes, at: int) -> tuple[int, list[Any]]:
    """The key and the values of the record at a place in a page; ValueError where there is none."""
    length, at = _varint(page, at)
    key, at = _varint(page, at)
    if length > _MOST_BYTES:
        raise ValueError("no record is so long")
    return key, _values(_payload(data, size, page, at, length))


def _payload(data: bytes, size: int, page: bytes, at: int, length: int) -> bytes:
    """The bytes of a record, with those that lie in overflow pages."""
    if length <= size - 35:
        return page[at : at + length]
    least = (size - 12) * 32 // 255 - 23
    here = least + (length - least) % (size - 4)
    here = here if here <= size - 35 else least
    parts, left = [page[at : at + here]], length - here
    following = int.from_bytes(page[at + here : at + here + 4], "big")
    while left > 0:
        if not following:
            raise ValueError("a part of the record is missing")
        over = data[(following - 1) * size : following * size]
        parts.append(over[4 : 4 + left])
        left -= size - 4
        following = int.from_bytes(over[:4], "big")
    return b"".join(parts)


def _values(record: bytes) -> list[Any]:
    """The values in a record."""
    end, at = _varint(record, 0)
    types = []
    while at < end:
        code, at = _varint(record, at)
        types.append(code)
    values = []
    for code in types:
        value, at = _value(record, at, code)
        values.append(value)
    return values


_LENGTHS = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}


def _value(record: bytes, at: int, code: int) -> tuple[Any, int]:
    if code in (10, 11):
        raise ValueError("no such type")
    end = at + (_LENGTHS[code] if code < 12 else (code - 12) // 2)
    raw = record[at:end]
    if len(raw) < end - at:
        raise ValueError("the record is cut off")
    if code in (0, 8, 9):
        return {0: None, 8: 0, 9: 1}[code], end
    if code == 7:
        return struct.unpack(">d", raw)[0], end
    if code < 7:
        return int.from_bytes(raw, "big", signed=True), end
    return (raw.decode("utf-8") if code % 2 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A variable-length integer, and the place behind it; IndexError at the end of the data."""
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            return (value << 8) | byte, at + 9
        value = (value << 7) | (byte & 0x7F)
        if byte < 0x80:
            return value, at + n + 1
    raise AssertionError
