"""What every store must do; each test runs against each of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.journal.memory_store import MemoryStore
from tracker.foundation.errors import JournalError
from tracker.journal.place import Address, place_of
from tracker.journal.progress import Recorded
from tracker.journal.sqlite import SqliteStore
from tracker.journal.store import AS_RUN, AS_SPENT, Genesis, Row, Shown, Store, seal, unseal

GENESIS = Genesis(
    "0f", "2031-05-04T14:00:00.000Z", True, "larkspur", "format: 1\nexcursion: Lärche\n", "p", "q"
)
WHEN = datetime(2031, 5, 4, 14, 0, 0, 250_000, tzinfo=UTC)


def chain(count: int, before: str = GENESIS.hash, first: int = 1) -> list[Row]:
    rows = []
    for number in range(first, first + count):
        event = Recorded(
            number, "noted", 10.0 * number, number % 2 == 0, WHEN, "op@desk", {"text": f"n {number}"}
        )
        rows.append(seal(event, before))
        before = rows[-1].hash
    return rows


@pytest.fixture(params=["memory", "sqlite", "postgres"])
def make(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], Store]:
    server = request.getfixturevalue("server") if request.param == "postgres" else None

    def make_store() -> Store:
        if request.param == "memory":
            return MemoryStore(GENESIS)
        if request.param == "sqlite":
            return SqliteStore.create(tmp_path / "one.sqlite", GENESIS)
        from tracker.journal.postgres import PostgresStore

        assert server is not None

        place = place_of(server.address(f"contract-{uuid4()}"))
        assert isinstance(place, Address)
        return PostgresStore.create(place, GENESIS)

    return make_store


@pytest.fixture
def store(make: Callable[[], Store]) -> Iterator[Store]:
    made = make()
    yield made
    made.close()


def test_a_new_store_holds_its_genesis_and_no_event(store: Store) -> None:
    assert store.genesis == GENESIS
    assert store.rows() == []
    assert store.derived("as_run") == {} and store.derived("as_spent") == {}
    assert store.shown() == []


def test_events_come_back_as_they_were_written_and_in_order(store: Store) -> None:
    rows = chain(5)
    for row in rows:
        with store.writing():
            store.append(row)
    assert store.rows() == rows
    assert store.rows(after=3) == rows[3:]
    assert store.rows(after=5) == []


def test_nothing_of_a_block_that_fails_is_there(store: Store) -> None:
    rows = chain(3)
    with store.writing():
        store.append(rows[0])
    with pytest.raises(ZeroDivisionError), store.writing():
        store.append(rows[1])
        store.derive("as_spent", {1: ("EV1", 0.0, 1.0, "work", "a.1", None)}, [])
        raise ZeroDivisionError
    assert store.rows() == rows[:1]
    assert store.derived("as_spent") == {}
    with store.writing():
        store.append(rows[1])
    assert store.rows() == rows[:2]


@pytest.mark.parametrize("number", [1, 3, 0, -1])
def test_a_number_that_is_not_the_next_is_refused(store: Store, number: int) -> None:
    with store.writing():
        store.append(chain(1)[0])
    with pytest.raises(JournalError), store.writing():
        store.append(replace(chain(1)[0], number=number))
    assert len(store.rows()) == 1


def test_derived_rows_are_put_replaced_and_taken_out(store: Store) -> None:
    run = tuple(None if n > 5 else f"text {n}" for n in range(len(AS_RUN)))
    spent = ("EV1", 0.0, 90.5, "wait", None, "go")
    assert len(spent) == len(AS_SPENT)
    with store.writing():
        store.derive("as_run", {1: run, 2: run}, [])
        store.derive("as_spent", {7: spent}, [])
    with store.writing():
        store.derive("as_run", {2: (*run[:-1], "b@desk")}, [1])
    assert store.derived("as_run") == {2: (*run[:-1], "b@desk")}
    assert store.derived("as_spent") == {7: spent}


def test_estimates_are_kept_as_shown(store: Store) -> None:
    shown = [
        Shown(n, 60.0 * n, "2031-05-04T14:00:00.000Z", '{"safe":0.9,"inside":{"p50":1.5}}') for n in (1, 2)
    ]
    for estimate in shown:
        with store.writing():
            store.show(estimate)
    assert store.shown() == shown and store.shown(1) == shown[1:]


def test_a_store_has_changed_only_once_when_nobody_else_writes(store: Store) -> None:
    assert store.changed()
    assert not store.changed()
    with store.writing():
        store.append(chain(1)[0])
    assert not store.changed()


def test_a_closed_store_says_so_instead_of_answering(store: Store) -> None:
    store.close()
    store.close()
    with pytest.raises(JournalError), store.writing():
        store.append(chain(1)[0])


def test_the_hash_binds_every_part_of_the_genesis() -> None:
    others: dict[str, Any] = {
        "uuid": "1",
        "created": "x",
        "rehearsal": False,
        "plan_name": "x",
        "plan": "x",
        "format": 2,
    }
    others |= {"pace_name": None, "pace": None}
    for name, value in others.items():
        assert replace(GENESIS, **{name: value}).hash != GENESIS.hash, name


def test_the_hash_binds_every_part_of_a_row_and_what_came_before() -> None:
    row = chain(1)[0]
    assert row.sealed_after(GENESIS.hash)
    assert not row.sealed_after(row.hash)
    others: dict[str, Any] = {
        "number": 2,
        "kind": "done",
        "at": 11.0,
        "stated": True,
        "recorded": "x",
        "seat": "x",
        "body": "{}",
    }
    for name, value in others.items():
        assert not replace(row, **{name: value}).sealed_after(GENESIS.hash), name


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    body=st.dictionaries(st.text(), JSON, max_size=4),
    # A NUL is refused wherever an event is read; PostgreSQL can keep none outside of JSON.
    seat=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1),
    at=st.integers(-9999, 99999),
)
def test_any_text_survives(make: Callable[[], Store], body: dict[str, object], seat: str, at: int) -> None:
    store = make()
    try:
        event = Recorded(1, "noted", float(at), False, WHEN, seat, body)
        row = seal(event, GENESIS.hash)
        with store.writing():
            store.append(row)
        (back,) = store.rows()
        assert back == row and back.sealed_after(GENESIS.hash)
        assert unseal(back) == event
    finally:
        store.close()
        if isinstance(store, SqliteStore):
            Path(store.name).unlink()
