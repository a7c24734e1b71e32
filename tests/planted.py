"""A password planted where passwords belong, and searched for where none does, after every kind of failure.

Each kind runs the program as a person would; searched are what it prints, the list of processes while it
runs, every file below the folder it worked in (outboxes, pages, reports) but the two that hold the password,
and the server's own log.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from tests.cut_line import wide_plan
from tests.servers import Server
from tests.terminal import Terminal
from tracker.foundation.clock import pause, utc_now
from tracker.foundation.times import format_instant
from tracker.journal.journal import Journal

SECRET = "hunter2-planted"
NAME = "db.example.org"


@dataclass(frozen=True)
class Kind:
    """One kind of failure."""

    words: tuple[str, ...]
    env: Mapping[str, str] = field(default_factory=dict)
    typed: bool = False
    """Whether the password is typed on the command line, where whoever types it has put it into `ps`."""
    stdin: str = ""


def at_connecting(server: Server, folder: Path) -> list[tuple[dict[str, str], str]]:
    """What keeps a connection from coming about, or the database from being one: settings and addresses."""
    here, there = f"127.0.0.1:{server.port}", f"{NAME}:{server.port}"
    return [
        ({}, f"postgresql://lead@{here}/excursions#x"),
        ({}, f"postgresql://nobody@{here}/excursions#x"),
        ({}, f"postgresql://lead@{here}/none#x"),
        ({}, f"postgresql://lead@{here}/template1#x"),
        ({}, "postgresql://lead@127.0.0.1:1/excursions#x"),
        ({}, f"postgresql://lead@{there}/excursions#x"),
        ({}, f"postgresql://lead@{there}/excursions?sslmode=require#x"),
        ({}, "postgresql:///?service=eva#x"),
        ({}, "postgresql:///?service=none#x"),
        ({}, "postgresql:///#x"),
        ({}, f"postgresql://lead@{here}/excursions?passfile={folder}/none#x"),
        ({}, f"postgresql://lead@{here}/excursions?target_session_attrs=standby#x"),
        ({}, f"postgresql://lead@{here},127.0.0.1:1/none#x"),
        ({"PGSSLMODE": SECRET}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGSSLMODE": "verify-full"}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGPASSWORD": SECRET}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGPASSWORD": SECRET, "PGUSER": "lead"}, f"postgresql://{here}/excursions#x"),
        ({"PGPORT": SECRET}, "postgresql://lead@127.0.0.1/excursions#x"),
        ({"PGHOST": SECRET, "PGHOSTADDR": ""}, "postgresql:///excursions#x"),
        ({"PGOPTIONS": f"-c {SECRET}"}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGDATESTYLE": SECRET}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGSERVICE": SECRET}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGTARGETSESSIONATTRS": SECRET}, f"postgresql://lead@{here}/excursions#x"),
        ({"PGREQUIREAUTH": SECRET}, f"postgresql://lead@{here}/excursions#x"),
    ]


def service_file(server: Server, folder: Path) -> Path:
    """A file of services with the password in it."""
    path = folder / "services"
    path.write_text(
        f"[eva]\nhost=127.0.0.1\nport={server.port}\nuser=lead\npassword={SECRET}\ndbname=excursions\n"
    )
    return path


def typed_on_the_line(server: Server) -> Iterator[tuple[str, ...]]:
    """Yield commands with the password in an address, as it must not be; each is wrong usage."""
    here = f"127.0.0.1:{server.port}/excursions"
    yield "verify", f"postgresql://lead:{SECRET}@{here}#x"
    yield "verify", f"POSTGRES://lead:{SECRET}%zz@{here}#x"
    yield "verify", f"postgresql://lead:{SECRET}@[::1/excursions#x"
    yield "verify", f"postgresql://lead:a/{SECRET}@{here}#x"
    yield "verify", f"postgresql://lead@{here}?password={SECRET}#x"
    yield "journals", f"postgresql://lead@{here}?sslpassword={SECRET}"
    yield "run", "plan.yaml", "--journal", f"postgresql://lead:{SECRET}@{here}#x"
    yield "copy", "one.sqlite", f"postgresql://lead:{SECRET}@{here}#x"
    yield "season", "add", "season.sqlite", f"postgresql://lead:{SECRET}@{here}#x"


def kinds(server: Server, folder: Path) -> Iterator[Kind]:
    """Yield every kind of failure that is one command."""
    for env, address in at_connecting(server, folder):
        yield Kind(("verify", address), env)
    for words in typed_on_the_line(server):
        yield Kind(words, typed=True)
    there, watcher = server.address("planted"), server.address("planted", user="watcher")
    yield Kind(("record", watcher, "noted", "text=x", "--at", "0:10"))
    yield Kind(("record", there, "done", "step=none.1", "--at", "0:10"))
    yield Kind(("record", there, "--stdin"), stdin='{"kind": "done"}\nno line\n')
    yield Kind(("copy", "one.sqlite", there))
    yield Kind(("rescue", server.address("lost"), "--out", "rescued.sqlite"))
    yield Kind(("verify", there, "--expect", "1:00"))
    yield Kind(("verify", there), {"PGPASSFILE": str(folder / "open")})


def hits(server: Server, folder: Path) -> tuple[int, list[str]]:
    """How many kinds of failure were tried, and where the password was found."""
    work = folder / "work"
    work.mkdir()
    (work / "plan.yaml").write_text(wide_plan(2).source)
    Journal.create(work / "one.sqlite", wide_plan(2)).close()
    with Journal.create(server.address("planted"), wide_plan(2)) as journal:
        journal.record({"kind": "zero", "utc": format_instant(utc_now() - timedelta(minutes=30))})
    opened = folder / "open"
    opened.write_text(f"*:*:*:*:{SECRET}\n")
    opened.chmod(0o644)
    env = {
        "XDG_STATE_HOME": str(work / "state"), "HOME": str(work), "PGHOSTADDR": "127.0.0.1",
        "PGPASSFILE": str(server.passfile(folder)), "PGSERVICEFILE": str(service_file(server, folder)),
    }  # fmt: skip
    found: list[str] = []
    tried = 0
    for kind in kinds(server, folder):
        tried += 1
        said = _run(kind, {**os.environ, **env, **kind.env}, work)
        found += [f"{kind.words} {kind.env}: {where}" for where, text in said.items() if SECRET in text]
    for what in ("killed", "stopped", "broken"):
        tried += 1
        if SECRET in _at_the_desk(server, what, env, work):
            found.append(f"on the screen of a desk, its server or itself {what}")
    files = (one for one in work.rglob("*") if one.is_file())
    found += [f"{one}" for one in files if SECRET.encode() in one.read_bytes()]
    # What PGDATESTYLE says libpq hands to the server, which refuses it by name.
    log = (server.folder / "log").read_text(errors="replace").splitlines()
    refused = ("DateStyle", "Unrecognized key word")
    told = [line for line in log if SECRET in line and not any(word in line for word in refused)]
    return tried, found + told


def _run(kind: Kind, env: Mapping[str, str], work: Path) -> dict[str, str]:
    """What a command says, and the processes that were seen while it ran."""
    command = [sys.executable, "-m", "tracker", *kind.words]
    process = subprocess.Popen(
        command, env=env, cwd=work, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdin is not None
    with suppress(BrokenPipeError):
        process.stdin.write(kind.stdin)
        process.stdin.close()
    seen = ""
    while process.poll() is None:
        if not kind.typed:
            listed = subprocess.run(["ps", "axww", "-o", "args"], capture_output=True, text=True, check=False)
            seen += listed.stdout
        pause(0.1)
    assert process.stdout is not None and process.stderr is not None
    said = {"ps": seen, "printed": process.stdout.read(), "errors": process.stderr.read()}
    if process.returncode == 0 or not said["errors"]:
        raise AssertionError(f"{kind.words} did not fail: {said}")
    return said


def _at_the_desk(server: Server, what: str, env: Mapping[str, str], work: Path) -> str:
    """All that a desk showed and said, with its server killed, its server stopped, or broken itself."""
    words = ("run", server.address("planted"), "--outbox", str(work / "out"))
    code = "import sys, tracker.console.session as one; from tracker.cli.main import main; "
    fault = "one.Session.want = lambda *_: 1 / 0; sys.exit(main(sys.argv[1:]))"
    program = ("-c", code + fault) if what == "broken" else ("-m", "tracker")
    with Terminal(*words, env=env, program=program) as desk:
        if what != "broken":
            desk.until(" saved ", " tick ")
            server.kill(signal.SIGKILL if what == "killed" else signal.SIGSTOP)
            desk.press_s("n", "what is to be noted?")
            desk.press_s(f"{what}\r", "kept here")
            desk.send("qq")
        with suppress(EOFError):
            desk.rest(3.0)
        if what == "killed":
            server.start()
        elif what == "stopped":
            server.kill(signal.SIGCONT)
        return desk.raw.decode("utf-8", "replace")
