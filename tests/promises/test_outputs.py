"""Promise: no export harms what people made, none is half written, a journal's page is as private as it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.journals import MORNING, PLAN, ZERO
from tests.journals import journal as journal_in
from tracker.cli.main import main
from tracker.foundation.errors import TrackerError
from tracker.foundation.output import check_targets, write_out

PACE = "format: 1\npace: {median: 1.05, spread: 0.15}\n"
KEPT = {
    "a plan": PLAN,
    "a plan as JSON": '{"format": 1, "excursion": "x", "zero": "y", "limits": {}, "crew": [], "tasks": []}',
    "a pace file": PACE,
    "settings": '# mine\ntheme = "dark"\n',
    "keys": '[keys]\nundo = "Z"\n',
}


@pytest.mark.parametrize("what", KEPT)
def test_what_people_made_is_never_replaced(what: str, tmp_path: Path) -> None:
    path = tmp_path / "kept"
    path.write_text(KEPT[what])
    refusal = "which an export may not replace; give another name"
    with pytest.raises(TrackerError, match=refusal):
        write_out(str(path), ["x"])
    with pytest.raises(TrackerError, match=refusal):
        check_targets([str(path)], [])
    assert path.read_text() == KEPT[what] and list(tmp_path.iterdir()) == [path]


def test_a_journal_is_never_replaced_and_the_command_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal_in(tmp_path, *MORNING).close()
    path = tmp_path / "one.sqlite"
    before = path.read_bytes()
    assert main(["debrief", str(path), "--json", str(path)]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert path.read_bytes() == before


@pytest.mark.parametrize("points_to", ["file", "nowhere"])
def test_a_link_is_not_followed(points_to: str, tmp_path: Path) -> None:
    target, link = tmp_path / "target.txt", tmp_path / "link.txt"
    if points_to == "file":
        target.write_text("mine")
    link.symlink_to(target)
    with pytest.raises(TrackerError, match="is a link, which an export does not follow"):
        write_out(str(link), ["x"])
    assert link.is_symlink() and (not target.exists() or target.read_text() == "mine")


def test_a_device_is_written_to(tmp_path: Path) -> None:
    write_out("/dev/null", ["x"])
    assert not Path("/dev/null").is_file()


def test_what_the_program_wrote_may_be_replaced_and_keeps_its_mode(tmp_path: Path) -> None:
    learned = tmp_path / "pace.yaml"
    learned.write_text(PACE + "learned_from: []\n")
    learned.chmod(0o640)
    write_out(str(learned), ["other"])
    assert learned.read_text() == "other" and stat.S_IMODE(learned.stat().st_mode) == 0o640


def test_a_page_beside_a_journal_has_the_journals_mode(tmp_path: Path) -> None:
    page, journal = tmp_path / "one.page.txt", tmp_path / "one.sqlite"
    journal.write_bytes(b"")
    journal.chmod(0o600)
    page.write_text("an earlier page")
    os.chmod(page, 0o644)
    write_out(str(page), ["page"], beside=journal)
    assert stat.S_IMODE(page.stat().st_mode) == 0o600


def test_what_breaks_off_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("before")

    def chunks() -> Iterator[str]:
        yield "half"
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_out(str(path), chunks())
    assert path.read_text() == "before" and list(tmp_path.iterdir()) == [path]


def test_a_name_that_is_no_utf_8_is_a_name_all_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, journal, season = (str(tmp_path / name) for name in ("\udcffp.yaml", "\udcffj.sqlite", "s.season"))
    Path(plan).write_text(PLAN)
    for words in (
        ["record", journal, "--plan", plan, "zero", "utc=2031-05-04T14:00:00Z"],
        ["record", journal, "done", "step=egress.hatch", "--at", "0:05"],
        ["verify", journal],
        ["season", "add", season, journal],
        ["learn", journal, "--out", str(tmp_path / "pace.yaml"), "--anyway"],
        ["debrief", journal, "--json", str(tmp_path / "out.json")],
    ):
        assert main(words) == 0, capsys.readouterr().err
    assert (tmp_path / "pace.yaml").read_text().count("\\\\xffj.sqlite") == 1
    assert '"journal": "\\\\xffj.sqlite"' in (tmp_path / "out.json").read_text()


def test_what_is_printed_of_a_hostile_plan_moves_no_cursor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan, path = tmp_path / "plan.yaml", tmp_path / "one.sqlite"
    plan.write_text(
        PLAN.replace("Sallow hinge", r'"\x9b2J \u202e \u200b \e]0;x\a Sallow"').replace(
            "Anouk", r'"\x9bA\u202e"'
        )
    )
    assert main(["record", str(path), "--plan", str(plan), "zero", "utc=2031-05-04T14:00:00Z"]) == 0
    assert main(["record", str(path), "noted", "text=\x9b31m \u202e\u200b", "--at", "0:01"]) == 0
    for words in (
        ["estimate", path, "--json", "--choices"],
        ["estimate", path, "--brief"],
        ["estimate", path, "--print"],
        ["check", plan, "--json"],
        ["debrief", path, "--json", "-"],
        ["debrief", path],
    ):
        capsys.readouterr()
        assert main([str(word) for word in words]) == 0
        said = capsys.readouterr()
        assert all(line.isprintable() for line in (said.out + said.err).split("\n")), words


def test_a_journals_name_moves_no_cursor_where_it_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with journal_in(tmp_path, ZERO) as made:
        path = made.path
    hostile = path.with_name("\x1b[2J.sqlite")
    path.rename(hostile)
    for words in (["verify", hostile], ["learn", hostile, "--out", "-"], ["record", hostile, "nonsense"]):
        main([str(word) for word in words])
    said = capsys.readouterr()
    assert "?[2J.sqlite: no step is finished; left out" in said.err and "\x1b" not in said.out + said.err
