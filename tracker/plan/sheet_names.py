"""Whom and what cells of a sheet speak of: crew members by id or name, steps by what they are called.

Who does a step is read from ids, several of them, or people's names; what it needs from ids, numbers, names
or words of steps and tasks.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from typing import Protocol

from tracker.plan.sheet_words import AND, EVERYBODY, fold

_INSIDE = re.compile(r"(iv|ivx|mcc|ground|control|base|deck|capcom|house|ship|surface)\d*", re.IGNORECASE)
_BETWEEN = re.compile(rf"\s*(?:[,;/+&\n]|\b(?:{'|'.join(AND)})\b)\s*")
_REMARK = re.compile(r"\([^()]*\)|\*+(?=\s|[,;/+&]|$)")
_NOBODY = {"", "-", "?", "n/a", "na", "none", "nobody", "tbd"}
_ID = re.compile(r"[A-Z]{1,6}|[A-Za-z]{1,6}[-_]?\d{1,3}", re.ASCII)
_NAME = re.compile(r"[^\W\d_][\w.' -]{0,60}")


class People:
    """The crew members of a sheet, each by the spelling that came first."""

    def __init__(self, called: Mapping[str, str] | None = None) -> None:
        """Nobody yet; `called` are names and the ids that somebody gave them."""
        self.names: dict[str, str] = {}
        """Id to the name as it was written, in order of appearance."""
        self._known: dict[str, str] = {}
        self._called = {fold(name): member for name, member in (called or {}).items()}

    def add(self, name: str) -> str:
        """The id of somebody named so; capitals make no difference. Raises ValueError for no name."""
        found = self._known.get(name.lower())
        if found is None:
            found = self._known[name.lower()] = self._called.get(fold(name)) or _id_of(name)
            if fold(name) not in EVERYBODY:
                self.names.setdefault(found, name)
        return found

    def crew(self) -> dict[str, bool]:
        """Everybody, and whether they go outside; those with a title of people inside do not."""
        inside = {name for name in self.names if _INSIDE.fullmatch(name)}
        if inside == set(self.names):
            inside = set()
        return {name: name not in inside for name in self.names}


def people_in(cell: str) -> list[str]:
    """The people in a cell: `EV1/EV2`, `EV1 and EV2`, `EV1 EV2`, `EV 1`, `EV1 (lead)`, `Ann Berg`."""
    bare = _REMARK.sub(" ", cell).strip()
    if bare.lower() in _NOBODY:
        return []
    return [name for part in _BETWEEN.split(bare) if part for name in _words(part.split())]


def _words(words: list[str]) -> list[str]:
    """The words of a part between separators: ids, an id written apart, or one name."""
    if len(words) > 1 and all(_ID.fullmatch(word) for word in words):
        return words
    if len(words) == 2 and _ID.fullmatch("".join(words)) and words[1].isdigit():
        return ["".join(words)]
    return [" ".join(words)]


def _id_of(name: str) -> str:
    if re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,39}", name, re.ASCII):
        return name
    words = id_words(name)[:40]
    if not _NAME.fullmatch(name) or not words[:1].isalpha():
        raise ValueError(name)
    return words


def id_words(text: str) -> str:
    """The words of a text as part of an id, `Zuruck-ins-Haus`; letters lose what stands above them."""
    apart = unicodedata.normalize("NFKD", text.replace("\N{LATIN SMALL LETTER SHARP S}", "ss"))
    letters = "".join(char for char in apart if not unicodedata.combining(char))
    return re.sub(r"[^A-Za-z0-9_]+", "-", letters).strip("-_")


class Named(Protocol):
    """What a row says of the names of its step and task."""

    task: str
    task_id: str
    step: str
    do: str


class Names:
    """Finds tasks and steps by what a cell calls them."""

    def __init__(self, tasks: Iterable[tuple[str, Iterable[tuple[str, Named]]]]) -> None:
        self._kinds: tuple[dict[str, set[str]], ...] = ({}, {}, {}, {})
        """By full ids; by a step's own id; tasks; by a step's words. The first that knows a name decides."""
        full, own, titles, words = self._kinds
        for task, steps in tasks:
            for n, (part, step) in enumerate(steps, 1):
                whole = f"{task}.{part or n}"
                _put(full, whole, whole)
                for above in (step.task, step.task_id):
                    if step.step and above:
                        _put(full, f"{above}.{step.step}", whole)
                    _put(titles, above, task)
                _put(titles, task, task)
                _put(own, step.step, whole)
                _put(words, step.do, whole)

    def needs(self, text: str, whole: str) -> list[str]:
        """The ids that a cell of step `whole` asks for; a name that nothing has stays as it is."""
        return [next(iter(found), name) for name, found in self._read(text, whole)]

    def unclear(self, text: str, whole: str) -> Iterator[tuple[str, list[str]]]:
        """Yield each name in a cell that more than one may be meant by, with their ids."""
        return ((name, found) for name, found in self._read(text, whole) if len(found) > 1)

    def _read(self, text: str, whole: str) -> list[tuple[str, list[str]]]:
        if not text or (found := self._find(text, whole)):
            return [(text, found)] if text else []
        parts = [part for part in re.split(r"\s*[,;\n]\s*", text) if part]
        if len(parts) == 1 and not self._find(parts[0], whole):
            words = [part for part in re.split(r"\s*[/+&]\s*|\s+and\s+|\s+", text) if part]
            # Words that mean nothing are one unknown name.
            parts = words if any(self._find(word, whole) for word in words) else parts
        return [(part, self._find(part, whole)) for part in parts]

    def _find(self, name: str, whole: str) -> list[str]:
        """The steps that a name may mean: of several, those in the same task; never the step itself."""
        for kind in self._kinds:
            found = sorted(kind.get(name.lower(), set()) - {whole})
            if found:
                task = whole.partition(".")[0]
                near = [one for one in found if one.startswith(f"{task}.")]
                return near if len(near) == 1 else found
        return []


def _put(names: dict[str, set[str]], name: str, meant: str) -> None:
    if name:
        names.setdefault(name.lower(), set()).add(meant)
