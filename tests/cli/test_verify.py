"""`tracker verify` names the first fault, and `tracker copy` carries a sound journal over whole."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.journals import MORNING, ZERO, journal
from tracker.cli.main import main
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.store import AS_RUN, seal, unseal
from tracker.journal.verify import copy, parse_expected, verify

ESTIMATE = {"at": 620, "inside": {"p10": 1.5, "p50": 2.5, "p90": 3.5}, "safe": 0.9, "advisory": "…"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    with journal(tmp_path, *MORNING) as one:
        one.write_estimate(ESTIMATE, one.number)
    return tmp_path / "one.sqlite"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, list[str], list[str]]:
    status = main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return status, out.splitlines(), err.splitlines()


def tamper(path: Path, *statements: str) -> None:
    """Change a journal as somebody would who takes the triggers away and puts them back."""
    other = sqlite3.connect(path, isolation_level=None)
    triggers = other.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        other.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        other.execute(statement)
    for _, sql in triggers:
        other.execute(sql)
    other.close()


def test_a_sound_journal(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, "verify", path)
    with Journal.open(path, read_only=True) as one:
        assert (status, out, err) == (0, [f"sound: 12 events, 12:{one.hash}"], [])


def test_a_journal_without_events_is_sound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with journal(tmp_path) as one:
        assert run(capsys, "verify", one.path) == (0, [f"sound: 0 events, 0:{one.hash}"], [])


def test_a_journal_in_use_is_sound(path: Path) -> None:
    with Journal.open(path) as one:
        one.record({"kind": "noted", "text": "x", "at": 1})
        assert verify(path).fault is None and verify(path).events == 13


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE events SET at = at + 1 WHERE number = 3", "event 3 was changed"),
        ("UPDATE events SET kind = 'began' WHERE number = 3", "event 3 was changed"),
        ("UPDATE events SET stated = 1 - stated WHERE number = 4", "event 4 was changed"),
        ("UPDATE events SET recorded = '2031-01-01T00:00:00.000Z' WHERE number = 5", "event 5 was changed"),
        ("UPDATE events SET seat = 'x' WHERE number = 1", "event 1 was changed"),
        ("UPDATE events SET body = replace(body, 'glove', 'glowe') WHERE number = 5", "event 5 was changed"),
        ("UPDATE events SET hash = upper(hash) WHERE number = 6", "event 6 was changed"),
        ("DELETE FROM events WHERE number = 7", "event 7 is missing"),
        ("DELETE FROM events WHERE number = 1", "event 1 is missing"),
        ("UPDATE journal SET plan = replace(plan, '0:12', '0:13')", "created with"),
        ("UPDATE journal SET uuid = 'x'", "created with"),
        ("UPDATE journal SET rehearsal = 1", "created with"),
        ("UPDATE journal SET pace = 'x'", "created with"),
        ("UPDATE journal SET hash = 'x'", "created with"),
        ("UPDATE as_run_rows SET variance = 0 WHERE step = 'egress.hatch'", "as_run: row 1 "),
        ("DELETE FROM as_run_rows WHERE step = 'home.back'", "as_run: row 11 "),
        ("INSERT INTO as_spent_rows VALUES (9, 'EV1', 0, 1, 'work', NULL, NULL)", "as_spent: row 9 "),
        ("UPDATE estimates SET safe = 0.95", "estimates: row 1 was changed"),
        ("UPDATE estimates SET estimate = replace(estimate, '0.9', '0.8')", "estimates: row 1 was changed"),
        ("CREATE TABLE more (x)", "which no journal has"),
        ("DROP VIEW as_run", "lost or changed `CREATE VIEW as_run`"),
    ],
)
def test_the_first_fault_is_named(
    path: Path, capsys: pytest.CaptureFixture[str], statement: str, said: str
) -> None:
    tamper(path, statement)
    status, out, err = run(capsys, "verify", path)
    assert (status, out, len(err)) == (1, [], 1)
    assert said in err[0] and str(path) in err[0]


def test_a_missing_trigger_is_a_fault(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("DROP TRIGGER events_no_delete")
    other.close()
    fault = verify(path).fault
    assert fault is not None and "events_no_delete" in fault


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"kind": "frobbed"},
        {"body": {}},
        {"body": {"step": 3}},
        {"kind": "held", "body": {"crew": 5}},
        {"kind": "reading", "body": {"crew": "EV1", "consumable": "oxygen", "value": "much"}},
        {"kind": "reading", "body": {"crew": "EV9", "consumable": "oxygen", "value": 1}},
        {"kind": "zero", "body": {"utc": "noon"}},
        {"kind": "amended", "body": {"event": [1]}},
        {"kind": "added", "body": {"task": []}},
    ],
)
def test_events_that_cannot_have_happened_are_a_fault_although_the_chain_holds(
    path: Path, changes: dict[str, Any]
) -> None:
    with Journal.open(path, read_only=True) as one:
        before, tick = one.hash, unseal(one._store.rows()[2])
    row = seal(replace(tick, number=13, **changes), before)
    cells = (row.number, row.kind, row.at, 1, row.recorded, row.seat, row.body, row.hash)
    tamper(path, f"INSERT INTO events VALUES {cells!r}")
    fault = verify(path).fault
    assert fault is not None and fault.startswith("event 13 cannot be replayed: ")
    with pytest.raises(JournalError, match="event 13 cannot be replayed"):
        Journal.open(path)


@pytest.mark.parametrize("change", ["at = 9e999", "recorded = '2031-05-04'", "body = '[1]'", "body = '3'"])
def test_values_that_no_event_has_are_a_fault(path: Path, change: str) -> None:
    tamper(path, f"UPDATE events SET {change} WHERE number = 3")
    fault = verify(path).fault
    assert fault is not None and fault.startswith("event 3 ")


def test_expect_holds_a_journal_to_what_was_noted_elsewhere(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Journal.open(path, read_only=True) as one:
        rows = one._store.rows()
    genesis = one.genesis.hash
    for good in (f"3:{rows[2].hash}", f"12:{rows[11].hash[:8].upper()}", f"0:{genesis}"):
        assert run(capsys, "verify", path, "--expect", good)[0] == 0
    for wrong, said in (
        (f"4:{rows[2].hash}", "event 4 is another"),
        (f"13:{rows[2].hash}", "ends at event 12: event 13 is missing"),
        ("3", "is not NUMBER:HASH"),
        ("3:xyz", "is not NUMBER:HASH"),
        (f"3:{rows[2].hash[:7]}", "is not NUMBER:HASH"),
    ):
        status, out, err = run(capsys, "verify", path, "--expect", wrong)
        assert (status, out, len(err)) == (1, [], 1) and said in err[0]
    assert parse_expected(" 7:ABCDEF01 ") == (7, "abcdef01")


def contents(path: Path) -> list[list[tuple[object, ...]]]:
    """Return what a journal says to any tool."""
    other = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        tables = ("journal", "events", "as_run", "as_spent", "estimates")
        return [other.execute(f"SELECT * FROM {table}").fetchall() for table in tables]
    finally:
        other.close()


def used(path: Path) -> Iterator[int]:
    """Yield the places in the file that hold bytes other than zero."""
    yield from (place for place, byte in enumerate(path.read_bytes()) if byte)


@pytest.mark.parametrize("seed", range(4))
def test_no_changed_byte_passes_for_sound(path: Path, tmp_path: Path, seed: int) -> None:
    dice, whole, said = random.Random(seed), path.read_bytes(), contents(path)
    places = dice.sample(list(used(path)), 60)
    other = tmp_path / "changed.sqlite"
    found = 0
    for place in places:
        changed = bytearray(whole)
        changed[place] ^= 1 << dice.randrange(8)
        other.write_bytes(changed)
        try:
            fault = verify(other).fault
        except JournalError as error:
            fault = error.lines[0]
        if fault is None:
            # Bytes that hold nothing of the journal may change: what it says must then be what it said.
            assert contents(other) == said, place
        else:
            found += 1
            assert "\n" not in fault
    assert found > len(places) / 2


@pytest.mark.parametrize(
    "text", ["glove check", "Release the four captive fasteners", "suits checked", "op@desk"]
)
def test_every_byte_of_a_text_on_record_is_watched(path: Path, tmp_path: Path, text: str) -> None:
    whole, other = path.read_bytes(), tmp_path / "changed.sqlite"
    start = whole.index(text.encode())
    for place in range(start, start + len(text)):
        changed = bytearray(whole)
        changed[place] ^= 1
        other.write_bytes(changed)
        assert verify(other).fault is not None


def test_verify_leaves_a_journal_as_it_was(path: Path) -> None:
    before = {entry.name: entry.read_bytes() for entry in path.parent.iterdir()}
    assert verify(path).fault is None
    assert {entry.name: entry.read_bytes() for entry in path.parent.iterdir()} == before


def test_what_is_no_journal_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x").write_bytes(b"text")
    for name in ("x", "none", "."):
        status, out, err = run(capsys, "verify", tmp_path / name)
        assert (status, out, len(err)) == (1, [], 1)


def test_a_copy_is_the_same_journal(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "new" / "two.sqlite"
    before = path.read_bytes()
    status, out, err = run(capsys, "copy", path, target)
    assert (status, err) == (0, [])
    assert out == [f"copied: 12 events, 12:{verify(path).hash}"]
    assert contents(target) == contents(path)
    assert path.read_bytes() == before
    with Journal.open(path, read_only=True) as one, Journal.open(target) as two:
        assert two.genesis == one.genesis and two.hash == one.hash
        assert two.record({"kind": "noted", "text": "goes on", "at": 1}) == 13
    assert verify(target).fault is None


def test_a_copy_of_a_journal_in_use_has_what_was_recorded_by_then(tmp_path: Path) -> None:
    with journal(tmp_path, ZERO) as one:
        one.record({"kind": "noted", "text": "x", "at": 1})
        assert copy(one.path, tmp_path / "two.sqlite").events == 2


def test_nothing_is_copied_over_or_from_what_is_not_sound(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken, free = tmp_path / "taken", tmp_path / "free.sqlite"
    taken.write_bytes(b"mine")
    status, out, err = run(capsys, "copy", path, taken)
    assert (status, out, len(err)) == (1, [], 1) and "exists already" in err[0]
    assert taken.read_bytes() == b"mine"
    assert run(capsys, "copy", path, path)[0] == 1
    tamper(path, "UPDATE events SET at = at + 1 WHERE number = 3")
    status, out, err = run(capsys, "copy", path, free)
    assert (status, out, len(err)) == (1, [], 1) and "event 3 was changed" in err[0]
    assert not free.exists()


def test_as_run_has_the_columns_of_the_contract(path: Path) -> None:
    other = sqlite3.connect(path)
    names = [row[1] for row in other.execute("PRAGMA table_info(as_run)")]
    other.close()
    wanted = "task step do crew work status planned_start planned_finish planned_duration actual_start"
    wanted += " actual_finish actual_duration variance waited held begin_kind entry_lag seat"
    assert " ".join(names) == " ".join(AS_RUN) == wanted


@pytest.mark.parametrize("statement", ["UPDATE estimates SET id = 17", "UPDATE journal SET one = 9"])
def test_a_changed_key_of_a_row_is_found(path: Path, statement: str) -> None:
    tamper(path, "PRAGMA ignore_check_constraints = ON", statement)
    with pytest.raises(JournalError) if "journal" in statement else nullcontext():
        assert verify(path).fault is not None
