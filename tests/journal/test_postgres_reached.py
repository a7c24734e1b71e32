"""How a server is reached: encrypted off this machine, by libpq's sources; no password is ever told."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest

from tests.cut_line import wide_plan
from tests.planted import NAME, SECRET, at_connecting, service_file, typed_on_the_line
from tests.servers import DEBIAN, Server
from tracker.cli.main import main
from tracker.foundation.clock import monotonic_s, pause
from tracker.foundation.errors import JournalError
from tracker.journal.journal import Journal

ZERO = {"kind": "zero", "utc": "2031-05-04T14:00:00Z"}


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def signed(folder: Path, name: str) -> None:
    """A key and a certificate for a server of this name, signed by an authority of our own."""
    openssl(
        folder, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=ours",
        "-keyout", "ca.key", "-out", "ca.pem",
    )  # fmt: skip
    openssl(
        folder, "req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}",
        "-keyout", "server.key", "-out", "server.csr",
    )  # fmt: skip
    (folder / "names").write_text(f"subjectAltName=DNS:{name}")
    openssl(
        folder, "x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
        "-days", "2", "-extfile", "names", "-out", "server.pem",
    )  # fmt: skip


@pytest.fixture(scope="module")
def encrypted(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, Path]]:
    """A server that encrypts, and the certificate of its authority."""
    if not DEBIAN.is_dir():
        pytest.skip("no PostgreSQL with TLS here: apt-get install postgresql-15")
    made = tmp_path_factory.mktemp("tls")
    signed(made, NAME)
    server = Server(DEBIAN)
    try:
        for name in ("server.key", "server.pem"):
            (server.folder / name).write_bytes((made / name).read_bytes())
        server.make()
        owner = server.data.stat()
        for name in ("server.key", "server.pem"):
            os.chown(server.folder / name, owner.st_uid, owner.st_gid)
            (server.folder / name).chmod(0o600)
        files = (f"ssl_cert_file={server.folder}/server.pem", f"ssl_key_file={server.folder}/server.key")
        server.settings = ("ssl=on", *files)
        server.start().prepare("excursions")
        yield server, made / "ca.pem"
    finally:
        server.stop()


@pytest.fixture
def away(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> pytest.MonkeyPatch:
    """Names off this machine lead to it all the same."""
    monkeypatch.setenv("PGHOSTADDR", "127.0.0.1")
    monkeypatch.setenv("HOME", str(tmp_path))
    return monkeypatch


def test_off_this_machine_the_line_is_encrypted_and_the_server_known(
    encrypted: tuple[Server, Path], away: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    server, authority = encrypted
    away.setenv("PGPASSFILE", str(server.passfile(tmp_path)))
    place = f"postgresql://lead@{NAME}:{server.port}/excursions?sslrootcert={authority}#one"
    with Journal.create(place, wide_plan(1)) as journal:
        assert journal.record(ZERO) == 1
    with Journal.open(place, read_only=True) as journal:
        own = "SELECT ssl FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) WHERE usename = 'lead'"
        assert server.admin(own) == [(True,)]
        assert journal.number == 1

    def refused(place: str) -> str:
        with pytest.raises(JournalError) as caught:
            Journal.open(place)
        return str(caught.value)

    bare = place.replace(f"?sslrootcert={authority}", "")
    assert "no certificate to know the server by" in refused(bare)
    assert "sslmode=verify-full" in refused(place.replace("?", "?sslmode=require&"))
    assert "for another name" in refused(place.replace(NAME, "db.example.net"))
    away.setenv("PGSSLMODE", "prefer")
    assert "sslmode=verify-full" in refused(place)
    away.delenv("PGSSLMODE")
    signed(tmp_path, NAME)
    away.setenv("PGSSLROOTCERT", str(tmp_path / "ca.pem"))
    assert "signed the server's certificate" in refused(bare)
    away.setenv("PGSSLROOTCERT", str(authority))
    with Journal.open(bare) as journal:
        assert journal.number == 1


def test_no_password_is_told_whatever_fails(
    server: Server,
    away: pytest.MonkeyPatch,
    tmp_path: Path,
    no_state: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    secret = tmp_path / "secret"
    secret.write_text(f"*:*:*:*:{SECRET}\n")
    secret.chmod(0o600)
    folder, failures = service_file(server, tmp_path), at_connecting(server, tmp_path)
    for settings, address in failures:
        with pytest.MonkeyPatch.context() as patched:
            patched.setenv("PGPASSFILE", str(secret))
            patched.setenv("PGSERVICEFILE", str(folder))
            for name, value in settings.items():
                patched.setenv(name, value)
            assert main(["verify", address]) == 1, (settings, address)
            assert main(["journals", address.split("#")[0]]) == 1
        said = capfd.readouterr()
        assert SECRET not in said.out + said.err, (settings, address)
        assert len(said.err.splitlines()) == 2, said.err
    secret.chmod(0o644)
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("PGPASSFILE", str(secret))
        assert main(["verify", failures[0][1]]) == 1
    said = capfd.readouterr()
    assert "chmod 600" in said.err and "WARNING" not in said.err and SECRET not in said.err
    for words in typed_on_the_line(server):
        assert main(list(words)) == 2
        said = capfd.readouterr()
        assert "a password never stands in an address" in said.err and SECRET not in said.out + said.err
    kept = [one for one in no_state.rglob("*") if one.is_file() and SECRET.encode() in one.read_bytes()]
    assert kept == []


def test_a_replica_is_read_and_a_promoted_one_that_lost_the_last_events_gets_nothing(
    server: Server, tmp_path: Path
) -> None:
    place = server.address(f"replica-{uuid4()}")
    Journal.create(place, wide_plan(4)).close()
    standby = Server(server.programs, password=server.password)
    try:
        server.run_into(standby)
        standby.start()
        other = place.replace(f":{server.port}/", f":{standby.port}/")
        with Journal.open(place) as desk:
            desk.record(ZERO)
            for n in range(2):
                desk.record({"kind": "noted", "text": f"n {n}", "at": n})
            with Journal.open(other, read_only=True) as watching:
                until = monotonic_s() + 60
                while watching.number < 3 and monotonic_s() < until:
                    watching.wait(0.1)
                    watching.refresh()
                assert watching.number == 3
            standby.admin("ALTER SYSTEM SET primary_conninfo = ''")
            standby.admin("SELECT pg_reload_conf()")
            while standby.admin("SELECT 1 FROM pg_stat_wal_receiver"):
                pause(0.05)
            for n in range(2):
                desk.record({"kind": "noted", "text": f"m {n}", "at": 10 + n})
            with pytest.raises(JournalError, match="read only: a replica"):
                Journal.open(other)
            # Of two, the one that may be written is the one to be told of.
            both = other.replace("#", "?target_session_attrs=read-write#")
            first = f"127.0.0.1:{standby.port},127.0.0.1:{server.port}"
            with Journal.open(both.replace(f"127.0.0.1:{standby.port}", first), read_only=True) as found:
                assert found.number == desk.number
            for ports, words in ((f"{standby.port}", "open to read only"), ("1", "does not answer")):
                hosts = f"127.0.0.1:{standby.port},127.0.0.1:{ports}"
                with pytest.raises(JournalError, match=words):
                    Journal.open(both.replace(f"127.0.0.1:{standby.port}", hosts))
            # The first server is gone, the standby takes its place and its port without the last events.
            standby.admin("SELECT pg_promote()")
            with Journal.open(other) as changed:
                changed.record({"kind": "noted", "text": "another", "at": 30})
            desk._store._link._parameters["port"] = str(standby.port)  # type: ignore[attr-defined]
            desk._store._link._drop("")  # type: ignore[attr-defined]
            with pytest.raises(JournalError, match="another history from event 4 on"):
                desk.record({"kind": "noted", "text": "mine", "at": 40})
    finally:
        standby.stop()
