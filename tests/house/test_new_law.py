"""The rooms keep their budgets, imports make no circle, what computes remembers nothing but its arguments."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache

import grimp

from tests.house.tree import PROGRAM, TOP, Function, classes, lines, name, nobody, text

BUDGETS = {
    "tracker/plan/": (17, 3800),
    "tracker/journal/": (29, 5900),
    "tracker/forecast/": (27, 7400),
    "tracker/debrief/": (12, 2600),
    "tracker/rehearsal/": (6, 1300),
    "tracker/console/": (40, 8100),
    "tracker/cli/": (12, 1450),
    "tracker/foundation/": (7, 500),
}
"""Files and lines of each room. A room that needs more says why in DEVELOPERS.md, in a line that names it
and the word budget."""


def test_rooms_keep_their_budgets() -> None:
    reasons = [line for line in text(TOP / "DEVELOPERS.md").splitlines() if "budget" in line]
    nobody(over for room, over in _over() if not any(f"`{room}`" in line for line in reasons))


def _over() -> Iterator[tuple[str, str]]:
    """Yield the rooms over their budget, with what they have and what they may have."""
    for room, (files, most) in BUDGETS.items():
        here = [path for path in PROGRAM if name(path).startswith(room)]
        assert here, room
        count = sum(text(path).count("\n") for path in here)
        if len(here) > files or count > most:
            yield room, f"{room}: {len(here)} files of {files}, {count} lines of {most}"


def test_every_room_has_a_budget() -> None:
    parts = [path.relative_to(TOP / "tracker").parts for path in PROGRAM]
    assert {f"tracker/{part[0]}/" for part in parts if part[1:]} == set(BUDGETS)


CLASS, SCREEN = 250, 400
SCREENS = {"LiveScreen", "Desk", "Lead"}


def test_classes_are_short_with_all_their_own_ancestors() -> None:
    nobody(_wide())


def _wide() -> Iterator[str]:
    """Yield the classes that are too long, counted with what they inherit from the program's own."""
    known = {(place.split(":")[0], node.name): (place, node) for place, node in classes(PROGRAM)}
    from_ = {name(path): _imported(ast.parse(text(path))) for path in PROGRAM}
    for own, (place, _) in known.items():
        family, asked = set[tuple[str, str]](), [own]
        while asked:
            family.add(member := asked.pop())
            file, node = member[0], known[member][1]
            bases = [from_[file].get(base, (file, base)) for base in map(_last, node.bases)]
            asked += [base for base in bases if base in known and base not in family]
        count = sum(lines(known[member][1]) for member in family)
        names = sorted(member[1] for member in family)
        if count > (SCREEN if SCREENS.intersection(names) else CLASS):
            yield f"{place}: {count} lines over {', '.join(names)}"


def _imported(module: ast.Module) -> dict[str, tuple[str, str]]:
    """Return the names that a module takes from others of the program: the file there, and the name there."""
    return {
        each.asname or each.name: (_file(node.module), each.name)
        for node in ast.walk(module)
        if isinstance(node, ast.ImportFrom) and node.module
        for each in node.names
    }


def _file(module: str) -> str:
    path = module.replace(".", "/")
    return f"{path}/__init__.py" if (TOP / path).is_dir() else f"{path}.py"


def test_imports_make_no_circle() -> None:
    """Deferred ones and those for types alone are counted."""
    graph = grimp.build_graph("tracker", exclude_type_checking_imports=False, cache_dir=None)
    above = {module: graph.find_upstream_modules(module) for module in graph.modules}
    circles = {
        tuple(sorted({module, *(other for other in up if module in above[other])}))
        for module, up in above.items()
    }
    assert len(circles) > 1
    nobody(" - ".join(circle) for circle in sorted(circles) if len(circle) > 1)


PURE = ("tracker/plan/", "tracker/journal/", "tracker/forecast/")
MEMORY = "tracker/forecast/memory.py"
"""The one file with something that outlasts a call: the weak map of memories."""

CHANGES = {
    "add", "append", "appendleft", "clear", "discard", "extend", "insert", "move_to_end", "pop", "popitem",
    "popleft", "remove", "reverse", "setdefault", "sort", "update",
}  # fmt: skip
KEEPERS = {
    "local", "ContextVar", "WeakKeyDictionary", "WeakValueDictionary", "WeakSet", "count", "cache",
    "lru_cache", "default_rng", "Lock", "RLock",
}  # fmt: skip
SMALL = {
    "int", "float", "str", "bool", "bytes", "None", "tuple", "frozenset", "date", "datetime", "timedelta",
    "Literal",
}  # fmt: skip


ONCE = {
    "tracker/forecast/task_figures.py": "_merely_open",
    "tracker/forecast/remaining.py": "_read",
    "tracker/forecast/as_json.py": "_writers",
    "tracker/forecast/window_gaps.py": "regular_gaps",
    "tracker/journal/journal.py": "_read_again",
}
"""Pure functions of texts, ids and classes, each with a bound on what it keeps: a file that is read once."""


def test_what_computes_remembers_nothing_in_a_module() -> None:
    files = [path for path in PROGRAM if name(path).startswith(PURE) and name(path) != MEMORY]
    nobody(
        f"{name(path)}:{line} {what}"
        for path in files
        for line, what in sorted(remembered(text(path)))
        if what.split(":")[0] != ONCE.get(name(path))
    )


def test_what_is_remembered_is_found() -> None:
    found = {
        "kept = {}\ndef f(a):\n    kept[a] = 1": 1,
        "kept: dict[int, int] = {}\ndef f(a):\n    kept.setdefault(a, 1)": 1,
        "kept = OrderedDict()\ndef f(a):\n    kept.move_to_end(a)": 1,
        "kept = []\ndef f(a):\n    del kept[a]": 1,
        "kept = 0\ndef f():\n    global kept\n    kept += 1": 1,
        "kept = local()": 1,
        "class Memory(threading.local): pass\nkept = Memory()": 1,
        "class Shelf:\n    def put(self, a): self.a = a\nkept = Shelf()": 1,
        "class Shelf:\n    seen = []\n    def put(self, a): self.seen.append(a)": 1,
        "class Shelf:\n    def put(self, a): Shelf.last = a": 1,
        "def f(a):\n    f.last = a": 1,
        "@lru_cache\ndef f(a: str) -> Plan: ...": 1,
        "@cache\ndef f(self, a: int) -> int: ...": 1,
        "f = lru_cache(4)(g)": 1,
        "@lru_cache(maxsize=4)\ndef f(a: tuple[int, ...]) -> str | None: ...": 0,
        "kept = {}\ndef f(a):\n    return kept[a]": 0,
        "kept = {}\ndef f(kept):\n    kept[1] = 1": 0,
        "kept = {}\nkept[1] = 1": 0,
        "class Shelf:\n    def __init__(self): self.seen = []\n    def put(self, a): self.seen.append(a)": 0,
        "class Value:\n    def __init__(self, a): self.a = a\nZERO = Value(0)": 0,
    }  # fmt: skip
    nobody(source for source, count in found.items() if len(remembered(source)) != count)


def remembered(source: str) -> set[tuple[int, str]]:
    """Return what of a module outlasts a call, with the line where it is made."""
    module = ast.parse(source)
    inner = [node for node in ast.walk(module) if isinstance(node, Function)]
    own = [node for node in ast.walk(module) if isinstance(node, ast.ClassDef)]
    keepers = KEEPERS | {node.name for node in own if _changes_itself(node)}
    keepers |= {held for held, there in _imported(module).items() if there in _keepers()}
    changed = {found for node in inner for found in _changed(node)}
    found = {
        (line, held)
        for line, held, value in _held(module)
        if held in changed or keepers.intersection(_called(value))
    }
    for node in own:
        touched = {path[1] for path in _places(node) if path[0] in ("self", "cls", node.name) and path[1:]}
        found |= {
            (line, f"{node.name}.{held}")
            for line, held, value in _held(node)
            if (held in touched and _mutable(value)) or keepers.intersection(_called(value))
        }
    named = {"cls", *(node.name for node in [*own, *inner])}
    found |= {(node.lineno, ".".join(set_)) for node in inner for set_ in _set(node) if set_[0] in named}
    return found | {(node.lineno, f"{node.name}: a cache of large values") for node in inner if _cached(node)}


@cache
def _keepers() -> set[tuple[str, str]]:
    """Return the program's classes whose objects change, so that one held in a module remembers."""
    return {(place.split(":")[0], node.name) for place, node in classes(PROGRAM) if _changes_itself(node)}


def _changes_itself(node: ast.ClassDef) -> bool:
    made = ("__init__", "__post_init__", "__new__")
    later = [method for method in node.body if isinstance(method, Function) and method.name not in made]
    return "local" in map(_last, node.bases) or any(path[0] == "self" for m in later for path in _places(m))


def _held(scope: ast.Module | ast.ClassDef) -> Iterator[tuple[int, str, ast.expr]]:
    """Yield the line, name and value of what a module or a class holds."""
    asked: list[ast.AST] = list(scope.body)
    while asked:
        node = asked.pop()
        if isinstance(node, ast.If | ast.Try | ast.With):
            asked += ast.iter_child_nodes(node)
        elif isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            yield from ((node.lineno, each.id, node.value) for each in targets if isinstance(each, ast.Name))


def _places(scope: ast.AST) -> Iterator[tuple[str, ...]]:
    """Yield what is changed in place, as the names that lead there: `self.seen[3].add(1)` is self, seen."""
    for node in ast.walk(scope):
        match node:
            case ast.Call(func=ast.Attribute(value=changed, attr=change)) if change in CHANGES:
                yield _path(changed)
            case ast.Subscript(value=changed, ctx=ast.Store() | ast.Del()):
                yield _path(changed)
            case ast.Attribute(ctx=ast.Store() | ast.Del()):
                yield _path(node)


def _path(node: ast.expr) -> tuple[str, ...]:
    match node:
        case ast.Name(id=first):
            return (first,)
        case ast.Attribute(value=of, attr=then):
            return (*_path(of), then)
        case ast.Subscript(value=of):
            return _path(of)
    return ("",)


def _changed(node: ast.FunctionDef | ast.AsyncFunctionDef) -> Iterator[str]:
    """Yield the names from outside of a function that it changes."""
    declared = {each for inner in ast.walk(node) if isinstance(inner, ast.Global) for each in inner.names}
    yield from declared
    own = _own(node) - declared
    yield from (path[0] for path in _places(node) if path[0] not in own)


def _set(node: ast.FunctionDef | ast.AsyncFunctionDef) -> Iterator[tuple[str, ...]]:
    """Yield the attributes that a function sets on what is not its own."""
    own = _own(node) - {"cls"}
    for inner in ast.walk(node):
        if isinstance(inner, ast.Attribute) and isinstance(inner.ctx, ast.Store):
            path = _path(inner)
            if path[0] not in own:
                yield path


def _own(node: ast.FunctionDef | ast.AsyncFunctionDef) -> set[str]:
    """Return the names that a function binds itself."""
    bound = {inner.arg for inner in ast.walk(node) if isinstance(inner, ast.arg)}
    stored = (n for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store))
    return bound | {inner.id for inner in stored}


def _cached(node: ast.FunctionDef | ast.AsyncFunctionDef) -> bool:
    """Whether a function keeps its results and takes or gives more than small values."""
    by = {_last(each.func if isinstance(each, ast.Call) else each) for each in node.decorator_list}
    given = [arg.annotation for arg in ast.walk(node.args) if isinstance(arg, ast.arg)]
    said = [None if each is None else ast.unparse(each) for each in (*given, node.returns)]
    small = all(each is not None and set(re.findall(r"(\w+)(?![\w.])", each)) <= SMALL for each in said)
    return bool(by & {"cache", "lru_cache"}) and not small


def _called(value: ast.expr) -> Iterator[str]:
    return (_last(node.func) for node in ast.walk(value) if isinstance(node, ast.Call))


def _mutable(value: ast.expr) -> bool:
    shown = (ast.Dict, ast.List, ast.Set, ast.DictComp, ast.ListComp, ast.SetComp)
    made = {"dict", "list", "set", "OrderedDict", "defaultdict", "deque", "Counter", "bytearray"}
    return isinstance(value, shown) or (isinstance(value, ast.Call) and _last(value.func) in made)


def _last(node: ast.expr) -> str:
    """Return the last name of a dotted one; of a call or a subscript, that of what is called."""
    match node:
        case ast.Attribute(attr=last) | ast.Name(id=last):
            return last
        case ast.Call(func=of) | ast.Subscript(value=of):
            return _last(of)
    return ""
