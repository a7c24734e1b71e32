"""The process that measures one checkout for `python -m tests.bench two`: work comes in, its seconds go out.

It is started by its path with PYTHONPATH set to the checkout, and knows of the program only its public names.
Seconds are those that its processors worked, so that another process beside it disturbs little.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import uuid
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import Any

from tracker import Journal, estimate, read_plan
from tracker.cli.main import main

ZERO = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return how long a piece of work took, and its result."""
    begin = process_time()
    result = work()
    return process_time() - begin, result


def journal_of(plan: str, number: int) -> Journal:
    """Return a new journal whose clock has started; the same number gives the same scenarios."""
    path = Path(f"{Path(plan).stem}-{number}.sqlite")
    path.unlink(missing_ok=True)
    made = Journal.create(path, read_plan(plan), uuid=str(uuid.UUID(int=number)))
    made.record(ZERO, seat="bench")
    return made


def ends(plan: str) -> list[float]:
    """Return the ingress that nine in ten keep, PET seconds: without optional work, and with all of it."""
    with journal_of(plan, 1) as journal:
        found = estimate(journal.progress(), 0).as_json()
    return [found["without_optional"]["inside"]["p90"], found["inside"]["p90"]]


def advise(plan: str, number: int) -> list[float]:
    """Return the seconds of a first estimate of an excursion, and of one that is given its advice."""
    with journal_of(plan, 2 * number) as one, journal_of(plan, 2 * number + 1) as other:
        first, second = one.progress(), other.progress()
        whole, made = timed(lambda: estimate(first, 0))
        given, _ = timed(lambda: estimate(second, 0, advice=made.advice))
    return [whole, given]


def ticks(plan: str, number: int, count: int) -> list[list[float]]:
    """Return, of each tick, the seconds of the re-estimate as a desk shows it first, and of the whole."""
    took = []
    with journal_of(plan, number) as journal:
        made = estimate(journal.progress(), 0)
        for n in range(1, count + 1):
            current = next(one["step"] for one in made.as_json()["steps"] if one["status"] == "current")
            journal.record({"kind": "done", "step": current, "at": 110 * n}, seat="bench")
            progress, now = journal.progress(), 110 * n + 10
            shown, _ = timed(lambda: estimate(progress, now, advice=made.advice, ranges="shown"))  # noqa: B023
            whole, made = timed(lambda: estimate(progress, now))  # noqa: B023
            took.append([shown, whole])
    return took


def orders(plan: str, number: int) -> list[float]:
    """Return the seconds of the search for better orders: of the command with it, less those without."""
    journal_of(plan, number).close()
    command = ["estimate", f"{Path(plan).stem}-{number}.sqlite", "--at", "0:00"]
    with contextlib.redirect_stdout(io.StringIO()):
        main(command)
        without, _ = timed(lambda: main(command))
        whole, _ = timed(lambda: main([*command, "--orders"]))
    return [whole - without]


def thousand(plan: str) -> list[float]:
    """Write a journal of 1,000 events for `fold`."""
    with journal_of(plan, 7) as journal:
        steps = [one["step"] for one in estimate(journal.progress(), 0, scenarios=50).as_json()["steps"]]
        events: list[dict[str, Any]] = []
        for n, step in enumerate(steps[:300]):
            reading = {
                "kind": "reading",
                "crew": f"EV{1 + n % 2}",
                "consumable": "oxygen",
                "value": 4 - n / 100,
            }
            noted = {"kind": "noted", "text": f"word {n}"}
            events += [one | {"at": 60 * n + 60} for one in ({"kind": "began", "step": step}, reading, noted)]
            events.append({"kind": "done", "step": step, "at": 60 * n + 110})
        journal.record_all(events[:999], seat="bench")
        assert journal.number == 1000
    return []


def fold(plan: str) -> list[float]:
    """Return the seconds of opening a journal of 1,000 events, and of one more event."""
    path = Path(f"{Path(plan).stem}-7.sqlite")
    opened, journal = timed(lambda: Journal.open(path))
    with journal:
        at = journal.progress().at
        event = {"kind": "noted", "text": "one more", "at": int(at) + 1}
        more, _ = timed(lambda: journal.record(event, seat="bench"))
    return [opened, more]


WORKS: dict[str, Callable[..., Any]] = {
    work.__name__: work for work in (ends, advise, ticks, orders, thousand, fold)
}


def serve() -> None:
    """Do what is asked, a line of JSON each way, until there is no more."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    for line in sys.stdin:
        name, *given = json.loads(line)
        print(json.dumps(WORKS[name](*given)), file=answers, flush=True)


if __name__ == "__main__":
    serve()
