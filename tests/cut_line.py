"""Several seats at one journal on a server over a line that is cut, and a server that is killed.

The proxy cuts what is written before, in the middle or behind, swallows answers, or swallows everything for
ever. What matters are ambiguous commits: the event is there and nobody was told. They are counted, since a
run without any proves nothing.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any
from uuid import uuid4

import pytest

from tests.servers import Server
from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import EventError, JournalError
from tracker.journal import postgres_link
from tracker.journal.journal import Journal
from tracker.journal.outbox import Outbox
from tracker.journal.place import Address, place_of
from tracker.journal.postgres import PostgresStore
from tracker.journal.seat import sit
from tracker.journal.store import Again
from tracker.journal.stores import open_store
from tracker.journal.verify import verify
from tracker.plan.model import Plan
from tracker.plan.read import parse_plan

WRITES = (b"tracker.append(", b"COMMIT")
WAYS = ("before", "half", "behind", "swallowed", "hole")
SLOW = (
    "CREATE FUNCTION tracker.slow() RETURNS trigger LANGUAGE plpgsql AS "
    "$$ BEGIN PERFORM pg_sleep(random() * 0.04); RETURN NULL; END $$; "
    "CREATE CONSTRAINT TRIGGER slow AFTER INSERT ON tracker.jobs DEFERRABLE INITIALLY DEFERRED "
    "FOR EACH ROW EXECUTE FUNCTION tracker.slow(); GRANT EXECUTE ON FUNCTION tracker.slow TO tracker_write"
)
"""Makes commits last for a moment, so that cuts fall into them."""
SEATS = 4


class Proxy:
    """Passes bytes to a server; cuts so many of the writes."""

    def __init__(self, port: int, random: Random, share: float) -> None:
        self.share, self.cuts = share, 0
        self._server, self._random = port, random
        self._shut = False
        self._open: list[socket.socket] = []
        self._door = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port = int(self._door.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        self._door.close()

    def block(self, shut: bool) -> None:
        """Break every connection and let none come about, or let them again."""
        self._shut = shut
        if shut:
            for line in self._open:
                with contextlib.suppress(OSError):
                    line.shutdown(socket.SHUT_RDWR)
            self._open.clear()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._door.accept()
                threading.Thread(target=self._pass, args=(client,), daemon=True).start()

    def _pass(self, client: socket.socket) -> None:
        if self._shut:
            client.close()
            return
        self._open.append(client)
        try:
            server = socket.create_connection(("127.0.0.1", self._server))
        except OSError:
            client.close()
            return
        mute = threading.Event()
        back = threading.Thread(target=self._answers, args=(server, client, mute), daemon=True)
        back.start()
        with contextlib.suppress(OSError):
            while chunk := client.recv(1 << 20):
                cut = any(word in chunk for word in WRITES) and self._random.random() < self.share
                if cut:
                    self.cuts += 1
                    self._cut(self._random.choice(WAYS), chunk, client, server, mute)
                    break
                server.sendall(chunk)
        for line in (client, server):
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()

    @staticmethod
    def _cut(
        way: str, chunk: bytes, client: socket.socket, server: socket.socket, mute: threading.Event
    ) -> None:
        if way == "half":
            server.sendall(chunk[: len(chunk) // 2])
        elif way == "behind":
            server.sendall(chunk)
        elif way in ("swallowed", "hole"):
            mute.set()
            server.sendall(chunk)
            if way == "swallowed":
                pause(0.08)
            else:
                # Until whoever waits at the other end has had enough.
                while client.recv(1 << 20):
                    pass

    @staticmethod
    def _answers(server: socket.socket, client: socket.socket, mute: threading.Event) -> None:
        with contextlib.suppress(OSError):
            while chunk := server.recv(1 << 20):
                if not mute.is_set():
                    client.sendall(chunk)
            if not mute.is_set():
                client.shutdown(socket.SHUT_RDWR)


@dataclass
class Seat:
    """What one seat pressed, and what it was told of each press."""

    name: str
    pressed: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    told: dict[str, list[int]] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    tries: int = 0


@dataclass
class Verdict:
    """What came of it."""

    jobs: int = 0
    cuts: int = 0
    ambiguous: int = 0
    """Events that were there although nobody had been told, found when they were sent again."""
    kills: int = 0
    wrong: list[str] = field(default_factory=list)


def wide_plan(steps: int) -> Plan:
    """A plan with so many steps for each seat's crew member."""
    tasks = "".join(
        f"  - id: t{n}\n    title: Task of C{n}\n    steps:\n"
        + "".join(f"      - {{do: part {i}, crew: [C{n}], time: 0:01}}\n" for i in range(1, steps + 1))
        for n in range(SEATS)
    )
    crew = "".join(f"  - {{id: C{n}, name: Member {n}}}\n" for n in range(SEATS))
    consumables = "  - {id: gas, unit: l, start: 9000, per_hour: 1, reserve: 0}\n"
    head = f"format: 1\nexcursion: Wide\nzero: Go\nlimits: {{elapsed: 99:00}}\ncrew:\n{crew}"
    return parse_plan(f"{head}consumables:\n{consumables}tasks:\n{tasks}", file="wide.yaml", name="wide")


@contextlib.contextmanager
def counted(verdict: Verdict) -> Iterator[None]:
    """Count the ambiguous commits that come to light meanwhile."""
    append, job = PostgresStore._append, PostgresStore.job

    def told(store: PostgresStore, block: Any) -> None:
        try:
            append(store, block)
        except Again:
            verdict.ambiguous += 1
            raise

    def found(store: PostgresStore, name: str) -> tuple[int, int] | None:
        numbers = job(store, name)
        verdict.ambiguous += numbers is not None
        return numbers

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(PostgresStore, "_append", told)
        patched.setattr(PostgresStore, "job", found)
        yield


def _new_name_each_try(patched: pytest.MonkeyPatch) -> None:
    append = PostgresStore._append

    def nameless(store: PostgresStore, block: Any) -> None:
        block.job = None
        append(store, block)

    patched.setattr(PostgresStore, "_append", nameless)


def _no_look_after_a_refusal(patched: pytest.MonkeyPatch) -> None:
    patched.setattr(PostgresStore, "job", lambda store, name: None)


MUTANTS = {"a new name at each try": _new_name_each_try, "a refusal believed": _no_look_after_a_refusal}
"""Ways of getting it wrong that a run has to find."""


def press(seat: Seat, own: int, place: Address, folder: Path, jobs: int, until: float) -> None:
    """Press so many times, each again and again until it is told or refused."""
    journal = patiently(lambda: Journal.open(place), until)
    try:
        sit(journal, folder, seat.name)
        ticks = 0
        for n in range(jobs):
            if n % 3 == 0:
                ticks += 1
                event = {"kind": "done", "step": f"t{own}.{ticks}", "at": 60 * ticks}
            else:
                event = {"kind": "noted", "text": f"{seat.name} {n}", "at": 60 * ticks}
            job = str(uuid4())
            seat.pressed.append((job, event))
            while True:
                seat.tries += 1
                try:
                    seat.told[job] = journal.record_all([event], seat=seat.name, job=job)
                    break
                except EventError as error:
                    seat.refused[job] = error.lines[0]
                    break
                except JournalError:
                    if monotonic_s() > until:
                        return
                    pause(0.05)
    finally:
        journal.close()


def patiently(act: Callable[[], Any], until: float) -> Any:
    while True:
        try:
            return act()
        except JournalError:
            if monotonic_s() > until:
                raise
            pause(0.05)


def cut_run(
    server: Server, folder: Path, *, jobs: int, share: float = 0.3, seed: int = 1, kills: int = 0,
    deadline_s: float = 1.0, most_s: float = 120.0,
) -> Verdict:  # fmt: skip
    """Let four seats press through the proxy, and look at what is there in the end."""
    verdict, database = Verdict(jobs=jobs * SEATS), f"cut-{uuid4().hex[:8]}"
    server.prepare(database)
    server.admin(SLOW, database=database)
    direct = place_of(server.address("one", database=database))
    assert isinstance(direct, Address)
    Journal.create(direct, wide_plan(jobs // 3 + 1)).close()
    with Journal.open(direct) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    proxy = Proxy(server.port, Random(seed), share)
    place = place_of(str(direct).replace(f":{server.port}/", f":{proxy.port}/"))
    assert isinstance(place, Address)
    seats = [Seat(f"s{n}@desk") for n in range(SEATS)]
    until = monotonic_s() + most_s
    threads = [
        threading.Thread(target=press, args=(seat, n, place, folder, jobs, until), daemon=True)
        for n, seat in enumerate(seats)
    ]
    with pytest.MonkeyPatch.context() as patched, counted(verdict):
        patched.setattr(postgres_link, "DEADLINE_S", deadline_s)
        for thread in threads:
            thread.start()
        for _ in range(kills):
            pause(most_s / 60)
            if any(thread.is_alive() for thread in threads):
                server.kill()
                server.start()
                verdict.kills += 1
        for thread in threads:
            thread.join(timeout=max(0.1, until - monotonic_s()) + 20)
    proxy.close()
    verdict.cuts, verdict.jobs = proxy.cuts, sum(len(seat.pressed) for seat in seats)
    # What a seat had no time for is sent by whoever sits there next.
    with Journal.open(direct) as journal:
        sit(journal, folder, seats[0].name)
    verdict.wrong = list(_wrong(seats, direct, folder))
    return verdict


def _wrong(seats: list[Seat], place: Address, folder: Path) -> Iterator[str]:
    """Yield what was lost, doubled, out of order or told wrongly."""
    found = verify(place)
    if found.fault is not None:
        yield found.fault
    store = open_store(place, read_only=True)
    rows = {row.number: row for row in store.rows()}
    genesis = store.genesis
    store.close()
    for seat in seats:
        numbers = []
        for job, event in seat.pressed:
            key = "text" if event["kind"] == "noted" else "step"
            there = [n for n, row in rows.items() if f'"{key}":"{event[key]}"' in row.body]
            if len(there) != 1 or seat.told.get(job, there) != there or job in seat.refused:
                told = seat.told.get(job, seat.refused.get(job, "nothing"))
                yield f"{seat.name}, {event[key]}: there as {there}, told {told}"
            numbers += there
        if numbers != sorted(numbers):
            yield f"{seat.name}: out of order"
    for outbox in Outbox.left_behind(folder, genesis, place.plainly):
        with contextlib.closing(outbox):
            if outbox.waiting():
                yield f"{outbox.path}: {len(outbox.waiting())} still wait"
