"""Which column of a spreadsheet is which: headings matched loosely, and what was not matched."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

HEADINGS: dict[str, tuple[str, ...]] = {
    "task": ("task", "task title", "task name", "activity", "work package", "block", "phase"),
    "task_id": ("task id", "task no", "task nr", "task number"),
    "do": ("do", "action", "description", "step description", "what", "instruction", "text", "details",
           "procedure"),
    "step": ("step id", "step no", "step nr", "step number", "id", "no", "nr", "number", "num", "ref", "wbs",
             "seq", "item no", "step", "item"),
    "crew": ("crew", "who", "crew member", "crew members", "assigned", "assigned to", "person", "by", "actor",
             "ev"),
    "time": ("time", "duration", "planned time", "planned duration", "planned", "likely", "most likely",
             "expected", "dur", "length", "takes", "how long", "estimate", "est", "nominal", "minutes",
             "mins", "min", "hours", "seconds"),
    "low": ("low", "optimistic", "best case", "shortest", "time low", "minimum", "min", "min time",
            "min duration"),
    "high": ("high", "pessimistic", "worst case", "longest", "time high", "maximum", "max", "max time",
             "max duration"),
    "priority": ("priority", "prio", "category", "class"),
    "optional": ("optional", "get ahead", "getahead", "if time", "nice to have"),
    "value": ("value", "weight", "worth"),
    "needs": ("needs", "predecessor", "predecessors", "pred", "preds", "after", "depends on", "dependencies",
              "dependency", "requires", "prerequisite", "prerequisites", "prereq"),
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
"""Per key of a plan the headings that mean it, the best first, in lower case, without units and marks."""

_SAID = ("step", "step name", "steps", "activity", "name", "title", "item")
"""Headings that say what is done when no better one does."""
_GROUPS = ("phase", "block", "section", "group", "segment", "stage", "work package")
"""Headings of what tasks belong to: where nothing else is a step, these are tasks and tasks are steps."""
_MOMENTS = {"start", "begin", "begins", "starts", "end", "ends", "finish", "stop", "from", "until"}
"""Words of a heading that speak of an instant, not of how long something takes."""

_UNITS = {
    *("h", "hr", "hrs", "hours", "min", "mins", "minutes", "s", "sec", "seconds", "w"),
    *("hmm", "h:mm", "hh:mm", "h:mm:ss", "hh:mm:ss", "m:ss", "mm:ss"),
}
NO = {"", "no", "n", "false", "0", "-"}
YES = {"yes", "y", "true", "x", "1", "✓", "✔", "•", "*"}


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

    @property
    def complete(self) -> bool:
        """Whether what a plan cannot do without has a column."""
        return bool(
            "time" in self.keys
            and {"task", "step", "do"} & set(self.keys)
            and ("crew" in self.keys or self.crew)
        )


def match(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Columns:
    """Return which column holds what: the best heading first, the leftmost of equals."""
    bare = [_bare(name) for name in headings]
    keys: dict[str, int] = {}
    for exact in (True, False):
        for key, known in HEADINGS.items():
            if key == "step" and "do" in keys:
                known = ("step", *known)
            at = None if key in keys else _best(bare, set(keys.values()), key, known, exact)
            if at is not None:
                keys[key] = at
    _settle(keys, bare, rows)
    crew = {} if "crew" in keys else _marked(headings, rows, set(keys.values()))
    return Columns(keys, crew, tuple(headings))


def _bare(name: str) -> str:
    """Return a heading in lower case, without marks and without the units behind its first word."""
    words = re.sub(r"[^a-z0-9:]+", " ", name.lower()).split()
    if not words and name.strip() in ("#", "№"):
        return "no"
    return " ".join([*words[:1], *(word for word in words[1:] if word not in _UNITS)])


def _best(bare: Sequence[str], used: set[int], key: str, known: Sequence[str], exact: bool) -> int | None:
    ranks = {i: _rank(name, key, known, exact) for i, name in enumerate(bare) if i not in used}
    return min(
        (i for i, rank in ranks.items() if rank is not None), key=lambda i: ranks[i] or 0, default=None
    )


def _rank(name: str, key: str, known: Sequence[str], exact: bool) -> int | None:
    """Return how well a heading means a key, from 0; None when it does not."""
    if exact:
        return known.index(name) if name in known else 0 if name.replace(" ", "_") == key else None
    if key in ("time", "low", "high") and _MOMENTS & set(name.split()):
        return None
    fits = (i for i, word in enumerate(known) if len(word) > 3 and _begins_or_ends(name, word))
    return next(fits, None)


def _begins_or_ends(name: str, word: str) -> bool:
    return name.startswith(word) or name.endswith(" " + word)


def _settle(keys: dict[str, int], bare: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Give tasks and what is done the columns that are left for them."""
    if "task" not in keys and "task_id" in keys:
        keys["task"] = keys.pop("task_id")
    if "do" not in keys:
        said = _best(bare, set(keys.values()), "do", _SAID, True)
        if said is not None:
            keys["do"] = said
        elif "step" in keys and _is_prose([row[keys["step"]] for row in rows]):
            keys["do"] = keys.pop("step")
    group = _best(bare, set(keys.values()), "task", _GROUPS, True)
    if group is not None and "task" in keys and not {"do", "step"} & set(keys):
        keys["do"], keys["task"] = keys["task"], group


def _is_prose(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell.strip()]
    return sum(" " in cell.strip() for cell in filled) * 2 > len(filled)


def _marked(headings: Sequence[str], rows: Sequence[Sequence[str]], used: set[int]) -> dict[str, int]:
    """Return columns whose heading could be somebody and whose cells are marks."""
    found = {}
    for i, name in enumerate(headings):
        if i in used or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,19}", name.strip(), re.ASCII):
            continue
        cells = {row[i].strip().lower() for row in rows}
        if cells <= YES | NO and cells & YES:
            found[name.strip()] = i
    return found
