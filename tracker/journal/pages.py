"""The records in the pages of a SQLite file, read without the database, so that damage stops nothing else.

Source: https://www.sqlite.org/fileformat2.html, sections 1.6 (b-tree pages) and 2.1 (record format).
"""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Iterator
from typing import Any

_LEAF = 0x0D
_MOST_BYTES = 64_000_000
"""The longest record that is put together from several pages."""


def records(data: bytes) -> Iterator[tuple[int, list[Any]]]:
    """Yield the key and the values of every record in any leaf page of a table."""
    size = int.from_bytes(data[16:18], "big") if len(data) >= 100 else 0
    size = {1: 65536}.get(size, size)
    if size not in {1 << n for n in range(9, 17)}:
        size = 4096
    for start in range(0, len(data), size):
        page = data[start : start + size]
        head = 100 if start == 0 else 0
        if len(page) > head + 8 and page[head] == _LEAF:
            count = int.from_bytes(page[head + 3 : head + 5], "big")
            for n in range(count):
                at = head + 8 + 2 * n
                with contextlib.suppress(ValueError, IndexError, struct.error):
                    yield _cell(data, size, page, int.from_bytes(page[at : at + 2], "big"))


def _cell(data: bytes, size: int, page: bytes, at: int) -> tuple[int, list[Any]]:
    """The key and the values of the record at a place in a page; ValueError where there is none."""
    length, at = _varint(page, at)
    key, at = _varint(page, at)
    if length > _MOST_BYTES:
        raise ValueError("no record is so long")
    return key, _values(_payload(data, size, page, at, length))


def _payload(data: bytes, size: int, page: bytes, at: int, length: int) -> bytes:
    """The bytes of a record, with those that lie in overflow pages."""
    if length <= size - 35:
        return page[at : at + length]
    least = (size - 12) * 32 // 255 - 23
    here = least + (length - least) % (size - 4)
    here = here if here <= size - 35 else least
    parts, left = [page[at : at + here]], length - here
    following = int.from_bytes(page[at + here : at + here + 4], "big")
    while left > 0:
        if not following:
            raise ValueError("a part of the record is missing")
        over = data[(following - 1) * size : following * size]
        parts.append(over[4 : 4 + left])
        left -= size - 4
        following = int.from_bytes(over[:4], "big")
    return b"".join(parts)


def _values(record: bytes) -> list[Any]:
    """The values in a record."""
    end, at = _varint(record, 0)
    types = []
    while at < end:
        code, at = _varint(record, at)
        types.append(code)
    values = []
    for code in types:
        value, at = _value(record, at, code)
        values.append(value)
    return values


_LENGTHS = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}


def _value(record: bytes, at: int, code: int) -> tuple[Any, int]:
    if code in (10, 11):
        raise ValueError("no such type")
    end = at + (_LENGTHS[code] if code < 12 else (code - 12) // 2)
    raw = record[at:end]
    if len(raw) < end - at:
        raise ValueError("the record is cut off")
    if code in (0, 8, 9):
        return {0: None, 8: 0, 9: 1}[code], end
    if code == 7:
        return struct.unpack(">d", raw)[0], end
    if code < 7:
        return int.from_bytes(raw, "big", signed=True), end
    return (raw.decode("utf-8") if code % 2 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A variable-length integer, and the place behind it; IndexError at the end of the data."""
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            return (value << 8) | byte, at + 9
        value = (value << 7) | (byte & 0x7F)
        if byte < 0x80:
            return value, at + n + 1
    raise AssertionError
