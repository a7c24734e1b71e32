"""The values that a plan file may hold, one at a time: each says what would be right.

Each type reads one scalar as written, and carries the JSON Schema that describes it to an editor.
"""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Annotated, Any, NoReturn, get_args

from pydantic import (
    BeforeValidator,
    PlainValidator,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from tracker.foundation.errors import parted
from tracker.foundation.text import listed, plain
from tracker.foundation.times import format_exact, parse_instant, parse_pet
from tracker.plan import model
from tracker.plan.model import LONGEST_S
from tracker.plan.yaml_tree import Node

LONGEST_TEXT = 500

_ID = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}", re.ASCII)
_PART = re.compile(r"[A-Za-z0-9_-]{1,40}", re.ASCII)
_STEP = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}(\.[A-Za-z0-9_-]{1,40})?", re.ASCII)
_NUMBER = re.compile(r"[-+]?(\.\d+|\d+(\.\d*)?)([eE][-+]?\d+)?", re.ASCII)
_WHOLE = re.compile(r"[-+]?\d+", re.ASCII)


def wrong(what: str, right: str = "") -> NoReturn:
    """Raise the fault of one value: what is wrong, and what would be right."""
    raise PydanticCustomError("plan", "{what}", {"what": what, "right": right})


def shown(value: Any) -> str:
    """A value as an error may quote it: short, on one line."""
    if isinstance(value, Node):
        return "nothing" if value.null else repr(plain(value.text, most=40))
    return "a list" if isinstance(value, list) else "a mapping"


def _scalar(value: Any, right: str) -> Node:
    if not isinstance(value, Node):
        wrong(f"is {shown(value)}", right)
    if value.null:
        wrong("is empty", right)
    return value


def is_id(text: str) -> bool:
    """Whether a text is an id: a letter, then letters, digits, _ or -, at most 40 in all."""
    return _ID.fullmatch(text) is not None


def _id(value: Any) -> str:
    node = _scalar(value, "write an id: a letter, then letters, digits, _ or -")
    if not _ID.fullmatch(node.text):
        right = "write a letter, then letters, digits, _ or -, at most 40 in all"
        wrong(f"{shown(node)} is not an id", right)
    return node.text


def _part(value: Any) -> str:
    right = "write letters, digits, _ or -, at most 40"
    node = _scalar(value, right)
    if not _PART.fullmatch(node.text):
        hint = "; the task's id is put before it" if "." in node.text else ""
        wrong(f"{shown(node)} is not a step's part of an id", right + hint)
    return node.text


def _reference(value: Any) -> str:
    node = _scalar(value, "write the id of a task or of a step")
    if not _STEP.fullmatch(node.text):
        wrong(f"{shown(node)} is not the id of a task or step", "write task or task.step")
    return node.text


def _text(value: Any) -> str:
    node = _scalar(value, "write a few words")
    if not node.text.strip():
        wrong("is empty", "write a few words")
    if len(node.text) > LONGEST_TEXT:
        wrong(f"is {len(node.text):,} characters long", f"write at most {LONGEST_TEXT}")
    return node.text


def _line(value: Any) -> str:
    """A text that stands on one line, so that a cell can hold several, one below the other."""
    text = _text(value).strip()
    if len(text.splitlines()) > 1:
        wrong("goes over several lines", "write one line; a list has room for more")
    return text


def number_of(node: Node) -> float | None:
    """The finite number that a scalar is, else None."""
    if node.quoted or not _NUMBER.fullmatch(node.text):
        return None
    value = float(node.text)
    return value if math.isfinite(value) else None


def _number(value: Any) -> float:
    node = _scalar(value, "write a number")
    number = number_of(node)
    if number is None:
        wrong(f"{shown(node)} is not a number", "write a number such as 0.75, without quotes or unit")
    return number


def _count(value: Any) -> int:
    right = "write a whole number from 1 to 10000"
    node = _scalar(value, right)
    whole = int(node.text) if not node.quoted and _WHOLE.fullmatch(node.text) and len(node.text) < 9 else 0
    if not 1 <= whole <= 10_000:
        wrong(f"{shown(node)} is not a count", right)
    return whole


def _flag(value: Any) -> bool:
    node = _scalar(value, "write true or false")
    word = {"true": True, "false": False}.get(node.text.lower())
    if word is None or node.quoted:
        wrong(f"{shown(node)} is neither true nor false", "write true or false")
    return word


def _share(value: Any) -> float:
    share = _number(value)
    if not 0 < share < 1:
        hint = f", for instance {share / 100:g}" if 1 < share < 100 else ""
        wrong(f"{share:g} is no probability", f"write a number between 0 and 1, both left out{hint}")
    return share


def _pet(value: Any) -> int:
    node = _scalar(value, "write H:MM or H:MM:SS")
    try:
        seconds = parse_pet(plain(node.text, most=40))
    except ValueError as error:
        wrong(*parted(error))
    if abs(seconds) > LONGEST_S:
        wrong(f"{shown(node)} is more than 100 hours", "write H:MM or H:MM:SS")
    return seconds


def _span(value: Any) -> int:
    seconds = _pet(value)
    if seconds < 0:
        wrong(
            f"{format_exact(seconds)} is a negative time", f"write {format_exact(-seconds)} or another time"
        )
    return seconds


def _duration(value: Any) -> int:
    seconds = _span(value)
    if seconds == 0:
        wrong("is no time at all", "write at least 0:00:01")
    return seconds


def _instant(value: Any) -> datetime:
    node = _scalar(value, "write an instant such as 2031-05-04T14:00:00Z")
    try:
        return parse_instant(plain(node.text, most=60))
    except ValueError as error:
        wrong(*parted(error))


def _when(value: Any) -> int | datetime:
    node = _scalar(value, "write a PET (H:MM) or an instant (2031-05-04T14:00:00Z)")
    if "T" in node.text.upper() or node.text.count("-") > 1:
        return _instant(node)
    return _pet(node)


def _level(value: Any) -> float | str:
    node = _scalar(value, "write the name of an effort, or watts")
    number = number_of(node)
    return _id(node) if number is None else number


_ID_TEXT = {"type": "string", "pattern": f"^{_ID.pattern}$"}
_WORDS = {"type": ["string", "number", "boolean"], "minLength": 1, "maxLength": LONGEST_TEXT}
_SPAN_TEXT = {"type": "string", "pattern": r"^\d{1,3}:[0-5]\d(:[0-5]\d)?$"}
_INSTANT_TEXT = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)$",
}
_PET_TEXT = {"type": "string", "pattern": r"^[+-]?\d{1,4}:[0-5]\d(:[0-5]\d)?$"}

Id = Annotated[str, PlainValidator(_id), WithJsonSchema(_ID_TEXT)]
"""An id of its own."""
Part = Annotated[str, PlainValidator(_part), WithJsonSchema({"pattern": f"^{_PART.pattern}$"})]
"""What a step's id has after the dot; a number also."""
Reference = Annotated[
    str, PlainValidator(_reference), WithJsonSchema({"type": "string", "pattern": f"^{_STEP.pattern}$"})
]
"""The id of a task or a step."""
Text = Annotated[str, PlainValidator(_text), WithJsonSchema(_WORDS)]
Line = Annotated[str, PlainValidator(_line), WithJsonSchema(_WORDS)]
"""A text on one line, without blanks around it."""
Number = Annotated[float, PlainValidator(_number), WithJsonSchema({"type": "number"})]
Count = Annotated[
    int, PlainValidator(_count), WithJsonSchema({"type": "integer", "minimum": 1, "maximum": 10_000})
]
Flag = Annotated[bool, PlainValidator(_flag), WithJsonSchema({"type": "boolean"})]
Share = Annotated[
    float,
    PlainValidator(_share),
    WithJsonSchema({"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1}),
]
"""A probability, neither 0 nor 1."""
Span = Annotated[int, PlainValidator(_span), WithJsonSchema(_SPAN_TEXT)]
"""Seconds, not negative."""
Lasting = Annotated[int, PlainValidator(_duration), WithJsonSchema(_SPAN_TEXT)]
"""Seconds, at least one."""
Instant = Annotated[datetime, PlainValidator(_instant), WithJsonSchema(_INSTANT_TEXT)]
When = Annotated[int | datetime, PlainValidator(_when), WithJsonSchema({"anyOf": [_PET_TEXT, _INSTANT_TEXT]})]
"""PET seconds, perhaps negative, or an instant."""
Level = Annotated[
    float | str, PlainValidator(_level), WithJsonSchema({"anyOf": [{"type": "number"}, _ID_TEXT]})
]
"""Watts, or the name of an effort."""


ALONE = "*"
"""The key under which a single value stands where a mapping could."""


def as_mapping(key: str) -> BeforeValidator:
    """A validator that takes a single value as a mapping with that one key."""
    return BeforeValidator(
        lambda value: {key: value} if isinstance(value, Node) and not value.null else value
    )


def _format(value: Any) -> int:
    if not isinstance(value, Node) or number_of(value) != 1:
        wrong(f"{shown(value)} is not a format of this program", "write format: 1")
    return 1


Format = Annotated[int, PlainValidator(_format), WithJsonSchema({"const": 1})]


def _one_of(words: Any) -> PlainValidator:
    """A validator that takes one of the words of a `Literal`."""
    known = get_args(words)

    def check(value: Any) -> str:
        if not isinstance(value, Node) or value.text not in known:
            wrong(f"{shown(value)} is not known here", f"write {listed(known, 'or')}")
        return value.text

    return PlainValidator(check)


def _enum(words: Any) -> WithJsonSchema:
    return WithJsonSchema({"enum": list(get_args(words))})


Priority = Annotated[model.Priority, _one_of(model.Priority), _enum(model.Priority)]
WindowKind = Annotated[model.WindowKind, _one_of(model.WindowKind), _enum(model.WindowKind)]
Model = Annotated[model.Model, _one_of(model.Model), _enum(model.Model)]
