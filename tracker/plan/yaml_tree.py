"""Reads a YAML 1.2 text as a tree whose every value knows its line, column and path.

Nothing in the text is ever constructed: tags are refused, and size is checked before work is done.

A text as a tree whose every value knows its line, column and path, and the faults found in it.

What a YAML parser complains of, in words for the person who wrote the file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from tracker.foundation.errors import Fault, PlanError
from tracker.foundation.text import plain

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
        """The value under a key or index, if there is one."""
        if isinstance(key, str):
            return self.entries.get(key)
        return self.items[key] if 0 <= key < len(self.items) else None

    def data(self) -> Any:
        """Mappings as dicts, lists as lists, and scalars as the nodes themselves."""
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
        """The node at a location, or the deepest one on the way to it."""
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
    """The path of a value below another: `tasks[3].steps`."""
    if isinstance(key, int):
        return f"{path}[{key}]"
    return f"{path}.{key}" if path else key


def position(text: str, index: int) -> tuple[int, int]:
    """Line and column, both from 1, of a character of a text."""
    before = text[:index].replace("\r\n", "\n").replace("\r", "\n")
    return before.count("\n") + 1, len(before) - before.rfind("\n")


def of_data(data: Any, path: str = "", depth: int = 0) -> Node:
    """A tree of values that came from elsewhere (JSON of an event): no lines, only paths.

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


_WORDS = (
    (r"'\t'", "a tab stands where the line is indented", "indent with spaces"),
    (
        "mapping values are not allowed",
        "a colon stands where no key can be",
        "put text with `: ` in quotes, or indent the key like its neighbours",
    ),
    (
        "could not find expected ':'",
        "a key has no colon",
        "write KEY: VALUE, with a space after the colon",
    ),
    ("unexpected end of stream", "a quote is opened and never closed", "close it"),
    ("expected ',' or ']'", "a list in brackets is not closed", "write [a, b, c]"),
    ("expected ',' or '}'", "a mapping in braces is not closed", "write {key: value, key: value}"),
    ("expected <block end>", "the indentation does not fit the lines above", "align it with its neighbours"),
    ("did not find expected", "the indentation does not fit the lines above", "align it with its neighbours"),
    ("cannot start any token", "a character here starts no value", "put the text in quotes"),
    ("sequence entries are not allowed", "a list item stands where none can be", "start it on a new line"),
    ("block sequence", "a list item stands where none can be", "start it on a new line"),
    (
        "unknown escape",
        "an escape in double quotes is not known",
        "use single quotes, or write two backslashes",
    ),
    ("expected the node content", "a value is missing, or a bracket stands alone", "write KEY: VALUE"),
    ("expected alphabetic", "`&`, `*` or `!` starts a value", "put the text in quotes"),
    ("chomping", "`|` or `>` starts a value", "put the text in quotes"),
    ("comment or a line break", "something follows where the line should end", "put the text in quotes"),
    ("duplicate anchor", "an anchor is set twice", "write the value out"),
    ("undefined tag handle", "a tag is not allowed", "leave it out"),
)
"""(part of the parser's words, what is wrong, what would be right)."""


def stands_open(problem: str) -> bool:
    """Whether a complaint is best placed where something was opened that nothing closes."""
    return problem.startswith(("expected ',' or", "found unexpected end of stream"))


def in_words(problem: str) -> tuple[str, str]:
    """A parser's complaint in our words: what is wrong, and what would be right."""
    for part, what, right in _WORDS:
        if part in problem:
            return f"is not YAML: {what}", right
    return f"is not YAML: {problem or 'it cannot be read'}", "write KEY: VALUE lines indented with spaces"


MOST_BYTES = 10_000_000
MOST_NODES = 20_000
MOST_CONTENT = 2_000_000
"""Characters outside comment and blank lines: a hundred for each of the nodes allowed."""
MOST_LINES = 250_000

_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ASIDE = re.compile(r"^[ \t]*(#.*)?$", re.MULTILINE)


def read_tree(text: str, file: str) -> Tree:
    """Read a text as a tree.

    Raises PlanError for what is no YAML or too large; duplicate keys, tags and the like are left as
    faults of the tree, so that the rest can be looked at too.
    """
    check_size(text, file)
    return _Composer(text, file).tree()


def check_size(text: str, file: str) -> None:
    """Raise PlanError for a text that is too large or holds characters that YAML does not allow."""
    smaller = "a plan of 20,000 entries needs far less"
    if len(text.encode("utf-8", "replace")) > MOST_BYTES:
        raise _alone(file, 0, 0, "is larger than 10 MB", smaller)
    if text.count("\n") > MOST_LINES or text.count("\r") > MOST_LINES:
        raise _alone(file, 0, 0, f"has more than {MOST_LINES:,} lines", smaller)
    bad = _UNPRINTABLE.search(text)
    if bad is not None:
        line, column = position(text, bad.start())
        what = f"holds the character U+{ord(bad.group()):04X}, which no text file has"
        raise _alone(file, line, column, what, "save it as plain text in UTF-8")
    if len(text) > MOST_CONTENT and len(_ASIDE.sub("", text)) > MOST_CONTENT:
        raise _alone(file, 0, 0, "holds more than 2 MB beside comments", smaller)


def _alone(file: str, line: int, column: int, what: str, right: str) -> PlanError:
    return PlanError([Fault(file, line, column, "", what, right)])


class _Composer:
    """Builds the tree from the parser's events, counting as it goes."""

    def __init__(self, text: str, file: str) -> None:
        self._file = file
        self._text = text
        self._events: Iterator[Any] = iter(())
        self._anchors: dict[str, Node] = {}
        self._faults: list[Fault] = []
        self._count = 0

    def tree(self) -> Tree:
        self._events = YAML(typ="safe", pure=True).parse(self._text)
        try:
            root = self._document()
        except PlanError as error:
            raise PlanError([*self._faults, *error.faults]) from None
        except MarkedYAMLError as error:
            what, right = in_words(problem := str(error.problem or error.context or ""))
            marks = [error.problem_mark, error.context_mark]
            mark = next((m for m in (marks[::-1] if stands_open(problem) else marks) if m), None)
            line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
            raise PlanError([*self._faults, *_alone(self._file, line, column, what, right).faults]) from None
        except (YAMLError, ValueError, IndexError, AttributeError, AssertionError) as error:
            # The parser has a few ends that are not its own errors; none of them is the reader's.
            raise _alone(self._file, 1, 1, "is not YAML", "write KEY: VALUE lines") from error
        _name(root, "")
        return Tree(self._file, root, self._faults)

    def _document(self) -> Node:
        root: Node | None = None
        documents = 0
        for event in self._events:
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    raise self._stopped(event, "a second document starts here", "one file holds one plan")
            elif isinstance(event, NodeEvent):
                root = self._node(event, 1)
        if root is None or root.null:
            raise _alone(self._file, 1, 1, "is empty", "write a plan: format, excursion, limits, crew, tasks")
        if root.kind != "map":
            raise _alone(self._file, root.line, root.column, "is not a plan", "write KEY: VALUE lines")
        return root

    def _node(self, event: Any, depth: int) -> Node:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        self._counted(event, 1)
        if depth > DEEPEST:
            raise self._stopped(
                event, f"is nested more than {DEEPEST} levels deep", "a plan needs fewer than ten"
            )
        if isinstance(event, AliasEvent):
            return self._alias(event, depth)
        if event.tag is not None:
            what = f"has the tag {event.tag}"
            self._fault(event, what, "leave the tag out: plans hold only text, numbers, lists and mappings")
        if isinstance(event, ScalarEvent):
            node = Node("scalar", line, column, self._characters(event), event.style is not None)
        elif isinstance(event, SequenceStartEvent):
            node = Node("list", line, column)
            while not isinstance(below := next(self._events), SequenceEndEvent):
                node.items.append(self._node(below, depth + 1))
        else:
            node = Node("map", line, column)
            while not isinstance(key := next(self._events), MappingEndEvent):
                self._pair(node, key, depth)
        if event.anchor is not None:
            self._anchors[str(event.anchor)] = node
        return node

    def _characters(self, event: Any) -> str:
        """A scalar's text; two escapes of JSON may be one character."""
        text = str(event.value)
        if text.isascii():
            return text
        try:
            return text.encode("utf-16", "surrogatepass").decode("utf-16")
        except UnicodeDecodeError:
            self._fault(event, "holds half a character (a lone surrogate)", "write the whole character")
            return text.encode("utf-8", "replace").decode()

    def _pair(self, node: Node, event: Any, depth: int) -> None:
        key = self._node(event, depth + 1)
        value = self._node(next(self._events), depth + 1)
        if key.kind != "scalar":
            self._fault(event, "a list or mapping stands where a key should", "write one word and a colon")
        elif key.text == "<<" and not key.quoted:
            self._fault(event, "`<<` is not part of YAML 1.2", "write the keys out")
        elif key.text in node.entries:
            first = node.keys[key.text].line
            what = f"the key {key.text!r} is here a second time (first in line {first})"
            self._fault(event, what, "keep one of them")
        else:
            node.entries[key.text], node.keys[key.text] = value, key
            if not value.text and value.null:
                # The parser puts what is not there at the start of what follows.
                value.line, value.column = key.line, key.column

    def _alias(self, event: Any, depth: int) -> Node:
        found = self._anchors.get(str(event.anchor))
        if found is None:
            raise self._stopped(event, f"`*{event.anchor}` names no anchor before it", "write the value out")
        return self._copy(found, event, depth)

    def _copy(self, node: Node, event: Any, depth: int) -> Node:
        self._counted(event, 1 + len(node.keys))
        if depth > DEEPEST:
            raise self._stopped(
                event, f"is nested more than {DEEPEST} levels deep", "a plan needs fewer than ten"
            )
        items = [self._copy(item, event, depth + 1) for item in node.items]
        entries = {key: self._copy(value, event, depth + 1) for key, value in node.entries.items()}
        return Node(
            node.kind, node.line, node.column, node.text, node.quoted, items, entries, dict(node.keys)
        )

    def _counted(self, event: Any, nodes: int) -> None:
        self._count += nodes
        if self._count > MOST_NODES:
            raise self._stopped(
                event, f"the file holds more than {MOST_NODES:,} entries", "a plan needs far fewer"
            )

    def _fault(self, event: Any, what: str, right: str) -> None:
        mark = event.start_mark
        self._faults.append(Fault(self._file, mark.line + 1, mark.column + 1, "", what, right))

    def _stopped(self, event: Any, what: str, right: str) -> PlanError:
        mark = event.start_mark
        return _alone(self._file, mark.line + 1, mark.column + 1, what, right)


def _name(node: Node, path: str) -> None:
    node.path = path
    for key, value in node.entries.items():
        _name(value, join(path, key))
    for index, item in enumerate(node.items):
        _name(item, path if item.kind == "scalar" else join(path, index))


_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_.-]*", re.ASCII)
_RESERVED = {"true", "false", "null", "yes", "no", "on", "off", "home"}


def yaml_text(text: str) -> str:
    """A text as YAML writes it on one line, made plain, quoted where a bare word would be something else."""
    return yaml_exact(plain(text, most=500))


def yaml_exact(text: str) -> str:
    """A text as YAML writes it on one line, so that reading it gives the very same characters."""
    safe = all(_WORD.fullmatch(word) for word in text.split(" ")) and text.lower() not in _RESERVED
    if safe and text:
        return text
    quoted = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in quoted)
