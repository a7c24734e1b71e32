"""Two checkouts in one run: `python -m tests.bench two OLD NEW` prints how long NEW takes over OLD.

Both do the same work in turns, so that a busy machine slows both; each ratio is one of medians, then one of
the shortest. Nothing here knows more of the program than its commands and its public names.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench.large_text import Size, plan_text, random_tasks
from tests.bench.table import report
from tests.terminal import Terminal

SIDE = Path(__file__).with_name("side.py")
ROWS, COLUMNS = 36, 120
CASES = {
    "8 optional": Size(8),
    "15 optional": Size(15),
    "8 alike": Size(8, flat=True),
    "12 alike": Size(12, flat=True),
    "15 alike": Size(15, flat=True),
}
Pairs = list[tuple[float, float]]


class Side:
    """A checkout: its interpreter, and a process that measures it."""

    def __init__(self, checkout: Path, folder: Path) -> None:
        own = checkout / ".venv" / "bin" / "python"
        self.checkout, self.folder = checkout, folder
        self.python = str(own if own.exists() else sys.executable)
        self.env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
        self.env |= {"PYTHONPATH": str(checkout), "TRACKER_SETTINGS": "", "TERM": "xterm-256color"}
        self.process = subprocess.Popen(
            [self.python, "-P", str(SIDE)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=self.env, cwd=folder, encoding="utf-8",
        )  # fmt: skip

    def do(self, *work: object) -> Any:
        """Return what a piece of work answers."""
        assert self.process.stdin and self.process.stdout
        print(json.dumps(work), file=self.process.stdin, flush=True)
        return json.loads(self.process.stdout.readline())

    def start_s(self, *argv: str) -> float:
        """Return the processor seconds of one command in a process of its own."""
        child = subprocess.Popen(
            [self.python, "-P", "-m", "tracker", *argv],
            env=self.env, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            raise RuntimeError(f"{self.checkout}: tracker {' '.join(argv)} ends with {child.returncode}")
        return used.ru_utime

    def stop(self) -> None:
        """Let the process end."""
        assert self.process.stdin
        self.process.stdin.close()
        self.process.wait()


Sides = tuple[Side, Side]


def main(argv: list[str]) -> int:
    """Measure both and print ratios; `--only PART` takes one part."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench two")
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    parser.add_argument("--quick", action="store_true", help="fewer rounds")
    parser.add_argument("--only", choices=PARTS, action="append", help="only this part; may be repeated")
    args = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder, both(args.old, args.new, Path(folder)) as sides:
        for name in args.only or PARTS:
            PARTS[name](sides, args.quick)
    return 0


@contextmanager
def both(old: Path, new: Path, folder: Path) -> Iterator[Sides]:
    """Start both sides, each in a folder of its own."""
    made = []
    for name, checkout in (("old", old), ("new", new)):
        (folder / name).mkdir()
        made.append(Side(checkout.resolve(), folder / name))
    try:
        yield made[0], made[1]
    finally:
        for side in made:
            side.stop()


def told(what: str, pairs: Sequence[Sequence[float]]) -> None:
    """Print the ratio of medians and of the shortest."""
    old, new = ([pair[n] for pair in pairs] for n in (0, 1))
    if min(old) <= 0 or min(new) <= 0:
        report("two", what, "too short")
        return
    report("two", what, f"{median(new) / median(old):.2f}  {min(new) / min(old):.2f}")


def in_turns(sides: Sides, rounds: int, work: Callable[[Side, int], float]) -> Pairs:
    """Return what both took, who begins changing from round to round."""
    pairs = []
    for n in range(rounds):
        first = n % 2
        took = {k: work(sides[k], n) for k in (first, 1 - first)}
        pairs.append((took[0], took[1]))
    return pairs


def share(sides: Sides, name: str, text: str) -> str:
    """Give both a plan, and return its file's name."""
    for side in sides:
        (side.folder / name).write_text(text, encoding="utf-8")
    return name


def large_plan(sides: Sides, seed: int, size: Size) -> str:
    """Return a plan of 300 steps whose limit leaves room for a part of its optional work."""
    rng = random.Random(seed)
    tasks = random_tasks(rng, size)
    free = share(sides, "free.yaml", plan_text(tasks, 40 * 3600, (60.0,) * 4))
    low, high = sides[0].do("ends", free)
    limit = int(low + (high - low) * rng.uniform(0.3, 0.8))
    room = tuple(rng.uniform(1.3, 1.6) * limit / 3600 for _ in range(4))
    return share(sides, f"large-{size.optional}-{size.flat}.yaml", plan_text(tasks, limit, room))


def starts(sides: Sides, quick: bool) -> None:
    """Compare how long commands take from nothing."""
    plan = large_plan(sides, 1, Size(8))
    for side in sides:
        side.do("thousand", plan)
    journal = f"{Path(plan).stem}-7.sqlite"
    commands = {
        "tracker --help": ("--help",),
        "record": ("record", journal, "note", "x", "--at", "6:00"),
        "estimate": ("estimate", journal, "--at", "0:10"),
    }
    for what, argv in commands.items():
        in_turns(sides, 1, lambda side, _: side.start_s(*argv))  # noqa: B023
        pairs = in_turns(sides, 6 if quick else 25, lambda side, _: side.start_s(*argv))  # noqa: B023
        told(f"{what}, from nothing", pairs)


def re_estimate(sides: Sides, quick: bool) -> None:
    """Compare the re-estimate after a tick, with 300 down to 281 steps left."""
    plan = large_plan(sides, 1, Size(8))
    shown: Pairs = []
    whole: Pairs = []
    for n in range(1 if quick else 3):
        old, new = (side.do("ticks", plan, 20 + n, 20) for side in sides)
        shown += [(a[0], b[0]) for a, b in zip(old, new, strict=True)]
        whole += [(a[1], b[1]) for a, b in zip(old, new, strict=True)]
    told("re-estimate after a tick, 281 to 300 steps, as shown first", shown)
    told("re-estimate after a tick, 281 to 300 steps, whole", whole)


def advice(sides: Sides, quick: bool) -> None:
    """Compare a first estimate with its choice of what to keep, and that choice alone."""
    for what, size in CASES.items():
        plans = [large_plan(sides, seed, size) for seed in ((1,) if quick else (1, 2))]
        found = []
        for n, plan in enumerate(plans * (2 if quick else 3)):
            order = sides if n % 2 else sides[::-1]
            took = {id(side): side.do("advise", plan, 100 + n) for side in order}
            found.append([took[id(side)] for side in sides])
        told(f"first estimate, 300 steps, {what}", [(a[0], b[0]) for a, b in found])
        told("  of it the choice of what to keep", [(a[0] - a[1], b[0] - b[1]) for a, b in found])


def orders(sides: Sides, quick: bool) -> None:
    """Compare the search for better orders."""
    plan = large_plan(sides, 3, Size(8))
    told(
        "better orders, 300 steps",
        in_turns(sides, 1 if quick else 3, lambda s, n: s.do("orders", plan, n)[0]),
    )


def fold(sides: Sides, quick: bool) -> None:
    """Compare reading 1,000 events, and adding one."""
    plan = large_plan(sides, 1, Size(8))
    for side in sides:
        side.do("thousand", plan)
    found: dict[int, Pairs] = {0: [], 1: []}
    for n in range(5 if quick else 25):
        order = sides if n % 2 else sides[::-1]
        took = {id(side): side.do("fold", plan) for side in order}
        for k, pairs in found.items():
            pairs.append((took[id(sides[0])][k], took[id(sides[1])][k]))
    told("open and fold 1,000 events", found[0])
    told("record one event more", found[1])


class Desk(Terminal):
    """A desk in a terminal of its own."""

    def __init__(self, side: Side, plan: str) -> None:
        super().__init__(
            *("run", plan, "--journal", "desk.sqlite", "--seat", "bench"), cwd=side.folder,
            size=(COLUMNS, ROWS), env=side.env, program=("-P", "-m", "tracker"), python=side.python,
        )  # fmt: skip

    def cpu_s(self) -> float:
        """Return the processor time of the process in seconds; Linux."""
        fields = Path(f"/proc/{self.child.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def key(sides: Sides, quick: bool) -> None:
    """Compare the time from a key to the line that says it is on disk, with both desks open."""
    plan = large_plan(sides, 1, Size(8))
    with ExitStack() as stack:
        desks = [Desk(side, plan) for side in sides]
        for desk in desks:
            stack.enter_context(desk)
        for desk in desks:
            desk.until("z starts the clock")
            desk.rest(3.0)
            desk.press_s("z", "1 ticks what")
            desk.rest(3.0)
        before, pairs = [desk.cpu_s() for desk in desks], []
        rounds = 10 if quick else 60
        for n in range(rounds):
            took = {}
            for k in (n % 2, 1 - n % 2):
                # A note is never refused, whoever waits for whom.
                desks[k].press_s(f"nword {n}", f"word {n}")
                took[k] = desks[k].press_s("\r", f"entry {n + 2} saved")
                desks[k].rest(0.7)
            pairs.append((took[0], took[1]))
        told("key to on disk and painted, 300 steps", pairs)
        old, new = (desk.cpu_s() - begun for desk, begun in zip(desks, before, strict=True))
        report("two", "  processor time of the desk meanwhile", f"{new / old:.2f}")


PARTS: dict[str, Callable[[Sides, bool], None]] = {
    "starts": starts,
    "tick": re_estimate,
    "advice": advice,
    "orders": orders,
    "fold": fold,
    "key": key,
}
"""What is compared, by the name that `--only` takes."""
