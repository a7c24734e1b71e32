"""The table of words, the preview before Enter, and completion."""

from __future__ import annotations

from typing import Any

import pytest

from tests.typed_lines import NOW_S, UNDER_WAY, after, typed
from tracker.journal.events import KINDS, parse_event
from tracker.journal.kinds import BY_KIND, BY_WORD, WORDS
from tracker.journal.preview import preview
from tracker.journal.typed.match import complete


def test_the_table_has_every_kind_and_only_keys_that_the_kind_takes() -> None:
    assert sorted(BY_KIND) == sorted(KINDS)
    assert len(BY_WORD) == sum(1 + len(word.words) for word in WORDS)
    from tracker.journal.events import MODELS

    for word in WORDS:
        keys = {argument.key for argument in word.arguments} | {"text"}
        assert keys == set(MODELS[word.kind].model_fields), word.kind


@pytest.mark.parametrize("word", WORDS, ids=[word.kind for word in WORDS])
def test_the_example_of_every_word_reads_as_that_kind(word: Any) -> None:
    text = word.example.replace("power-on", "power").replace("mast", "hinge").replace("41", "2")
    text = text.replace("2:30", "0:50")
    progress = after() if word.kind == "zero" else UNDER_WAY
    events = typed(text, progress)
    assert {event["kind"] for event in events} == {word.kind}
    for event in events:
        parse_event(event)


def test_a_preview_says_pet_and_utc_and_what_would_be_unusual_or_refused() -> None:
    (line,) = preview(typed("1 -3"), UNDER_WAY, now=NOW_S)
    assert "hinge.release" in line and "PET 0:37:00" in line and "14:37:00 UTC" in line
    line, *unusual = preview(typed("done power 0:35"), UNDER_WAY, now=NOW_S)
    assert unusual and all(one.startswith("unusual: ") for one in unusual)
    line, wrong = preview(typed("done hatch 0:35"), UNDER_WAY, now=NOW_S)
    assert wrong.startswith("refused: ")
    assert len(preview(typed("1 >unplug"), UNDER_WAY, now=NOW_S)) == 2


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("dr", "drop"),
        ("drop la", "drop latch"),
        ("drop task=", None),
        ("1 ho", "1 hold"),
        ("1 >hinge.un", "1 >hinge.unplug"),
        ("hold EV", "hold EV1"),
        ("hold EV1 u", "hold EV1 until"),
        ("move trays be", "move trays before"),
        ("move trays before hi", "move trays before hinge"),
        ("limit EV2.b", "limit EV2.battery"),
        ("call at", "call at once"),
        ("done hinge.re", "done hinge.release"),
        ("begin ma", "begin mate"),
        ("seen d", "seen daylight"),
        ("ox", "oxygen"),
        ("frob x", None),
        ("drop latch a", "drop latch at="),
    ],
)
def test_completion_goes_on_from_what_is_typed(text: str, wanted: str | None) -> None:
    found = complete(text, UNDER_WAY)
    assert found[:1] == ([] if wanted is None else [wanted])
    assert all(line.lower().startswith(text.lower()) for line in found)
