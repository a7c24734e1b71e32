"""Nothing of a test lands in the folders of whoever runs it."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(autouse=True)
def no_state(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which this test's outboxes are kept."""
    state = tmp_path_factory.mktemp("state", numbered=True)
    monkeypatch.setenv("XDG_STATE_HOME", str(state))
    return state
