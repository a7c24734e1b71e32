"""A debrief out of its own JSON: the reverse of `records.plain_values`, by the types of the fields."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import datetime
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from tracker.debrief.excursion import Excursion
from tracker.foundation.times import parse_instant

Read = Callable[[Any], Any]


def restored(value: Mapping[str, Any]) -> Excursion:
    """Return the debrief that was written so; KeyError or ValueError where it was written otherwise."""
    found: Excursion = _reader(Excursion)(value)
    return found


@cache
def _reader(hint: Any) -> Read:
    """Return what reads a value of a type."""
    if is_dataclass(hint):
        return _of_dataclass(hint)
    origin, of = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _reader(of[0])
    if origin in (Union, UnionType):
        (inner,) = (_reader(one) for one in of if one is not NoneType)
        return lambda value: None if value is None else inner(value)
    if origin is tuple:
        each = _reader(of[0])
        return lambda value: tuple(map(each, value))
    if origin is not None and isinstance(origin, type) and issubclass(origin, Mapping):
        each = _reader(of[1])
        return lambda value: {key: each(one) for key, one in value.items()}
    if hint is float:
        return lambda value: math.nan if value is None else value
    return parse_instant if hint is datetime else lambda value: value


def _of_dataclass(kind: Any) -> Read:
    # What an earlier version did not write has a default.
    hints = get_type_hints(kind, include_extras=True)
    readers = [(field.name, _reader(hints[field.name])) for field in fields(kind)]
    later = {field.name for field in fields(kind) if field.default is not MISSING}
    return lambda value: kind(
        **{name: read(value[name]) for name, read in readers if name in value or name not in later}
    )
