"""Opens and makes the store of a journal, whichever a place means; each kind is imported when it is meant."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.foundation.errors import JournalError
from tracker.journal.place import Address, Place
from tracker.journal.store import Genesis, LastingStore, Listed, Row, Store

if TYPE_CHECKING:
    from tracker.journal.postgres import PostgresStore


def open_store(place: Place, *, read_only: bool = False) -> LastingStore:
    """The store at a place; JournalError when no journal is there, or it cannot be used so."""
    if isinstance(place, Address):
        return _postgres(place).open(place, read_only=read_only)
    from tracker.journal.sqlite import SqliteStore

    return SqliteStore.open(place, read_only=read_only)


def watched_store(place: Place) -> LastingStore:
    """The store at a place for somebody who only looks on; JournalError when no journal is there."""
    if not isinstance(place, Address):
        return open_store(place, read_only=True)
    _postgres(place)
    from tracker.journal.fan_out import watch

    return watch(place)


def ask_for_all(place: Place) -> None:
    """Ask a server on behalf of all who look on from this machine, as long as the program runs."""
    if isinstance(place, Address):
        _postgres(place)
        from tracker.journal.fan_out import ask_for_all

        ask_for_all(place)


def create_store(place: Place, genesis: Genesis, fill: Callable[[Store], object]) -> LastingStore:
    """A store made at a place, whole or not at all; JournalError where there is one, or it cannot be made.

    `fill` writes what it holds from the start.
    """
    if isinstance(place, Address):
        return _postgres(place).create(place, genesis, fill=fill)
    from tracker.journal.sqlite import SqliteStore

    return SqliteStore.create(place, genesis, fill=fill)


def remembered_store(address: Address, genesis: Genesis, rows: Sequence[Row]) -> Store:
    """The store of a journal whose server does not answer yet, as this machine knew it."""
    _postgres(address)
    from tracker.journal.postgres import remembered

    return remembered(address, genesis, rows)


def exists(place: Place) -> bool:
    """Whether something is at a place; JournalError when a server cannot say."""
    if isinstance(place, Path):
        return place.exists() or place.is_symlink()
    return any(one.name == place.name for one in listed(place))


def listed(address: Address) -> list[Listed]:
    """The journals of a database, by name; JournalError when they cannot be read."""
    _postgres(address)
    from tracker.journal.postgres import listed as found

    return found(address)


def preparation() -> str:
    """The statements with which an administrator prepares a database for journals."""
    return (files("tracker.journal") / "postgres.sql").read_text(encoding="utf-8")


def _postgres(address: Address) -> type[PostgresStore]:
    """The store over a server; JournalError where what it needs is not installed."""
    if find_spec("psycopg") is None:
        raise JournalError(f"{address}: needs psycopg: pip install 'tracker[postgres]'")
    from tracker.journal.postgres import PostgresStore

    return PostgresStore
