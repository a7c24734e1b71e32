"""A journal is opened without the packages that its database library would load."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest

from tracker.foundation.lean import without


def test_a_journal_loads_neither_pandas_nor_numpy() -> None:
    code = "import sys, tracker.journal.sqlite; print({'pandas', 'numpy'} & set(sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "set()\n"


def test_only_this_thread_goes_without_and_only_for_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "this", raising=False)
    monkeypatch.setattr("sys.stdout", None)
    found: list[str] = []

    def other() -> None:
        import this

        found.append(this.__name__)

    with without("this"):
        with pytest.raises(ModuleNotFoundError):
            import this
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    assert found == ["this"]
    import this

    assert this.__name__ == "this"
