"""Whether a journal is sound: its store, its chain, and that its events still add up to what it says.

A copy is made of a sound journal alone: the same plan, seed, events and hashes in a new place, or nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from tracker.foundation.errors import JournalError
from tracker.journal.as_run import derived_rows, differences
from tracker.journal.fold import Fold
from tracker.journal.journal import replay, start_fold
from tracker.journal.kept_press import refused_words
from tracker.journal.outbox import Outbox, gone_to, known_rows, missing_words
from tracker.journal.place import Place, resolved
from tracker.journal.store import Genesis, LastingStore, Row, Store
from tracker.journal.stores import create_store, open_store

_EXPECTED = re.compile(r"(\d{1,9}):([0-9a-f]{8,64})", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What `verify` found."""

    events: int
    hash: str
    """Hash of the last event; it stands for everything before it."""
    fault: str | None
    """The first fault in plain words; None for a sound journal."""
    kept: tuple[str, ...] = ()
    """A line for each press of this user that waits for it, or was refused and is to be decided on."""


def parse_expected(text: str) -> tuple[int, str]:
    """Read `NUMBER:HASH`, the hash whole or its first eight digits or more; JournalError otherwise."""
    found = _EXPECTED.fullmatch(text.strip())
    if found is None:
        raise JournalError(f"{text!r} is not NUMBER:HASH, as `tracker verify` prints it")
    return int(found.group(1)), found.group(2).lower()


def verify(place: Place, expect: tuple[int, str] | None = None, *, outboxes: Path | None = None) -> Verdict:
    """Look through a journal without changing it.

    `expect` is the number and hash of an event that it must hold; `outboxes` the folder of this user's, which
    know what was on record and are let go of once a closed excursion is found sound. Raises JournalError when
    the file cannot be opened as a journal at all.
    """
    # First what outboxes know: what somebody writes meanwhile reaches the journal before them.
    known = [] if outboxes is None else list(known_rows([outboxes], (), resolved(place)))
    with closing(_as_it_stands(place)) as store:
        verdict = _look_through(store, expect)
        if verdict.fault is None and outboxes is not None:
            kept = tuple(_kept(store, resolved(place), outboxes))
            lost = _lost(store, resolved(place), outboxes) or _unlike(store, known)
            if there := gone_to(outboxes, store.genesis.uuid, resolved(place)):
                lost = f"is another history by now: this user went on in {there}"
            verdict = replace(verdict, fault=lost, kept=kept)
        return verdict


def _unlike(store: LastingStore, known: Iterable[tuple[Genesis, list[Row]]]) -> str | None:
    """What outboxes know, also those at which somebody sits, and a sound journal lacks."""
    hashes = {row.number: row.hash for row in store.rows()}
    rows = (row for genesis, rows in known if genesis.uuid == store.genesis.uuid for row in rows)
    gone = sorted((row.number, row.recorded) for row in rows if hashes.get(row.number) != row.hash)
    return missing_words(gone, "the outbox of somebody who sits there") if gone else None


def _kept(store: LastingStore, place: str, outboxes: Path) -> Iterator[str]:
    """Yield what outboxes that nobody sits at hold for a journal."""
    for outbox in Outbox.left_behind(outboxes, store.genesis, place):
        with closing(outbox):
            for press in outbox.waiting():
                yield f"kept in {outbox.path}, to be sent by the next desk: job {press.job}"
            yield from map(refused_words, outbox.refused())


def _lost(store: LastingStore, place: str, outboxes: Path) -> str | None:
    """What the outboxes of this user know and a sound journal lacks."""
    rows = store.rows()
    hashes = {row.number: row.hash for row in rows}
    closed = any(row.kind == "closed" for row in rows)
    for outbox in Outbox.left_behind(outboxes, store.genesis, place):
        with closing(outbox):
            if outbox.place != place:
                # A copy made meanwhile is sound as far as it goes.
                continue
            if lost := outbox.lost(hashes):
                return lost
            if closed:
                outbox.forget()
    return None


def _as_it_stands(place: Place) -> LastingStore:
    """A journal as it stands at one instant, whoever writes it meanwhile."""
    with closing(open_store(place, read_only=True)) as store:
        return store.snapshot()


def _look_through(store: LastingStore, expect: tuple[int, str] | None) -> Verdict:
    rows: list[Row] = []
    try:
        for fault in store.faults():
            return Verdict(0, "", fault)
        if store.genesis.hash != store.stored_hash:
            return Verdict(0, "", "what the journal was created with (plan, pace file, uuid …) was changed")
        rows = store.rows()
        fold, digest = replay(start_fold(store.genesis, store.name), store.genesis.hash, rows, store.name)
        wrong = next(_disagreements(store, fold), None) or _unexpected(rows, store.genesis.hash, expect)
        return Verdict(len(rows), digest, wrong)
    except JournalError as error:
        return Verdict(len(rows), "", error.lines[0].removeprefix(f"{store.name}: "))


def _disagreements(store: LastingStore, fold: Fold) -> Iterator[str]:
    """Yield where the derived tables, or the estimates, are not what was written."""
    for table, wanted in derived_rows(fold.progress()).items():
        put, gone = differences(store.derived(table), wanted)
        for place in sorted([*put, *gone]):
            yield f"{table}: row {place} is not what the events add up to"
    yield from store.estimate_faults()


def _unexpected(rows: list[Row], genesis: str, expect: tuple[int, str] | None) -> str | None:
    if expect is None:
        return None
    number, digest = expect
    if number > len(rows):
        return f"the journal ends at event {len(rows)}: event {number} is missing"
    found = rows[number - 1].hash if number else genesis
    return None if found.startswith(digest) else f"event {number} is another: its hash is {found}"


def copy(source: Place, target: Place) -> Verdict:
    """Copy a sound journal to a place where there is none yet, and return what the copy was found to hold.

    Raises JournalError when the source is not sound, the target exists, or the copy is not as good as it.
    """
    with closing(_as_it_stands(source)) as original:
        verdict = _look_through(original, None)
        if verdict.fault is not None:
            raise JournalError(f"{source}: not sound, so not copied: {verdict.fault}")
        create_store(target, original.genesis, lambda new: _fill(original, new)).close()
    copied = verify(target, (verdict.events, verdict.hash))
    if copied.fault is not None:
        raise JournalError(f"{target}: the copy is not sound: {copied.fault}")
    return copied


def _fill(original: LastingStore, new: Store) -> None:
    """Write every event and estimate of one store, and what the events add up to, into another."""
    rows, genesis = original.rows(), original.genesis
    fold, _ = replay(start_fold(genesis, original.name), genesis.hash, rows, original.name)
    with new.writing():
        for row in rows:
            new.append(row)
        for table, cells in derived_rows(fold.progress()).items():
            new.derive(table, cells, [])
        for estimate in original.shown():
            new.show(estimate)
