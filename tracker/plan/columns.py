"""Which column of a spreadsheet is which: headings matched loosely, and what was not matched."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

HEADINGS: dict[str, tuple[str, ...]] = {
    "task": ("task", "task title", "task name", "activity", "block", "phase", "work package"),
    "step": ("step", "step id", "step no", "step number", "id", "no", "nr", "number", "ref", "item"),
    "do": ("do", "action", "description", "step description", "what", "instruction", "text", "details",
           "procedure"),
    "crew": ("crew", "who", "crew member", "crew members", "assigned", "assigned to", "person", "by", "actor",
             "ev"),
    "time": ("time", "duration", "planned", "planned time", "planned duration", "likely", "dur", "length",
             "takes", "minutes", "mins", "min", "hours", "seconds", "estimate", "nominal"),
    "low": ("low", "optimistic", "best case", "shortest", "time low", "minimum"),
    "high": ("high", "pessimistic", "worst case", "longest", "time high", "maximum"),
    "priority": ("priority", "prio", "category", "class"),
    "value": ("value", "weight", "worth"),
    "needs": ("needs", "predecessor", "predecessors", "after", "depends on", "requires", "prerequisite",
              "prerequisites"),
    "site": ("site", "worksite", "location", "where", "place"),
    "work": ("work", "kind", "kind of work", "type", "work type"),
    "count": ("count", "quantity", "qty", "items", "number of items", "pieces"),
    "effort": ("effort", "metabolic rate", "watts", "workload"),
    "hold_point": ("hold point", "hold", "go", "go no go", "go for"),
    "opens": ("opens", "open items", "leaves open"),
    "closes": ("closes",),
    "closeout": ("closeout", "close out"),
    "fixed": ("fixed", "fixed time"),
}  # fmt: skip
"""Per key of a plan the headings that mean it, in lower case, without units and punctuation."""

_UNITS = {
    "h",
    "hr",
    "hrs",
    "hours",
    "min",
    "mins",
    "minutes",
    "s",
    "sec",
    "seconds",
    "hmm",
    "h:mm",
    "w",
    "hh:mm",
}
_MARKS = {"", "x", "1", "yes", "y", "✓", "✔", "•", "*"}


@dataclass(frozen=True, slots=True)
class Columns:
    """What each column of a sheet holds."""

    keys: Mapping[str, int]
    """Key of a plan to its column, from 0."""
    crew: Mapping[str, int]
    """Crew members who have a column of their own, with a mark where they take part."""
    headings: tuple[str, ...]

    @property
    def unread(self) -> tuple[str, ...]:
        """Headings that mean nothing to a plan."""
        used = {*self.keys.values(), *self.crew.values()}
        return tuple(name for i, name in enumerate(self.headings) if i not in used and name.strip())


def match(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Columns:
    """Return which column holds what: the best heading first, the leftmost of equals."""
    keys: dict[str, int] = {}
    bare = [_bare(name) for name in headings]
    for exact in (True, False):
        for key, known in HEADINGS.items():
            if key in keys:
                continue
            for i, name in enumerate(bare):
                if i not in keys.values() and _means(name, key, known, exact):
                    keys[key] = i
                    break
    if "do" not in keys and "step" in keys and _is_prose([row[keys["step"]] for row in rows]):
        keys["do"] = keys.pop("step")
    crew = {} if "crew" in keys else _marked(headings, rows, set(keys.values()))
    return Columns(keys, crew, tuple(headings))


def _bare(name: str) -> str:
    words = re.sub(r"[^a-z0-9:]+", " ", name.lower()).split()
    return " ".join(words if len(words) == 1 else [word for word in words if word not in _UNITS])


def _means(name: str, key: str, known: Sequence[str], exact: bool) -> bool:
    if exact:
        return name in known or name.replace(" ", "_") == key
    return any(len(word) > 3 and (name.startswith(word) or name.endswith(" " + word)) for word in known)


def _is_prose(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return sum(" " in cell.strip() for cell in filled) * 2 > len(filled)


def _marked(headings: Sequence[str], rows: Sequence[Sequence[str]], used: set[int]) -> dict[str, int]:
    """Return columns whose heading could be somebody and whose cells are marks."""
    found = {}
    for i, name in enumerate(headings):
        cells = {row[i].strip().lower() for row in rows}
        if (
            i not in used
            and re.fullmatch(r"[A-Za-z]\w{0,19}", name.strip())
            and cells <= _MARKS
            and cells - {""}
        ):
            found[name.strip()] = i
    return found
