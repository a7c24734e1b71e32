"""The process that runs one checkout's commands: batches of calls come in, what they said goes out.

It is started by its path with PYTHONPATH set to the checkout, and knows of the program only its public names:
`tracker.cli.main.main`, which the console script calls, and what calls of `python` import. The clock stands
where a call wants it and UUIDs follow from the call, so that two checkouts can be compared to the byte.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import sqlite3
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any

from freezegun import freeze_time

CRASH = 99
"""Exit status of a call that ended in an exception that nothing caught."""


class Streams:
    """Standard input and outputs of one call, as bytes in memory."""

    def __init__(self, stdin: str) -> None:
        self.inp = io.TextIOWrapper(io.BytesIO(stdin.encode("utf-8", "surrogateescape")), encoding="utf-8")
        self.out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="surrogateescape")
        self.err = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="surrogateescape")

    @contextlib.contextmanager
    def given(self) -> Any:
        """Let them be the streams of this process meanwhile."""
        before = sys.stdin, sys.stdout, sys.stderr
        sys.stdin, sys.stdout, sys.stderr = self.inp, self.out, self.err
        try:
            yield
        finally:
            sys.stdin, sys.stdout, sys.stderr = before

    def said(self) -> list[str]:
        """Return what was written to output and error."""
        texts = []
        for stream in (self.out, self.err):
            stream.flush()
            buffer = stream.buffer
            assert isinstance(buffer, io.BytesIO)
            texts.append(buffer.getvalue().decode("utf-8", "backslashreplace"))
        return texts


def run(call: dict[str, Any]) -> list[Any]:
    """Return exit status, output and error of one call."""
    argv: list[str] = call["argv"]
    if call["cold"]:
        done = subprocess.run(
            [sys.executable, "-m", "tracker", *argv], input=call["stdin"], capture_output=True, text=True
        )
        return [done.returncode, done.stdout, done.stderr]
    chance = random.Random(json.dumps(argv))
    uuid.uuid4 = lambda: uuid.UUID(int=chance.getrandbits(128), version=4)
    streams = Streams(call["stdin"])
    with streams.given():
        status = _caught(argv, call["stdin"])
    return [status, *streams.said()]


def _caught(argv: list[str], stdin: str) -> int:
    try:
        return _do(argv, stdin)
    except SystemExit as left:
        if isinstance(left.code, str):
            print(left.code, file=sys.stderr)
        return left.code if isinstance(left.code, int) else int(left.code is not None)
    except BaseException as error:
        print(f"uncaught {type(error).__name__}: {error}", file=sys.stderr)
        return CRASH


def _do(argv: list[str], stdin: str) -> int:
    """Run a command; `python` runs what is on standard input, `sql FILE` changes a file behind its back."""
    if argv[:1] == ["python"]:
        exec(compile(stdin, "call", "exec"), {"__name__": "call"})
        return 0
    if argv[:1] == ["sql"]:
        change(argv[1], stdin)
        return 0
    from tracker.cli.main import main

    return main(argv)


def change(file: str, script: str) -> None:
    """Change a journal in spite of its triggers, which stand again afterwards."""
    with contextlib.closing(sqlite3.connect(file)) as db:
        triggers = db.execute(
            "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall()
        for name, _, _ in triggers:
            db.execute(f"DROP TRIGGER {name}")
        db.executescript(script)
        left = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
        for _, table, made in triggers:
            if table in left:
                db.execute(made)
        db.commit()


def serve(checkout: Path) -> None:
    """Answer batches until there are no more: one line of JSON each way."""
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    import tracker

    home = Path(str(tracker.__file__)).resolve().parents[1]
    if home != checkout.resolve():
        sys.exit(f"{checkout}: Python finds another tracker, at {home}")
    with freeze_time("2045-01-01") as clock:
        for line in sys.stdin:
            batch = json.loads(line)
            os.chdir(batch["folder"])
            said = []
            for call in batch["calls"]:
                clock.move_to(call["now"])
                said.append(run(call))
            print(json.dumps(said), file=answers, flush=True)


if __name__ == "__main__":
    serve(Path(sys.argv[1]))
