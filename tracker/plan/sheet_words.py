"""The words of spreadsheets in seven languages, from one data file: headings, marks, priorities, units.

A word counts without capitals and accents. English stands first in each list, the best word for a key first.
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterable
from pathlib import Path
from typing import Any

_FILE: dict[str, Any] = json.loads(Path(__file__).with_name("sheet_words.json").read_text("utf-8"))


def fold(text: str) -> str:
    """A text in lower case without accents, for comparing."""
    # Letters keep what they are; only what stands above or below them goes.
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(char for char in apart if not unicodedata.combining(char))


def _all(words: Iterable[str]) -> frozenset[str]:
    return frozenset(map(fold, words))


def _meanings(of: dict[str, list[str]]) -> dict[str, str]:
    return {fold(word): meant for meant, words in of.items() for word in words}


HEADINGS: dict[str, tuple[str, ...]] = {
    key: tuple(map(fold, words)) for key, words in _FILE["headings"].items()
}
"""Per key of a plan the headings that mean it, the best first, folded, without units and marks."""
YES, NO, EVERYBODY = (_all(_FILE[name]) for name in ("yes", "no", "everybody"))
"""Marks that say yes, those that say no, and words that stand for all who go outside."""
AND: tuple[str, ...] = tuple(_FILE["and"])
"""Words between two names."""
PRIORITIES = _meanings(_FILE["priorities"])
UNIT_NAMES = _meanings(_FILE["units"])
"""Folded name of a unit to `d`, `h`, `min` or `s`."""
