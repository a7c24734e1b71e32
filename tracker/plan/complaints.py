"""What the models refuse, as faults with a place and a remedy; and the faulty parts taken out of the tree.

What is left after that is a plan that can be looked at further, so that one run finds every fault.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from tracker.foundation.text import listed, near
from tracker.plan.scalars import ALONE, is_id, shown
from tracker.plan.schema import PLACES, Entry
from tracker.plan.yaml_tree import Key, Loc, Node, Tree

_FAR = "100:00"
_STANDS_IN: dict[str, str | list[str]] = {
    "format": "1",
    "excursion": "?",
    "unit": "?",
    "start": "1",
    "altitude": "400",
    "beta": "0",
    "first_sunrise": "0:00",
    "priority": "must",
    "home": "0:01",
    "time": "0:01",
    "at": "100:00",
    "every": "0:30",
    "ask": [],
    "supply": "0:30",
    "crew": [],
    "steps": [],
    "tasks": [],
}
"""What takes the place of a required value that is missing or faulty, while the rest is looked at."""

_WANTED = {
    "format": "write format: 1",
    "excursion": "write excursion: and what it is called",
    "limits": "write limits: {elapsed: 6:30}",
    "crew": "write crew: [EV1]",
    "id": "write id: and a letter, then letters, digits, _ or -",
    "unit": "write unit: kg, or what it is counted in",
    "start": "write start: and how much there is at zero",
    "time": "write time: 0:12, or {low: 0:08, likely: 0:12, high: 0:20}",
    "steps": "write steps: and a list of them",
    "tasks": "write tasks: and a list of them",
    "home": "write home: 0:12, the way home from there",
    "of": "write of: and the step that starts the clock",
    "at": "write at: 5:00, or an instant",
    "altitude": "write altitude: 400, in km",
    "beta": "write beta: 20, in degrees",
    "first_sunrise": "write first_sunrise: 0:10",
    "every": "write every: 0:30, how long until the next",
    "ask": "write ask: [oxygen, gloves], and what else is asked",
    "supply": "write supply: 0:30, how long it lasts",
}
_WANTED_THERE = {
    (True, "crew"): "write crew: [{id: EV1, name: Lead}]",
    (False, "within", "time"): "write time: 0:50",
}
"""Where the same key means something else; the first part says whether it stands at the top."""
_SHAPES = {
    "list_type": ("a list", "write [a, b], or lines that start with `- `"),
    "dict_type": ("a mapping", "write KEY: VALUE lines, or {key: value}"),
    "model_type": ("a mapping", "write KEY: VALUE lines, or {key: value}"),
}
_MANY = 200
"""So many words are compared with a misspelt one; of more, only those with the same first letter."""
_M = TypeVar("_M", bound=Entry)


def read_model(model: type[_M], tree: Tree, at: tuple[str, ...] = ()) -> _M | None:
    """The model of a tree, faulty parts replaced, after every fault was noted in the tree.

    `at` is where the model stands in a plan. None when nothing sensible is left.
    """
    for _ in range(8):
        try:
            return model.model_validate(tree.root.data())
        except ValidationError as error:
            details = error.errors(include_url=False, include_input=False)
        meant = {
            loc: _meant(loc, at) for loc in (d["loc"] for d in details if d["type"] == "extra_forbidden")
        }
        replaced = {(*loc[:-1], word) for loc, word in meant.items()}
        for detail in details:
            # A key under another name is not missing besides.
            if detail["type"] != "missing" or detail["loc"] not in replaced:
                _complain(tree, detail, at)
        _take_out(tree, [detail["loc"] for detail in details])
    return None


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `did you mean x`, or the known words, or nothing when there are none."""
    words = list(dict.fromkeys(known))
    begin = word[:1].lower()
    likely = words if len(words) <= _MANY else [w for w in words if w[:1].lower() == begin][:_MANY]
    folded = {w.lower(): w for w in likely}
    close = near(word.lower(), folded, 1)
    if close:
        return f"did you mean {folded[close[0]]}?"
    ends = [w for w in words if w.endswith("." + word)]
    if ends:
        return f"did you mean {ends[0]}?"
    if not words:
        return ""
    return f"write {listed(words, 'or')}" if len(words) <= 12 else f"known are {', '.join(words[:8])}, ..."


def _complain(tree: Tree, detail: ErrorDetails, at: tuple[str, ...]) -> None:
    loc, kind = detail["loc"], detail["type"]
    if kind == "missing":
        right = _WANTED.get(str(loc[-1]), "write it")
        right = _WANTED_THERE.get((len(loc) == 1, *map(str, loc[-2:])), right)
        tree.report_key(loc, "is missing", right)
    elif kind == "extra_forbidden":
        _unknown_key(tree, loc, at)
    elif kind in _SHAPES:
        wants, right = _SHAPES[kind]
        node = tree.find(loc)
        what = "is empty" if node.null else f"{shown(node.data())} stands where {wants} should"
        tree.report(loc, what, right)
    else:
        context: dict[str, Any] = detail.get("ctx") or {}
        tree.report(loc, str(context.get("what") or detail["msg"]), str(context.get("right") or ""))


def _unknown_key(tree: Tree, loc: Loc, at: tuple[str, ...]) -> None:
    model = PLACES.get(at + _place(loc[:-1], at))
    known = _keys(model)
    key, word = str(loc[-1]), _meant(loc, at)
    offered = f"did you mean {word}?" if word else f"write {listed(known, 'or')}" if known else ""
    right = _elsewhere(key, model) or offered
    if " " in key and tree.find(loc).null:
        right = "a comma in braces starts a new key: put text with a comma in quotes"
    tree.report_key(loc, "is not a key here", right)


def _meant(loc: Loc, at: tuple[str, ...]) -> str:
    """The known key that an unknown one stands for: by the words of sheets, else by spelling; or nothing."""
    from tracker.plan.sheet_words import HEADINGS, fold

    model, key = PLACES.get(at + _place(loc[:-1], at)), str(loc[-1])
    known = _keys(model)
    if _elsewhere(key, model):
        return ""
    word = fold(key.replace("_", " ").replace("-", " "))
    by_word = [name for name in known if word in HEADINGS.get(name, ())]
    return next(iter([*by_word, *near(key.lower(), known, 1)]), "")


def _keys(model: type[Entry] | None) -> list[str]:
    """The keys of a model as a file has them."""
    fields = model.model_fields.items() if model else ()
    return [field.alias or name for name, field in fields if field.alias != ALONE]


def _elsewhere(key: str, model: type[Entry] | None) -> str:
    """The place to which a key belongs, in words, when it is right somewhere else."""
    names = {"TaskFile": "the task", "StepFile": "a step", "PlanFile": "the top of the file"}
    for other in PLACES.values():
        if other is not model and other.__name__ in names and key in other.model_fields:
            return f"`{key}` belongs to {names[other.__name__]}"
    return ""


def _place(loc: Loc, at: tuple[str, ...]) -> tuple[str, ...]:
    named = [i for i in range(len(loc)) if i and loc[i - 1] in ("limits", "sites") and not at]
    return tuple("#" if isinstance(k, int) else "*" if i in named else k for i, k in enumerate(loc))


def _take_out(tree: Tree, locs: Iterable[Loc]) -> None:
    """Remove or replace what stands at these locations."""
    doomed: list[tuple[Node, Node]] = []
    for loc in locs:
        if loc and (len(loc) < 3 or loc[2:3] in (("id",), ("steps",))):
            tree.unsure.add(str(loc[0]))
        for depth in range(len(loc), 0, -1):
            parent, key = _parent(tree.root, loc[:depth])
            if parent is None:
                continue
            below = parent.child(key)
            if isinstance(key, int):
                if below is not None:
                    doomed.append((parent, below))
                break
            if _replaced(parent, key, below):
                break
    for parent, item in doomed:
        parent.items = [other for other in parent.items if other is not item]


def _parent(root: Node, loc: Loc) -> tuple[Node | None, Key]:
    node: Node | None = root
    for key in loc[:-1]:
        node = node.child(key) if node is not None else None
    fits = node is not None and node.kind == ("list" if isinstance(loc[-1], int) else "map")
    return (node if fits else None), loc[-1]


def _replaced(parent: Node, key: str, below: Node | None) -> bool:
    """Put a stand-in under a key, or delete the key; False when neither helps."""
    at = below or parent
    stand_in = _stand_in(parent, key)
    if stand_in is not None:
        stand_in.line, stand_in.column, stand_in.path, stand_in.stand_in = at.line, at.column, at.path, True
        parent.entries[key] = stand_in
    elif below is None or key in ("low", "likely", "high", "of", ALONE):
        return False
    else:
        del parent.entries[key]
    return True


def _id_meant(parent: Node) -> str:
    """The part after the task's id where a whole step id was written, else a name of our own."""
    written = parent.entries.get("id")
    part = written.text.partition(".")[2] if written is not None else ""
    return part if is_id(part) else f"unnamed-{parent.line}-{parent.column}"


def _stand_in(parent: Node, key: str) -> Node | None:
    if key == "id":
        return Node("scalar", 0, 0, _id_meant(parent))
    if key == "limits" and not parent.path:
        return Node("map", 0, 0, entries={"elapsed": Node("scalar", 0, 0, _FAR)})
    if key == "time" and parent.path.endswith("within"):
        return None
    if key == "elapsed":
        return Node("scalar", 0, 0, _FAR) if parent.path == "limits" else None
    if key == "crew" and (parent.path.startswith(("limits", "consumables"))):
        return None
    value = _STANDS_IN.get(key)
    if value is None:
        return None
    return Node("scalar", 0, 0, value) if isinstance(value, str) else Node("list", 0, 0)
