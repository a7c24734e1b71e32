"""Workbooks for tests, written by openpyxl and, where a thing has to be broken, by hand."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import openpyxl


def xlsx(*rows: Sequence[Any], formats: Mapping[str, str] | None = None, **sheets: Any) -> bytes:
    """A workbook with one sheet; `formats` are number formats by cell; `change` may do anything to it."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    for cell, number_format in (formats or {}).items():
        sheet[cell].number_format = number_format
    change: Callable[[Any, Any], None] | None = sheets.get("change")
    if change is not None:
        change(book, sheet)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def repacked(raw: bytes, edit: Callable[[str, bytes], bytes | None]) -> bytes:
    """A package with its members changed; None leaves one out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(raw)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = edit(name, old.read(name))
            if content is not None:
                new.writestr(name, content)
    return out.getvalue()


def sheet_xml(raw: bytes, part: str, other: str) -> bytes:
    """A workbook with a part of its first sheet replaced."""

    def edit(name: str, content: bytes) -> bytes:
        if name != "xl/worksheets/sheet1.xml":
            return content
        assert part.encode() in content, content
        return content.replace(part.encode(), other.encode(), 1)

    return repacked(raw, edit)


_NAMESPACES = (
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
    'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
)
_MANIFEST = (
    '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
    '<manifest:file-entry manifest:full-path="/" manifest:media-type="{type}"/></manifest:manifest>'
)
ODS = "application/vnd.oasis.opendocument.spreadsheet"


def ods(rows: Iterable[str], manifest: str = _MANIFEST.format(type=ODS)) -> bytes:
    """An .ods with one sheet, `Day 1`, its rows as XML. Source of the names: OpenDocument 1.2, Part 1."""
    table = f'<table:table table:name="Day 1">{"".join(rows)}</table:table>'
    body = f"<office:body><office:spreadsheet>{table}</office:spreadsheet></office:body>"
    content = f'<office:document-content {_NAMESPACES} office:version="1.2">{body}</office:document-content>'
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("mimetype", ODS)
        package.writestr("content.xml", content)
        package.writestr("META-INF/manifest.xml", manifest)
    return out.getvalue()


def ods_row(*cells: str, attributes: str = "") -> str:
    """A row of an .ods: texts, and cells that begin with `<` as they are."""
    made = (
        cell
        if cell.startswith("<")
        else f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p></table:table-cell>'
        if cell
        else "<table:table-cell/>"
        for cell in cells
    )
    return f"<table:table-row {attributes}>{''.join(made)}</table:table-row>"


def ods_time(duration: str, attributes: str = "") -> str:
    """A cell that holds a duration."""
    return (
        f'<table:table-cell office:value-type="time" office:time-value="{duration}" {attributes}>'
        f"<text:p>{duration}</text:p></table:table-cell>"
    )
