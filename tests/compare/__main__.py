"""`python -m tests.compare OLD NEW`: whether two checkouts say and write the same, byte for byte.

Both run as processes of their own, each with its own interpreter and packages, over rehearsals, made-up
journals and every command. Every difference is printed with the command and the first line that differs;
exit status 1 where there is one.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import queue
import re
import shlex
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import zip_longest
from pathlib import Path
from typing import Any

from tests.compare.driver import CRASH
from tests.compare.scripts import KINDS, Call, Group, groups

DRIVER = Path(__file__).with_name("driver.py")


class Side:
    """A checkout's process, and the folder in which its groups run."""

    def __init__(self, checkout: Path, box: Path) -> None:
        self.checkout, self.box = checkout, box
        own = checkout / ".venv" / "bin" / "python"
        python = str(own) if own.exists() else sys.executable
        env = {
            key: value
            for key, value in os.environ.items()
            if not key.startswith(("PYTHON", "TRACKER", "COV"))
        }
        env |= {"PYTHONPATH": str(checkout), "PYTHONDONTWRITEBYTECODE": "1", "TRACKER_SETTINGS": ""}
        env |= {
            "HOME": str(box),
            "XDG_STATE_HOME": str(box),
            "LOGNAME": "desk",
            "TZ": "UTC",
            "COLUMNS": "100",
        }
        env |= {"LC_ALL": "C.UTF-8", "MPLCONFIGDIR": str(box), "OPENBLAS_NUM_THREADS": "1"}
        command = [python, "-P", str(DRIVER), str(checkout)]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env, cwd=box, encoding="utf-8"
        )

    def run(self, folder: Path, calls: Sequence[Call]) -> list[list[Any]]:
        """Return status, output and error of each call, run in a folder."""
        assert self.process.stdin and self.process.stdout
        batch = {"folder": str(folder), "calls": [vars(call) for call in calls]}
        self.process.stdin.write(json.dumps(batch) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        if not answer:
            raise SystemExit(f"{self.checkout}: its process ended with status {self.process.wait()}")
        said: list[list[Any]] = json.loads(answer)
        return [
            [text.replace(str(self.box), "BOX") if isinstance(text, str) else text for text in one]
            for one in said
        ]

    def stop(self) -> None:
        """Let the process end."""
        assert self.process.stdin
        self.process.stdin.close()
        self.process.wait()


class Findings:
    """What was compared, and what differed."""

    def __init__(self, expected: Sequence[str]) -> None:
        self.expected = [re.compile(pattern) for pattern in expected]
        self.compared, self.differed, self.awaited, self.crashed = 0, 0, 0, 0
        self.kinds: Counter[str] = Counter()
        self.turn = threading.Lock()

    def compare(self, name: str, old: str, new: str) -> None:
        """Compare two texts; print the first line that differs."""
        with self.turn:
            self.compared += 1
            if old == new:
                return
            pairs = enumerate(zip_longest(old.split("\n"), new.split("\n"), fillvalue="(nothing)"), 1)
            line, (ours, theirs) = next((n, pair) for n, pair in pairs if pair[0] != pair[1])
            if any(pattern.search(f"{name}\n{ours}\n{theirs}") for pattern in self.expected):
                self.awaited += 1
                return
            self.differed += 1
            first = next((k for k, (a, b) in enumerate(zip(ours, theirs, strict=False)) if a != b), 0)
            begin = max(0, first - 60)
            print(
                f"{name}, line {line}:\n  old {ours[begin:][:200]!r}\n  new {theirs[begin:][:200]!r}",
                flush=True,
            )


def tables(path: Path) -> str:
    """Return everything in a journal's file as text: what it is made of, and every row."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        lines = [
            f"{name} {db.execute(f'PRAGMA {name}').fetchone()}" for name in ("application_id", "user_version")
        ]
        made = db.execute("SELECT type, name, sql FROM sqlite_master ORDER BY type, name").fetchall()
        for kind, name, sql in made:
            lines.append(f"{kind} {name}: {' '.join((sql or '').split())}")
            if kind in ("table", "view"):
                rows = db.execute(f'SELECT * FROM "{name}"')
                lines.append(f"  {[column[0] for column in rows.description]}")
                lines += sorted(f"  {name} {row}" for row in rows)
    return "\n".join(lines)


def content(path: Path) -> str:
    """Return a file as text; `(none)` where there is none."""
    if not path.exists():
        return "(none)"
    if path.suffix != ".sqlite":
        return path.read_text(encoding="utf-8", errors="backslashreplace")
    try:
        return tables(path)
    except sqlite3.Error as error:
        return f"({error})"


def play(group: Group, sides: tuple[Side, Side], findings: Findings, inputs: Sequence[Path]) -> None:
    """Run a group on both sides at once, and compare."""
    folders = tuple(side.box / group.name for side in sides)
    for folder in folders:
        folder.mkdir()
        for path in inputs:
            shutil.copy(path, folder)
    both(group, group.make, sides, folders, findings)
    for file in group.files:
        compare_files(group, file, folders, findings)
        if file.endswith(".sqlite"):
            hand_over(file, folders)
            count_kinds(folders[0] / file, findings)
    both(group, group.read, sides, folders, findings)
    for file in group.more:
        compare_files(group, file, folders, findings)
    for folder in folders:
        shutil.rmtree(folder)


def both(
    group: Group,
    calls: Sequence[Call],
    sides: tuple[Side, Side],
    folders: tuple[Path, ...],
    findings: Findings,
) -> None:
    """Run calls on both sides and compare what they said."""
    if not calls:
        return
    with ThreadPoolExecutor(2) as pool:
        old, new = pool.map(lambda side, folder: side.run(folder, calls), sides, folders)
    for call, ours, theirs in zip(calls, old, new, strict=True):
        name = f"{group.name}: tracker {shlex.join(call.argv)[:200]} (at {call.now})"
        for what, one, other in zip(("status", "output", "errors"), ours, theirs, strict=True):
            findings.compare(f"{name}, {what}", str(one), str(other))
        findings.crashed += ours[0] == theirs[0] == CRASH


def compare_files(group: Group, file: str, folders: tuple[Path, ...], findings: Findings) -> None:
    """Compare a file that both wrote, or did not."""
    old, new = (content(folder / file).replace(str(folder.parent), "BOX") for folder in folders)
    findings.compare(f"{group.name}: {file}", old, new)


def hand_over(file: str, folders: tuple[Path, ...]) -> None:
    """Let the newer checkout go on with the journal that the older one made."""
    for path in folders[1].glob(f"{file}*"):
        if path.name in (file, f"{file}-wal", f"{file}-shm"):
            path.unlink()
    for path in folders[0].glob(f"{file}*"):
        if path.name in (file, f"{file}-wal", f"{file}-shm"):
            shutil.copy(path, folders[1])


def count_kinds(path: Path, findings: Findings) -> None:
    """Count the kinds of the events that were taken."""
    if path.exists():
        with contextlib.closing(sqlite3.connect(path)) as db, findings.turn:
            findings.kinds.update(dict(db.execute("SELECT kind, count(*) FROM events GROUP BY kind")))


@contextlib.contextmanager
def started(old: Path, new: Path, box: Path) -> Iterator[tuple[Side, Side]]:
    """Start a process of each checkout."""
    (box / "old").mkdir(parents=True)
    (box / "new").mkdir()
    sides = Side(old, box / "old"), Side(new, box / "new")
    try:
        yield sides
    finally:
        for side in sides:
            side.stop()


def main() -> int:
    """Compare; 1 where something differs."""
    parser = argparse.ArgumentParser(prog="python -m tests.compare", description=__doc__)
    parser.add_argument("old", metavar="OLD", type=Path, help="a checkout; its plans are what both are given")
    parser.add_argument("new", metavar="NEW", type=Path)
    parser.add_argument("--quick", action="store_true", help="a part of everything, in a quarter of the time")
    parser.add_argument(
        "--jobs", type=int, default=2, help="processes at once, half of them for each checkout"
    )
    parser.add_argument("--only", default="", help="only groups whose name holds this regular expression")
    parser.add_argument(
        "--expected", action="append", default=[], metavar="PATTERN",
        help="a difference whose command or line holds this regular expression is counted, and no fault",
    )  # fmt: skip
    args = parser.parse_args()
    old, new = args.old.resolve(), args.new.resolve()
    inputs = sorted((old / "plans").glob("*.yaml"))
    wanted: queue.SimpleQueue[Group] = queue.SimpleQueue()
    for group in groups(old / "plans", quick=args.quick):
        if re.search(args.only, group.name):
            wanted.put(group)
    findings = Findings(args.expected)
    with tempfile.TemporaryDirectory() as folder:

        def work(n: int) -> None:
            with started(old, new, Path(folder) / str(n)) as sides:
                while True:
                    try:
                        group = wanted.get_nowait()
                    except queue.Empty:
                        return
                    play(group, sides, findings, inputs)

        workers = max(1, args.jobs // 2)
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(work, range(workers)))
    missing = [kind for kind in KINDS if not findings.kinds[kind]]
    print(f"{findings.compared} comparisons, {findings.differed} differences", end="")
    print(f", {findings.awaited} expected ones" if args.expected else "")
    print(
        f"{sum(findings.kinds.values())} events of {len(KINDS) - len(missing)} of {len(KINDS)} kinds", end=""
    )
    print(f"; none of {', '.join(missing)}" if missing else "")
    if findings.crashed:
        print(f"{findings.crashed} calls ended in an exception that nothing caught, on both sides alike")
    return 1 if findings.differed else 0


if __name__ == "__main__":
    sys.exit(main())
