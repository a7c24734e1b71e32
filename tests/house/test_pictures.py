"""The pictures in the documents are there, small, and of the program as it can be made to look."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

from tests.house.tree import TOP, name, nobody
from tests.pictures import MOST_BYTES, PLACE, SHOTS, Stood, desk, played
from tracker.foundation.times import parse_pet

SHOWN = [
    (page, target)
    for page in (TOP / "README.md", TOP / "plans" / "README.md")
    for target in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", page.read_text(encoding="utf-8"))
]


def test_every_picture_that_is_shown_is_there() -> None:
    paths = [page.parent / target for page, target in SHOWN]
    nobody(name(path) for path in paths if not path.is_file())
    nobody(name(path) for path in paths if not path.read_bytes().startswith(b"\x89PNG\r\n"))


def test_every_picture_can_be_made_again_is_small_and_is_shown() -> None:
    there = {path.stem for path in PLACE.glob("*.png")}
    assert there == set(SHOTS)
    assert there == {Path(target).stem for _, target in SHOWN}
    assert max(path.stat().st_size for path in PLACE.glob("*.png")) < MOST_BYTES


async def test_a_picture_is_of_the_desk_with_its_estimate(tmp_path: Path) -> None:
    shot, path = SHOTS["desk"], tmp_path / "larkspur.sqlite"
    at = played(path, parse_pet(shot.pet)) + timedelta(seconds=parse_pet(shot.silent))
    picture = await desk(shot, path, Stood(at))
    words = re.sub(r"<[^>]*>", " ", picture).replace("&#160;", " ")
    assert "2:14:37" in words and "REHEARSAL" in words
    assert "need 90 %" in words and "start by" in words
