"""Who does a step, as a cell of a spreadsheet says it: ids, several of them, or people's names."""

from __future__ import annotations

import re
import unicodedata

EVERYBODY = {"both", "all", "everybody", "everyone"}
"""Words that stand for all who go outside."""
_INSIDE = re.compile(r"(iv|ivx|mcc|ground|control|base|deck|capcom|house|ship|surface)\d*", re.IGNORECASE)
_BETWEEN = re.compile(r"\s*(?:[,;/+&\n]|\band\b)\s*")
_REMARK = re.compile(r"\([^()]*\)|\*+(?=\s|[,;/+&]|$)")
_NOBODY = {"", "-", "?", "n/a", "na", "none", "nobody", "tbd"}
_ID = re.compile(r"[A-Z]{1,6}|[A-Za-z]{1,6}[-_]?\d{1,3}", re.ASCII)
_NAME = re.compile(r"[^\W\d_][\w.' -]{0,60}")


class People:
    """The crew members of a sheet, each by the spelling that came first."""

    def __init__(self) -> None:
        self.names: dict[str, str] = {}
        """Id to the name as it was written, in order of appearance."""
        self._known: dict[str, str] = {}

    def add(self, name: str) -> str:
        """Return the id of somebody named so; capitals make no difference. Raises ValueError for no name."""
        found = self._known.get(name.lower())
        if found is None:
            found = self._known[name.lower()] = _id_of(name)
            if name.lower() not in EVERYBODY:
                self.names.setdefault(found, name)
        return found

    def crew(self) -> dict[str, bool]:
        """Return whether each goes outside; those with a title of people inside do not."""
        inside = {name for name in self.names if _INSIDE.fullmatch(name)}
        if inside == set(self.names):
            inside = set()
        return {name: name not in inside for name in self.names}


def people_in(cell: str) -> list[str]:
    """Return who stands in a cell: `EV1/EV2`, `EV1 and EV2`, `EV1 EV2`, `EV 1`, `EV1 (lead)`, `Ann Berg`."""
    bare = _REMARK.sub(" ", cell).strip()
    if bare.lower() in _NOBODY:
        return []
    return [name for part in _BETWEEN.split(bare) if part for name in _words(part.split())]


def _words(words: list[str]) -> list[str]:
    """Return the words of a part between separators: ids, an id written apart, or one name."""
    if len(words) > 1 and all(_ID.fullmatch(word) for word in words):
        return words
    if len(words) == 2 and _ID.fullmatch("".join(words)) and words[1].isdigit():
        return ["".join(words)]
    return [" ".join(words)]


def _id_of(name: str) -> str:
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,39}", name, re.ASCII):
        return name
    letters = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^A-Za-z0-9_]+", "-", letters).strip("-_")[:40]
    if not _NAME.fullmatch(name) or not words[:1].isalpha():
        raise ValueError(name)
    return words
