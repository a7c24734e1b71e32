"""Desks in a terminal, over a line to their server that is cut, killed again and again as they write notes.

A note counts from when the screen said that it is saved, or from when the seat's outbox held it; so does what
takes one back. The desk that comes last sends what the others left.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from uuid import uuid4

from tests.cut_line import Proxy, wide_plan
from tests.servers import Server
from tests.terminal import Terminal
from tracker.foundation.clock import utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal
from tracker.journal.place import place_of
from tracker.journal.verify import verify

_SAVED = re.compile(r"entry (\d+) saved: note (k\d+-\d+) ")
_TAKEN_BACK = re.compile(r"(?:took|taken) back[^:]*: note:? (k\d+-\d+)")
_UNDO = "an undo"
NOTES = 5


@dataclass
class Killed:
    """What became of desks that were killed."""

    killed: int = 0
    told: int = 0
    """Notes of which the screen said that they are saved."""
    kept: int = 0
    """Notes that waited in the outbox when their desk was killed."""
    undone: set[str] = field(default_factory=set)
    """Notes that were taken back, by the screen or by the outbox."""
    asked: set[str] = field(default_factory=set)
    """Notes behind which the key of the undo was pressed, whatever came of it."""
    wrong: list[str] = field(default_factory=list)


def killed_desks(server: Server, folder: Path, *, times: int, seed: int) -> Killed:
    """Kill so many desks while they write, and look at what is there in the end."""
    random, found = Random(seed), Killed()
    direct = server.address(f"desks-{uuid4()}")
    with Journal.create(direct, wide_plan(3)) as journal:
        journal.record({"kind": "zero", "utc": format_instant(utc_now() - timedelta(minutes=10))})
    proxy = Proxy(server.port, random, 0.1)
    through = direct.replace(f":{server.port}/", f":{proxy.port}/")
    said: dict[str, int] = {}
    waiting: set[str] = set()
    try:
        for n in range(times):
            with Terminal(
                "run", through, "--outbox", str(folder), env={"XDG_STATE_HOME": str(folder)}
            ) as desk:
                said |= _notes(desk, proxy, random, n, found)
            proxy.block(False)
            found.killed += 1
            waiting |= (left := {*_waiting(folder)} - {_UNDO})
            found.undone |= set(_undone(folder))
            found.kept += len(left)
        proxy.share = 0.0
        with Terminal("run", through, "--outbox", str(folder), env={"XDG_STATE_HOME": str(folder)}) as desk:
            desk.until("entry ", lambda: not list(_waiting(folder)))
    finally:
        proxy.close()
    found.told = len(said)
    found.wrong = list(_wrong(direct, folder, said, waiting, found))
    return found


def _notes(desk: Terminal, proxy: Proxy, random: Random, n: int, found: Killed) -> dict[str, int]:
    """Write notes, with the line down from one of them on, and take some back at once.

    The number of each that was said to be saved; `found` gets what was taken back.
    """
    said: dict[str, int] = {}

    desk.until("entry ", " tick ")
    down = random.randrange(NOTES + 3)
    for k in range(NOTES):
        if k in (down, down + 2):
            proxy.block(k == down)
        # What is typed at once behind the key goes into the line that it opens.
        desk.send(f"nk{n}-{k}\r")
        if random.random() < 0.3:
            desk.read(0.01 * random.randrange(20))
            desk.send("u")
            found.asked.add(f"k{n}-{k}")
        for _ in range(random.randrange(4, 150)):
            desk.read(0.01)
            # What is on the screen of a desk that is killed at once was told as well.
            said.update((name, int(number)) for number, name in _SAVED.findall(desk.text))
            found.undone.update(_TAKEN_BACK.findall(desk.text))
    return said


def _waiting(folder: Path) -> Iterator[str]:
    """Yield the notes that wait in the outboxes."""
    for path in folder.glob("*.sqlite"):
        with closing(sqlite3.connect(path)) as db:
            for (events,) in db.execute("SELECT events FROM jobs WHERE state IN ('waiting', 'sent')"):
                yield from (event.get("text", _UNDO) for event in json.loads(events))


def _undone(folder: Path) -> Iterator[str]:
    """Yield the notes whose undo waits in the outboxes, or that were left out for good."""
    taken = "SELECT events -> 0 ->> 'job' FROM jobs WHERE state IN ('waiting', 'sent')"
    for path in folder.glob("*.sqlite"):
        with closing(sqlite3.connect(path)) as db:
            for (text,) in db.execute(
                "SELECT events -> 0 ->> 'text' FROM jobs WHERE events -> 0 ->> 'kind' = 'noted' "
                f"AND (state = 'taken back' OR job IN ({taken}))"
            ):
                yield text


def _wrong(place: str, folder: Path, said: dict[str, int], waiting: set[str], found: Killed) -> Iterator[str]:
    """Yield which notes are not there, are there twice, or not under the number that was told."""
    if (fault := verify(place_of(place)).fault) is not None:
        yield fault
    with Journal.open(place, read_only=True) as journal:
        there = [
            (event.number, event.body["text"]) for event in journal.fold.recorded if event.kind == "noted"
        ]
        stands = {event.body["text"] for event in journal.progress().events if event.kind == "noted"}
    yield from (f"{name}: was taken back, and stands" for name in sorted(found.undone & stands))
    yield from (
        f"{name}: does not stand, and nobody took it back"
        for name in sorted((said.keys() | waiting) - found.asked - stands)
    )
    for name in sorted((said.keys() | waiting) - found.asked):
        numbers = [number for number, text in there if text == name]
        if len(numbers) != 1 or said.get(name, numbers[0]) != numbers[0]:
            yield f"{name}: there as {numbers}, told {said.get(name)}"
    texts = [text for _, text in there]
    yield from (f"{text}: there twice" for text in sorted(set(texts)) if texts.count(text) > 1)
    order = [tuple(map(int, text[1:].split("-"))) for text in texts]
    if order != sorted(order):
        yield f"out of order: {texts}"
    yield from (f"{text} still waits" for text in _waiting(folder))
