"""A text as a tree whose every value knows its line, column and path, and the faults found in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from tracker.plan.faults import Fault, PlanError

DEEPEST = 20
"""How many levels a tree may have."""

Key = str | int
Loc = tuple[Key, ...]


@dataclass(slots=True)
class Node:
    """One value of the text: a scalar, a list or a mapping."""

    kind: Literal["scalar", "list", "map"]
    line: int
    column: int
    text: str = ""
    """A scalar as written, quotes and escapes resolved."""
    quoted: bool = False
    items: list[Node] = field(default_factory=list)
    entries: dict[str, Node] = field(default_factory=dict)
    keys: dict[str, Node] = field(default_factory=dict)
    """Where each key of a mapping stands."""
    path: str = ""
    stand_in: bool = False
    """Whether it took the place of a value that was missing or faulty."""

    @property
    def null(self) -> bool:
        """Whether this is YAML's null: nothing, `~` or `null`, without quotes."""
        return self.kind == "scalar" and not self.quoted and self.text in ("", "~", "null", "Null", "NULL")

    def child(self, key: Key) -> Node | None:
        """Return the value under a key or index, if there is one."""
        if isinstance(key, str):
            return self.entries.get(key)
        return self.items[key] if 0 <= key < len(self.items) else None

    def data(self) -> Any:
        """Return mappings as dicts, lists as lists, and scalars as the nodes themselves."""
        if self.kind == "map":
            return {key: value.data() for key, value in self.entries.items()}
        return [item.data() for item in self.items] if self.kind == "list" else self


@dataclass(slots=True)
class Tree:
    """A whole text, and the faults found in it so far."""

    file: str
    root: Node
    faults: list[Fault] = field(default_factory=list)
    unsure: set[str] = field(default_factory=set)
    """Top-level parts from which something faulty was taken out: what is unknown there may be known."""

    def find(self, loc: Loc) -> Node:
        """Return the node at a location, or the deepest one on the way to it."""
        node = self.root
        for key in loc:
            below = node.child(key)
            if below is None:
                return node
            node = below
        return node

    def report(self, loc: Loc, what: str, right: str = "") -> None:
        """Note a fault of the value at a location, or of the deepest value on the way to it."""
        node = self.find(loc)
        self.faults.append(Fault(self.file, node.line, node.column, node.path, what, right))

    def report_key(self, loc: Loc, what: str, right: str = "") -> None:
        """Note a fault of a key (the last part of the location), which may be missing."""
        parent, key = self.find(loc[:-1]), str(loc[-1])
        at = parent.keys.get(key, parent)
        self.faults.append(Fault(self.file, at.line, at.column, join(parent.path, key), what, right))

    def finish(self) -> None:
        """Raise PlanError with every fault in file order, each once, if there is any."""
        if self.faults:
            once = dict.fromkeys(self.faults)
            raise PlanError(sorted(once, key=lambda fault: (fault.line, fault.column)))


def join(path: str, key: Key) -> str:
    """Return the path of a value below another: `tasks[3].steps`."""
    if isinstance(key, int):
        return f"{path}[{key}]"
    return f"{path}.{key}" if path else key


def position(text: str, index: int) -> tuple[int, int]:
    """Return line and column, both from 1, of a character of a text."""
    before = text[:index].replace("\r\n", "\n").replace("\r", "\n")
    return before.count("\n") + 1, len(before) - before.rfind("\n")


def of_data(data: Any, path: str = "", depth: int = 0) -> Node:
    """Return a tree of values that came from elsewhere (JSON of an event): no lines, only paths.

    Raises ValueError for what is nested too deeply or is no JSON value.
    """
    if depth > DEEPEST:
        raise ValueError("is nested too deeply")
    if isinstance(data, dict):
        entries = {str(k): of_data(v, join(path, str(k)), depth + 1) for k, v in data.items()}
        return Node("map", 0, 0, entries=entries, path=path)
    if isinstance(data, list | tuple):
        nodes = [of_data(v, _item_path(path, i, v), depth + 1) for i, v in enumerate(data)]
        return Node("list", 0, 0, items=nodes, path=path)
    if data is None or isinstance(data, bool | int | float | str):
        text = "null" if data is None else str(data).lower() if isinstance(data, bool) else str(data)
        return Node("scalar", 0, 0, text, isinstance(data, str), path=path)
    raise ValueError(f"holds a {type(data).__name__}, which is no JSON value")


def _item_path(path: str, index: int, value: object) -> str:
    # A word in a list (`crew: [EV1, EV2]`) is reported under the list's own name.
    return join(path, index) if isinstance(value, dict | list | tuple) else path
