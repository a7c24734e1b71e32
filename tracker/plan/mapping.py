"""A mapping file: how somebody's sheets are read, written by one import and mended for the next.

Its keys are `sheet`, `header_row`, `columns` (HEADING: KEY or KEY:UNIT), `units` (HEADING: UNIT), `decimal`,
`crew` (name: id), `priorities` (word: priority), `hidden` (read or skip) and `only_columns`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from tracker.foundation.errors import WrongUsage, parted
from tracker.foundation.text import meant
from tracker.plan.cells import UNITS
from tracker.plan.columns import Named, Wishes, column_name, named
from tracker.plan.scalars import is_id
from tracker.plan.sheet import Sheet
from tracker.plan.sheet_words import PRIORITIES, fold
from tracker.plan.yaml_tree import Node, Tree, read_tree, yaml_text

_KEYS = ("sheet", "header_row", "columns", "units", "decimal", "crew", "priorities", "hidden", "only_columns")
_ONE_OF = {"decimal": (".", ","), "hidden": ("read", "skip"), "only_columns": ("true", "false")}
_RANKS = tuple(dict.fromkeys(PRIORITIES.values()))


def read_mapping(text: str, file: str) -> Wishes:
    """What a mapping file says. Raises PlanError with every fault, each with its place."""
    tree = read_tree(text, file)
    for key in tree.root.entries:
        if key not in _KEYS:
            right = meant(key, _KEYS, f"write {', '.join(_KEYS)}")
            tree.report_key((key,), "is not a key of a mapping", right)
    for key, words in _ONE_OF.items():
        if _text(tree, key) not in ("", *words):
            tree.report((key,), f"{_text(tree, key)!r} is not known here", f"write {' or '.join(words)}")
    row = _text(tree, "header_row")
    if row and not (row.isascii() and row.isdigit() and 0 < int(row) <= 5000):
        tree.report(("header_row",), f"{row!r} is no row", "write a whole number from 1")
    wishes = Wishes(
        named=tuple(_columns(tree)),
        only=_text(tree, "only_columns") == "true",
        decimal=_text(tree, "decimal"),
        sheet=_text(tree, "sheet"),
        header_row=int(row) if row.isdigit() else 0,
        hidden=_text(tree, "hidden"),
        crew=_pairs(tree, "crew", is_id, "write the id of a crew member, such as EV1"),
        priorities=_pairs(tree, "priorities", lambda text: text in _RANKS, f"write {', '.join(_RANKS)}"),
    )
    tree.finish()
    return wishes


def _text(tree: Tree, key: str) -> str:
    node = tree.root.entries.get(key)
    return node.text if node is not None and node.kind == "scalar" and not node.null else ""


def _entries(tree: Tree, key: str) -> Iterator[tuple[str, Node]]:
    node = tree.root.entries.get(key)
    if node is not None and node.kind != "map":
        tree.report((key,), "is no mapping", "write lines of NAME: VALUE")
    elif node is not None:
        yield from node.entries.items()


def _columns(tree: Tree) -> Iterator[Named]:
    units = {fold(name): node.text for name, node in _entries(tree, "units")}
    for name, unit in units.items():
        if unit not in {*UNITS, "m:ss", "h:mm"}:
            tree.report(
                ("units",), f"{unit!r} is no unit of {name}", f"write {', '.join(UNITS)}, m:ss or h:mm"
            )
    for heading, node in _entries(tree, "columns"):
        try:
            one = named(heading, node.text)
        except WrongUsage as error:
            tree.report(("columns", heading), *parted(error.lines[0].removeprefix("--columns: ")))
        else:
            yield replace(one, unit=one.unit or units.get(fold(heading), ""))


def _pairs(tree: Tree, key: str, holds: Callable[[str], bool], right: str) -> Mapping[str, str]:
    found = {}
    for name, node in _entries(tree, key):
        found[name] = node.text
        if not holds(node.text):
            tree.report((key, name), f"{node.text!r} is not known here", right)
    return found


def joined(said: Wishes, file: Wishes) -> Wishes:
    """What a mapping file says, and what the command line says over it."""
    own = {one.key + one.member for one in said.named} | {fold(one.column) for one in said.named}
    kept = [
        one for one in file.named if one.key + one.member not in own - {"-"} and fold(one.column) not in own
    ]
    return replace(
        file,
        named=(*said.named, *kept),
        only=said.only or file.only,
        decimal=said.decimal or file.decimal,
        sheet=said.sheet or file.sheet,
        hidden=said.hidden or file.hidden,
    )


def mapping_of(sheet: Sheet, wishes: Wishes, name: str) -> str:
    """The text of a mapping file that reads such a sheet as this one was read; `name`: that of the sheet."""
    columns = sheet.columns
    keys = {at: key for key, at in columns.keys.items()}
    keys |= {at: f"crew:{sheet.ids.get(member, member)}" for member, at in columns.crew.items()}
    keys |= {at: f"does:{member}" for member, at in columns.does.items()} | dict.fromkeys(
        columns.skipped, "-"
    )
    lines = ["# How a sheet is read: `tracker import SHEET --mapping` this file."]
    lines += [f"sheet: {yaml_text(name)}"] if name else []
    lines += [f"header_row: {sheet.header_row}", "columns:"]
    for at in sorted(keys):
        unit = columns.units.get(at) or sheet.units.get(at, "")
        heading = " ".join(columns.headings[at].split())
        twice = [" ".join(other.split()) for other in columns.headings].count(heading) > 1
        column = f"@{column_name(at)}" if twice or not heading else heading
        first = f"   # the first is {sheet.began}" if keys[at] == "start" and sheet.began else ""
        lines.append(f"  {yaml_text(column)}: {yaml_text(keys[at] + (f':{unit}' if unit else ''))}{first}")
    lines += [f'decimal: "{wishes.decimal}"'] if wishes.decimal else []
    lines += [f"hidden: {wishes.hidden}"] if wishes.hidden else []
    crew = {name: member for member, name in sheet.names.items() if name != member}
    for key, pairs in (("crew", crew), ("priorities", wishes.priorities)):
        lines += (
            [f"{key}:", *(f"  {yaml_text(a)}: {yaml_text(b)}" for a, b in pairs.items())] if pairs else []
        )
    return "\n".join(lines) + "\n"
