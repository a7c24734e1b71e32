"""Workbooks for tests, written by openpyxl and, where a thing has to be broken, by hand."""

from __future__ import annotations

import io
import struct
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


def xlsb(*rows: Sequence[str | float]) -> bytes:
    """A binary workbook with one sheet `Plan B`, by the records of its format; numbers have no style.

    Source: [MS-XLSB], 2.1.4 (records), 2.4 (BrtBundleSh, BrtWsDim, BrtRowHdr, BrtCellSt, BrtCellReal).
    """
    text, wide = "http://schemas.openxmlformats.org", max(len(row) for row in rows)
    rels = f'<Relationships xmlns="{text}/package/2006/relationships">{{}}</Relationships>'
    office = f"{text}/officeDocument/2006/relationships"
    cells = [_record(148, struct.pack("<4I", 0, len(rows) - 1, 0, wide - 1)), _record(145)]
    for n, row in enumerate(rows):
        cells.append(_record(0, struct.pack("<IIHBBBI", n, 0, 300, 0, 0, 0, 0)))
        for column, value in enumerate(row):
            at = struct.pack("<II", column, 0)
            said = isinstance(value, str)
            cells.append(_record(6, at + _wide(value)) if said else _record(5, at + struct.pack("<d", value)))
    sheet = _wide("rId1") + _wide("Plan B")
    parts: dict[str, str | bytes] = {
        "[Content_Types].xml": f'<Types xmlns="{text}/package/2006/content-types">{_TYPES}</Types>',
        "_rels/.rels": rels.format(
            f'<Relationship Id="r" Type="{office}/officeDocument" Target="xl/workbook.bin"/>'
        ),
        "xl/_rels/workbook.bin.rels": rels.format(
            f'<Relationship Id="rId1" Type="{office}/worksheet" Target="worksheets/sheet1.bin"/>'
        ),
        "xl/workbook.bin": b"".join(
            _record(kind, content)
            for kind, content in (
                (131, b""),
                (143, b""),
                (156, struct.pack("<II", 0, 1) + sheet),
                (144, b""),
                (132, b""),
            )
        ),
        "xl/worksheets/sheet1.bin": b"".join([_record(129), *cells, _record(146), _record(130)]),
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in parts.items():
            package.writestr(name, content)
    return out.getvalue()


_TYPES = (
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Override PartName="/xl/workbook.bin" '
    'ContentType="application/vnd.ms-excel.sheet.binary.macroEnabled.main"/>'
    '<Override PartName="/xl/worksheets/sheet1.bin" ContentType="application/vnd.ms-excel.worksheet"/>'
)


def _record(kind: int, content: bytes = b"") -> bytes:
    """A record: its kind and its length by seven bits a byte, then what it holds."""
    head = bytes([kind]) if kind < 128 else bytes([kind & 0x7F | 0x80, kind >> 7])
    size, length = len(content), b""
    while True:
        length += bytes([size & 0x7F | (0x80 if size > 0x7F else 0)])
        size >>= 7
        if not size:
            return head + length + content


def _wide(text: str | float) -> bytes:
    raw = str(text).encode("utf-16-le")
    return struct.pack("<I", len(raw) // 2) + raw
