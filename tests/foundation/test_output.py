import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tracker.foundation.errors import TrackerError
from tracker.foundation.output import put_new, write_new, write_out


def broken() -> Iterator[str]:
    yield "half of it"
    raise OSError(28, "No space left on device")


def test_what_was_there_is_replaced_and_keeps_its_mode(tmp_path: Path) -> None:
    target = tmp_path / "page.txt"
    target.write_text("before")
    target.chmod(0o640)
    write_out(str(target), ["one\n", "two\n"])
    assert target.read_text() == "one\ntwo\n"
    assert target.stat().st_mode & 0o777 == 0o640


def test_a_file_that_cannot_be_written_leaves_what_was_there(tmp_path: Path) -> None:
    target = tmp_path / "page.txt"
    target.write_text("before")
    with pytest.raises(TrackerError, match="No space"):
        write_out(str(target), broken())
    assert target.read_text() == "before"
    assert os.listdir(tmp_path) == ["page.txt"]


def test_a_new_file_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    with pytest.raises(TrackerError, match="No space"):
        write_new(str(tmp_path / "plan.yaml"), broken())
    assert os.listdir(tmp_path) == []
    write_new(str(tmp_path / "plan.yaml"), ["whole"])
    assert (tmp_path / "plan.yaml").read_text() == "whole"
    assert os.listdir(tmp_path) == ["plan.yaml"]


@pytest.mark.parametrize("links", [True, False])
def test_a_new_file_never_takes_a_name_that_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: bool
) -> None:
    def without(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    if not links:
        monkeypatch.setattr(os, "link", without)
    target = tmp_path / "plan.yaml"
    write_new(str(target), ["first"])
    with pytest.raises(TrackerError, match="already there and stays as it is"):
        write_new(str(target), ["second"])
    with pytest.raises(FileExistsError):
        put_new(target, lambda made: Path(made).touch())
    assert target.read_text() == "first"
    assert os.listdir(tmp_path) == ["plan.yaml"]
