"""What a needs column of a sheet means: steps and tasks by id, number, name or words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Protocol


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
        """Return the ids that a cell of step `whole` asks for; a name that nothing has stays as it is."""
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
        """Return what a name may mean: of several, those in the same task; never the step itself."""
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
