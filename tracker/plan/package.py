"""A look into a workbook's package before any library opens it: bounds, hidden parts, merges, raw numbers.

Sources: ECMA-376 Part 1 (.xlsx, transitional and strict), OpenDocument 1.2 Part 1 and 3 (.ods). Only the
standard library reads here, a member at a time, and nothing is expanded: a value repeated a million times, or
one in the last cell there is, is a `ValueError` of `what is wrong; what would be right`.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import IO
from xml.etree.ElementTree import Element, ParseError, iterparse

MOST_UNPACKED = 64 * 2**20
MOST_MEMBERS = 2000
MOST_CELLS = 200_000
"""Cells with a value, in all sheets."""
MOST_ROWS = 5000
MOST_COLUMNS = 200
SMALLER = f"at most {MOST_ROWS:,} rows and {MOST_COLUMNS} columns are read"
LOCKED = "is protected by a password; save it without one"


@dataclass(slots=True)
class Look:
    """What a look at one sheet found; rows and columns from 1."""

    rows: int = 0
    """The last row with a value."""
    columns: int = 0
    cells: int = 0
    numbers: dict[tuple[int, int], float] = field(default_factory=dict)
    """Numbers as the file holds them, before anybody makes dates of them."""
    uncomputed: set[tuple[int, int]] = field(default_factory=set)
    """Formulas without a value."""
    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    """What stands where a formula failed."""
    inline: set[tuple[int, int]] = field(default_factory=set)
    """Texts that stand in the cell itself."""
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merges: list[tuple[int, int, int, int]] = field(default_factory=list)
    """First row and column, last row and column."""

    def value(self, row: int, column: int, times: int = 1) -> None:
        """Take note of a value, repeated so many times."""
        self.rows, self.columns = max(self.rows, row), max(self.columns, column)
        self.cells += times
        if self.rows > MOST_ROWS or self.columns > MOST_COLUMNS:
            raise ValueError(f"has a value in row {self.rows:,} and column {self.columns:,}; {SMALLER}")
        if self.cells > MOST_CELLS:
            raise ValueError(f"has more than {MOST_CELLS:,} cells with a value; {SMALLER}")


def check_package(package: zipfile.ZipFile) -> None:
    """Refuse a package that is too large, or that defines entities. Raises ValueError."""
    members = package.infolist()
    size = sum(member.file_size for member in members)
    if len(members) > MOST_MEMBERS:
        raise ValueError(f"has {len(members):,} parts; at most {MOST_MEMBERS:,} are read")
    if size > MOST_UNPACKED:
        raise ValueError(f"is {size / 2**20:,.0f} MB unpacked; at most {MOST_UNPACKED >> 20} MB are read")
    for member in members:
        if member.filename.lower().endswith((".xml", ".rels")):
            with package.open(member) as opened:
                _no_entities(opened)


def _no_entities(opened: IO[bytes]) -> None:
    before = b""
    while chunk := opened.read(2**20):
        # Text in two bytes a character has a nought beside each letter.
        bare = (before + chunk).replace(b"\0", b"")
        if b"<!DOCTYPE" in bare or b"<!ENTITY" in bare:
            raise ValueError("defines entities; save it again in a spreadsheet program")
        before = chunk[-32:]


def _local(name: str) -> str:
    return name.rpartition("}")[2]


def _attributes(element: Element) -> dict[str, str]:
    return {_local(key): value for key, value in element.attrib.items()}


def elements(package: zipfile.ZipFile, member: str) -> Iterator[tuple[bool, str, Element]]:
    """Yield whether it begins, its name without a namespace, and each element of a member."""
    try:
        with package.open(member) as opened:
            for event, element in iterparse(opened, events=("start", "end")):
                yield event == "start", _local(element.tag), element
    except (ParseError, KeyError, zipfile.BadZipFile) as error:
        raise ValueError(f"is damaged ({str(error)[:80]}); save it again") from None


def xlsx_sheets(package: zipfile.ZipFile) -> dict[str, str]:
    """Name of each sheet to the member that holds it, by the relations of the package."""
    root = next((t for kind, t in _relations(package, "").values() if kind == "officeDocument"), "")
    related = _relations(package, root) if root else {}
    found = {}
    for begins, name, element in elements(package, root) if root else ():
        if begins and name == "sheet":
            said = _attributes(element)
            kind, target = related.get(element.attrib.get(_id_key(element), ""), ("", ""))
            if kind == "worksheet":
                found[said.get("name", "")] = target
    return found


def _id_key(element: Element) -> str:
    """The attribute that names a relation; `id` with a namespace, in either edition of the standard."""
    return next((key for key in element.attrib if key.startswith("{") and _local(key) == "id"), "")


def _relations(package: zipfile.ZipFile, part: str) -> dict[str, tuple[str, str]]:
    """Relation of a part to its kind and the member that it means."""
    folder, name = posixpath.split(part)
    path = posixpath.join(folder, "_rels", f"{name}.rels")
    if path not in package.namelist():
        return {}
    found = {}
    for begins, tag, element in elements(package, path):
        if begins and tag == "Relationship":
            target = element.get("Target", "")
            whole = posixpath.normpath(posixpath.join("/", folder, target)).lstrip("/")
            found[element.get("Id", "")] = element.get("Type", "").rpartition("/")[2], whole
    return found


def look_at_xlsx(package: zipfile.ZipFile, member: str) -> Look:
    """Look at one sheet of an .xlsx. Raises ValueError for one that is too large."""
    look, row, column, has = Look(), 0, 0, set[str]()
    for begins, name, element in elements(package, member):
        if begins and name == "row":
            said = _attributes(element)
            row, column = _whole(said.get("r"), row + 1), 0
            if said.get("hidden") in ("1", "true"):
                look.hidden_rows.add(row)
        elif begins and name == "c":
            row, column = _place(element.get("r"), row, column + 1)
            has = set()
        elif not begins and name in ("v", "f", "is"):
            has.add(name)
        elif not begins and name == "c":
            _cell(look, element, row, column, has)
            element.clear()
        elif not begins and name == "row":
            element.clear()
        elif begins and name == "col":
            _column(look, _attributes(element))
        elif begins and name == "mergeCell":
            look.merges += _merged(element.get("ref", ""))
    return look


def _cell(look: Look, element: Element, row: int, column: int, has: set[str]) -> None:
    text = next((part.text for part in element if _local(part.tag) == "v"), None) or ""
    if has:
        look.value(row, column)
    # A text that a formula made may be empty; anything else without a value was never computed.
    if "f" in has and not text and element.get("t") != "str":
        look.uncomputed.add((row, column))
    if element.get("t") == "inlineStr":
        look.inline.add((row, column))
    if element.get("t") == "e":
        look.errors[row, column] = text
    if element.get("t", "n") == "n" and _NUMBER.fullmatch(text):
        look.numbers[row, column] = float(text)


_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")


def _column(look: Look, said: dict[str, str]) -> None:
    if said.get("hidden") in ("1", "true"):
        first, last = _whole(said.get("min"), 1), _whole(said.get("max"), 1)
        look.hidden_columns.update(range(first, min(last, MOST_COLUMNS) + 1))


def _whole(text: str | None, otherwise: int) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 9 else otherwise


_REFERENCE = re.compile(r"\$?([A-Z]{1,3})\$?(\d{1,7})")


def _place(reference: str | None, row: int, column: int) -> tuple[int, int]:
    found = _REFERENCE.fullmatch(reference or "")
    if found is None:
        return row, column
    return int(found.group(2)), column_number(found.group(1))


def column_number(letters: str) -> int:
    """A column by its letters, from 1: A, B, ... Z, AA."""
    return sum((ord(c) - 64) * 26**i for i, c in enumerate(reversed(letters.upper())))


def _merged(reference: str) -> Iterator[tuple[int, int, int, int]]:
    first, _, last = reference.partition(":")
    ends = _place(first, 0, 0), _place(last, 0, 0)
    if all(end != (0, 0) for end in ends):
        yield (*ends[0], *ends[1])


def look_at_ods(package: zipfile.ZipFile) -> dict[str, Look]:
    """Look at all sheets of an .ods, by name. Raises ValueError for one that is too large or encrypted."""
    if "META-INF/manifest.xml" in package.namelist():
        manifest = elements(package, "META-INF/manifest.xml")
        if any(begins and name == "encryption-data" for begins, name, _ in manifest):
            raise ValueError(LOCKED)
    found: dict[str, Look] = {}
    look, row, column, rows = Look(), 0, 0, 1
    for begins, name, element in elements(package, "content.xml"):
        said = _attributes(element) if name.startswith("table") or name == "covered-table-cell" else {}
        if begins and name == "table":
            look, row = found.setdefault(said.get("name", ""), Look()), 0
            column = 0
        elif begins and name == "table-row":
            rows, column = _whole(said.get("number-rows-repeated"), 1), 0
            if said.get("visibility", "visible") != "visible":
                look.hidden_rows.update(range(row + 1, row + min(rows, MOST_ROWS) + 1))
        elif begins and name == "table-column":
            many = _whole(said.get("number-columns-repeated"), 1)
            if said.get("visibility", "visible") != "visible":
                look.hidden_columns.update(range(column + 1, column + min(many, MOST_COLUMNS) + 1))
            column += many
        elif not begins and name in ("table-cell", "covered-table-cell"):
            column = _ods_cell(look, element, said, (row, column, rows))
            element.clear()
        elif not begins and name == "table-row":
            row += rows
            element.clear()
    return found


def _ods_cell(look: Look, element: Element, said: dict[str, str], at: tuple[int, int, int]) -> int:
    """Take note of a cell behind a row and column, its row repeated; return the column that it ends in."""
    row, column, rows = at
    many = _whole(said.get("number-columns-repeated"), 1)
    text = next(("".join(part.itertext()) for part in element if _local(part.tag) == "p"), None)
    if "value-type" in said or text is not None:
        look.value(row + rows, column + many, rows * many)
        # The error stands in an extension; the office's own attribute calls it a text.
        if any(_local(key) == "value-type" and value == "error" for key, value in element.attrib.items()):
            look.errors[row + 1, column + 1] = text or "an error"
    elif "formula" in said:
        look.value(row + rows, column + many)
        look.uncomputed.add((row + 1, column + 1))
    down, over = (_whole(said.get(f"number-{way}-spanned"), 1) for way in ("rows", "columns"))
    if (down, over) != (1, 1):
        look.merges.append((row + 1, column + 1, row + down, column + over))
    return column + many
