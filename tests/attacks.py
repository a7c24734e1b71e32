"""Attacks on what is promised: writers killed, disks full, inputs mutated, many seats at once.

Each returns what it tried and what it found; quick in the suite, long in the bench. The first two fork, so
they are run as a program of their own: `python -m tests.attacks NAME FOLDER TRIES SEED` prints the finding.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import select
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache
from io import BytesIO
from pathlib import Path
from random import Random
from typing import Any
from uuid import uuid4

from tests.disk import watched
from tests.journals import MORNING, PLAN, plan
from tests.journals import journal as journal_in
from tests.plan.workbooks import repacked, xlsx
from tracker.console.settings_file import read_settings
from tracker.forecast.pace_file import read_pace
from tracker.foundation import clock
from tracker.foundation.errors import Fault, JournalError, PlanError, TrackerError
from tracker.journal.follow import Follower
from tracker.journal.journal import Journal
from tracker.journal.paper_sheet import ticks_of
from tracker.journal.place import journal_place
from tracker.journal.seat import sit
from tracker.journal.stream import Stream
from tracker.journal.verify import parse_expected, verify
from tracker.plan.columns import NO_WISHES
from tracker.plan.mapping import read_mapping
from tracker.plan.read import parse_plan
from tracker.plan.sheet import read_rows
from tracker.plan.sheet_plan import plan_of_sheet
from tracker.plan.sheet_table import read_table_of, rows_of, table_of_workbook
from tracker.plan.workbook import Grid, is_workbook, read_here

AGAIN = 25
"""Tries on one journal before the next begins."""
FIRST = len(MORNING)


@dataclass
class Finding:
    """What an attack tried, and what it broke."""

    tries: int = 0
    told: int = 0
    """Events whose number was printed."""
    lost: int = 0
    """Told events that are not there under their number."""
    twice: int = 0
    """Events that are there more than once."""
    unsound: list[str] = field(default_factory=list)
    """What `verify` said of a journal that nobody touched but the program."""

    @property
    def broken(self) -> bool:
        """Whether a promise was broken."""
        return bool(self.lost or self.twice or self.unsound)


def kills(folder: Path, tries: int, seed: int) -> Finding:
    """Kill a writer that appends, at any instant."""

    def attack(random: Random, path: Path, first: int, told: int, heard: int) -> None:
        pid = os.fork()
        if not pid:
            with contextlib.suppress(BaseException):
                _append(path, first, 10_000, told)
            os._exit(0)
        if random.random() < 0.8:
            select.select([heard], [], [], 10)
        time.sleep(random.uniform(0.0, 0.05))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)

    return _attacked(folder, tries, seed, attack)


def full_disks(folder: Path, tries: int, seed: int) -> Finding:
    """Let the disk be full after any number of bytes."""

    def attack(random: Random, path: Path, first: int, told: int, heard: int) -> None:
        most = path.stat().st_size + random.randrange(-8192, 40_000)
        pid = os.fork()
        if not pid:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
            with contextlib.suppress(BaseException):
                _append(path, first, 6, told)
            os._exit(0)
        os.waitpid(pid, 0)

    return _attacked(folder, tries, seed, attack)


def power_cuts(folder: Path, tries: int, seed: int) -> Finding:
    """Let the power go after any write, sync or removal of a file, whatever of it had not been synced."""
    random, finding, place = Random(seed), Finding(), folder / "whole"
    place.mkdir(parents=True)
    with journal_in(place, *MORNING) as made:
        path = made.path
    told: dict[str, tuple[int, int]] = {}
    kept: dict[str, int] = {}
    with watched(place) as disk, Journal.open(path) as one, Journal.open(path) as two:
        for journal in (one, two):
            sit(journal, place / "out")
        for n in range(24):
            journal, text = random.choice((one, two)), f"n{n}"
            note = {"kind": "noted", "text": text, "at": 1400}
            journal.sitting.keep(job := str(uuid4()), clock.utc_now(), [note], journal.number)
            kept[text] = len(disk.deeds)
            (number,) = journal.record_all([note], job=job)
            told[text] = number, len(disk.deeds)
    for n in range(tries):
        after, found = random.randrange(len(disk.deeds) + 1), folder / f"cut-{n}"
        (found / "out").mkdir(parents=True)
        for name, data in disk.after(after, random).items():
            (found / Path(name).relative_to(place)).write_bytes(data)
        with watched(found):
            numbers = {text: number for text, (number, by) in told.items() if by <= after}
            waiting = [text for text, by in kept.items() if by <= after]
            try:
                _check(found / path.name, numbers, finding, waiting)
            except JournalError as error:
                finding.unsound.append(error.lines[0])
        shutil.rmtree(found)
        finding.tries += 1
    return finding


def _append(path: Path, first: int, most: int, told: int) -> None:
    """Append notes, as a desk does, and tell the number of each that is recorded."""
    with Journal.open(path) as journal:
        with contextlib.suppress(JournalError):
            sit(journal, path.parent / "out")
        for n in range(first, first + most):
            with contextlib.suppress(JournalError):
                number = journal.record({"kind": "noted", "text": f"n{n}", "at": 1400})
                os.write(told, f"{n} {number}\n".encode())


def _attacked(
    folder: Path, tries: int, seed: int, attack: Callable[[Random, Path, int, int, int], None]
) -> Finding:
    random, finding = Random(seed), Finding()
    for start in range(0, tries, AGAIN):
        place = folder / f"{seed}-{start}"
        place.mkdir(parents=True)
        with journal_in(place, *MORNING) as made:
            path = made.path
        numbers: dict[str, int] = {}
        for n in range(min(AGAIN, tries - start)):
            heard, told = os.pipe()
            attack(random, path, n * 100_000, told, heard)
            os.close(told)
            with os.fdopen(heard) as lines:
                numbers.update({f"n{line.split()[0]}": int(line.split()[1]) for line in lines})
            finding.tries += 1
        _check(path, numbers, finding)
    return finding


def _check(path: Path, told: dict[str, int], finding: Finding, kept: Sequence[str] = ()) -> None:
    """Sit down once more, so that what waits is sent, and look for what was told, and for what was kept."""
    with Journal.open(path, outbox=path.parent / "out") as journal:
        recorded = journal.fold.recorded[FIRST:]
    at = {event.body["text"]: event.number for event in recorded}
    finding.told += len(told)
    finding.lost += sum(at.get(text) != number for text, number in told.items())
    finding.lost += sum(text not in at for text in kept)
    finding.twice += sum(n > 1 for n in Counter(event.body["text"] for event in recorded).values())
    if fault := verify(path).fault:
        finding.unsound.append(f"{path}: {fault}")


# Many seats


def seats(folder: Path, *, writers: int, watchers: int, seconds: float) -> tuple[Finding, list[float], int]:
    """Several writers and watchers at one journal: the finding, each write's wait, and reads that failed."""
    folder.mkdir(parents=True, exist_ok=True)
    with journal_in(folder, *MORNING) as made:
        path = made.path
    command = [sys.executable, "-m", "tests.attacks"]
    writing = [[*command, "write", str(path), str(seconds), str(n)] for n in range(writers)]
    watching = [[*command, "watch", str(path), str(seconds), "0"] for _ in range(watchers)]
    running = [subprocess.Popen(one, stdout=subprocess.PIPE, text=True) for one in (*writing, *watching)]
    said = [json.loads(one.communicate()[0]) for one in running]
    waits = [wait for one in said[:writers] for wait in one["waits"]]
    finding = Finding(tries=writers + watchers)
    told = {text: number for one in said[:writers] for text, number in one["told"].items()}
    _check(path, told, finding)
    return finding, sorted(waits), sum(one["failed"] for one in said[writers:])


def _write(path: Path, seconds: float, seat: int) -> dict[str, Any]:
    told: dict[str, int] = {}
    waits, until = [], time.monotonic() + seconds
    with Journal.open(path) as journal:
        while time.monotonic() < until:
            text, began = f"s{seat}-{len(told)}", time.monotonic()
            told[text] = journal.record({"kind": "noted", "text": text, "at": 1400}, seat=f"seat {seat}")
            waits.append(time.monotonic() - began)
            time.sleep(0.1)
    return {"told": told, "waits": waits}


def _watch(path: Path, seconds: float) -> dict[str, Any]:
    failed, until = 0, time.monotonic() + seconds
    with Follower(path) as follower:
        while time.monotonic() < until:
            follower.look()
            failed += follower.trouble is not None
            time.sleep(0.2)
    return {"failed": failed}


# Mutated inputs

_LINES = [json.dumps(event).encode() for event in MORNING]
_TYPED = ["1 -3", "drop latch", "hold EV1 until 2:30 glove check", "reading oxygen 0.52 0.49", "amend 9 0:21"]
_PACE = (
    "format: 1\npace: {median: 1.05, spread: 0.15}\nnoise: {sigma: 0.33, weight: 6}\nuse: {spread: 0.15}\n"
)
_SETTINGS = 'theme = "dark"\nbell = true\n[keys]\nundo = "Z"\n'
_PIECES = [b"9" * 310, b"9" * 5000, b"NaN", b"{", b"}", b"[", b"]", b'"', b"\\ud800", b"\x00", b"\x1b[2J"]
_PIECES += ["\u202e".encode(), b"null", b"true", b"9031-05-04T14:00:00Z", b"0:00", b": ", b"\n", b"&a", b"*a"]
_PIECES += [b"-", b"1e999"]


_MAPPING = "format: 1\nsheet: Steps\nheader_row: 9\ncolumns: {do: What, time: Min}\ncrew: {Ann: EV1}\n"
_TICKS = "Step;Start;Finish\nhinge.unplug;0:22;0:25\nhinge.mate;0:25;0:36\n"
_ADDRESS = "postgresql://op@host:5432/eva?sslmode=verify-full&service=eva#larkspur-1"
_SHEET = [["Task", "Step", "Who", "Time", "Priority"], ["Hatch", "Open it", "EV1", "0:05", "must"]]
_SHEET += [["Hatch", "Look out", "EV1, EV2", "4 min", ""], ["Trays", "Take the tray", "EV2", "8", "should"]]
_SHEET += [["Home", "Go in", "EV1 EV2", "0:10", "closeout"]]


def _sheet_door(raw: bytes) -> None:
    """Read a sheet of steps as `tracker import` does."""
    if is_workbook(raw):
        table = table_of_workbook(_grids(raw), "s", NO_WISHES)
    else:
        table = read_table_of(raw, "s", NO_WISHES)
    text = plan_of_sheet(read_rows(table, "s"), excursion="s", limit=None, file="p")
    parse_plan(text, file="p", name="p")


def _grids(raw: bytes) -> list[Grid]:
    try:
        return read_here(raw)
    except Exception as error:
        # In the command a process of its own stands between, whose end is told in one line.
        raise PlanError([Fault("s", 0, 0, "", "cannot be read", "")]) from error


def _mutated_book(random: Random) -> bytes:
    """A workbook with one member of its package changed; now and then the package itself."""
    if random.random() < 0.1:
        return mutated(_book(), random)
    with zipfile.ZipFile(BytesIO(_book())) as package:
        chosen = random.choice([name for name in package.namelist() if name.endswith(".xml")])
    return repacked(_book(), lambda name, content: mutated(content, random) if name == chosen else content)


@cache
def _book() -> bytes:
    return xlsx(*_SHEET)


def mutated(text: bytes, random: Random) -> bytes:
    """A text with a few bytes or pieces of it changed, doubled, moved or left out."""
    for _ in range(random.randint(1, 4)):
        i, j = sorted((random.randrange(len(text) + 1), random.randrange(len(text) + 1)))
        match random.randrange(5):
            case 0:
                text = text[:i] + random.choice(_PIECES) + text[i:]
            case 1:
                text = text[:i] + text[min(j, i + 9) :]
            case 2:
                text = text[:i] + bytes([random.randrange(256)]) + text[i + 1 :]
            case 3:
                text = text[:j] + text[i : min(j, i + 40)] + text[j:]
            case _:
                text = text[:i] + random.choice(_PIECES) + text[min(j, i + 12) :]
    return text


def doors(folder: Path) -> dict[str, tuple[list[bytes], Callable[[bytes], object]]]:
    """Every door by name: sound inputs, and what takes one; TrackerError is how a door refuses."""
    from tests.journal.memory_store import in_memory
    from tracker.journal.typed import parse_words

    journal = in_memory(plan())
    journal.record_all(MORNING)
    progress, folder = journal.progress(), folder / "doors"
    folder.mkdir(parents=True)
    with journal_in(folder, *MORNING) as made:
        path, sound = made.path, made.path.read_bytes()

    def suppose(events: Sequence[dict[str, Any]]) -> None:
        journal.fold.suppose(events)

    def line(raw: bytes) -> None:
        Stream(suppose, lambda number, error: None).read(BytesIO(raw))

    def typed(raw: bytes) -> None:
        words = raw.decode("utf-8", "replace").split()
        if words:
            journal.fold.suppose(parse_words(words, progress, now=1400.0, utc_now=made_at, seat="op"))

    def a_journal(raw: bytes) -> None:
        path.write_bytes(raw)
        verdict = verify(path)
        # What still counts as sound must be what was written: a changed byte may lie in unused space alone.
        assert verdict.fault is not None or verdict.hash == digest

    made_at = journal.fold.recorded[-1].recorded
    digest = made.hash
    return {
        "line": (_LINES, line),
        "typed": ([one.encode() for one in _TYPED], typed),
        "plan": ([PLAN.encode()], lambda raw: parse_plan(raw.decode("utf-8", "replace"), file="p", name="p")),
        "pace": ([_PACE.encode()], lambda raw: read_pace(raw.decode("utf-8", "replace"), "p")),
        "settings": ([_SETTINGS.encode()], lambda raw: read_settings(raw.decode("utf-8", "replace"), "s")),
        "journal": ([sound], a_journal),
        "csv": (["\n".join(";".join(row) for row in _SHEET).encode()], _sheet_door),
        "xlsx": ([], _sheet_door),
        "mapping": ([_MAPPING.encode()], lambda raw: read_mapping(raw.decode("utf-8", "replace"), "m")),
        "ticks": ([_TICKS.encode()], lambda raw: ticks_of(rows_of(raw, "s"), "s", progress)),
        "address": ([_ADDRESS.encode()], lambda raw: journal_place(raw.decode("utf-8", "replace"))),
        "expect": ([f"12:{digest}".encode()], lambda raw: parse_expected(raw.decode("utf-8", "replace"))),
    }


def mutations(folder: Path, door: str, tries: int, seed: int) -> Iterator[tuple[int, bytes, Exception]]:
    """Yield every input that got past a door as something other than a refusal, by its seed."""
    sound, takes = doors(folder)[door]
    for n in range(seed, seed + tries):
        random = Random(n)
        raw = mutated(random.choice(sound), random) if sound else _mutated_book(random)
        try:
            takes(raw)
        except TrackerError:
            continue
        except Exception as error:
            yield n, raw, error


def main(words: list[str]) -> None:
    """Run one attack as a program of its own, and print what it found."""
    name, folder, amount, seed = words
    path = Path(folder)
    match name:
        case "kills":
            print(json.dumps(asdict(kills(path, int(amount), int(seed)))))
        case "disks":
            print(json.dumps(asdict(full_disks(path, int(amount), int(seed)))))
        case "write":
            print(json.dumps(_write(path, float(amount), int(seed))))
        case _:
            print(json.dumps(_watch(path, float(amount))))


def run(name: str, folder: Path, tries: int, seed: int = 1) -> Finding:
    """Run an attack that forks, in a program of its own."""
    command = [sys.executable, "-m", "tests.attacks", name, str(folder), str(tries), str(seed)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return Finding(**json.loads(done.stdout))


if __name__ == "__main__":
    main(sys.argv[1:])
