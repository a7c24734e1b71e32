"""The debrief as JSON; `schema.json` beside this file says what is in it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from functools import lru_cache
from importlib.resources import files
from typing import Any

from tracker.debrief.excursion import Excursion
from tracker.debrief.pooled import pool
from tracker.foundation.text import ADVISORY
from tracker.foundation.times import format_instant


def schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of what is written here."""
    found: dict[str, Any] = json.loads((files("tracker.debrief") / "schema.json").read_text(encoding="utf-8"))
    return found


def plain_values(value: Any) -> Any:
    """Return a value of the debrief as what JSON knows: no NaN, instants in RFC 3339."""
    kind: Any = type(value)
    if kind in _AS_IT_IS:
        return value
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if (names := _fields(kind)) is not None:
        return {name: plain_values(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): plain_values(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain_values(one) for one in value]
    return format_instant(value) if isinstance(value, datetime) else value


_AS_IT_IS = frozenset((str, int, bool, type(None)))


@lru_cache
def _fields(kind: Any) -> tuple[str, ...] | None:
    """Return the names of a dataclass's fields; None for anything else."""
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None


def json_chunks(every: Sequence[Excursion]) -> Iterator[str]:
    """Yield the JSON text in pieces, one an excursion, so that many of them need little memory."""
    yield f'{{"format": 1, "advisory": {json.dumps(ADVISORY)}, "excursions": ['
    for i, one in enumerate(every):
        yield (",\n" if i else "\n") + _text(one)
    yield f'\n], "pooled": {_text(pool(every))}}}\n'


def _text(value: Any) -> str:
    return json.dumps(plain_values(value), allow_nan=False)
