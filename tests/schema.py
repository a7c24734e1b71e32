"""The JSON schema of a debrief, out of the types it is written from.

`python -m tests.schema` writes it to where people look for it. A class's first sentence and the sentences
below its fields describe it; a library's generator would have other names and another order.
"""

from __future__ import annotations

import ast
import inspect
import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import tracker.debrief
from tracker.debrief.consumed import Consumed
from tracker.debrief.decided import Decided
from tracker.debrief.excursion import Excursion, Held, PlanChange
from tracker.debrief.forecast_scores import Forecasted
from tracker.debrief.journals import Pooled
from tracker.debrief.rows import StepRow
from tracker.foundation.text import ADVISORY

PLACE = Path(tracker.debrief.__path__[0]) / "schema.json"
"""Where it stands for outsiders."""

ABOUT = (
    "What `tracker debrief --json` writes. Times are seconds of phase elapsed time, durations and "
    "differences seconds, unless a description says otherwise. A figure that does not exist is null."
)
_NAMES: dict[Any, str] = {
    Consumed: "consumable",
    Decided: "decision",
    Forecasted: "moment",
    PlanChange: "event",
    Held: "hold",
    StepRow: "step",
}
"""What a part of the debrief is called, where that is not the name of its class."""
_PLAIN: dict[Any, str] = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def published() -> dict[str, Any]:
    """The schema as the file has it."""
    found: dict[str, Any] = json.loads(PLACE.read_text(encoding="utf-8"))
    return found


def schema() -> dict[str, Any]:
    """The schema, draft 2020-12, as the types have it now."""
    parts: dict[str, Any] = {}
    top = {
        "format": {"const": 1},
        "advisory": {"const": ADVISORY},
        "excursions": {"type": "array", "items": _of_type(Excursion, parts)},
        "pooled": _of_type(Pooled, parts),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Debrief",
        "description": ABOUT,
        **_object(top),
        "$defs": dict(sorted(parts.items())),
    }


def text() -> str:
    """The file's text."""
    return json.dumps(schema(), indent=1) + "\n"


def _object(properties: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _of_type(hint: Any, parts: dict[str, Any]) -> dict[str, Any]:
    """The schema of one type; every dataclass in it is put into `parts` under its name."""
    if is_dataclass(hint):
        return {"$ref": f"#/$defs/{_part(hint, parts)}"}
    if hint in _PLAIN:
        return {"type": _PLAIN[hint]}
    if hint is datetime:
        return {"type": "string", "format": "date-time"}
    origin, of = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return _of_type(of[0], parts)
    if origin is Literal:
        return {"enum": list(of)}
    if origin in (Union, UnionType):
        return _of_either(*(_of_type(one, parts) for one in of))
    if origin is tuple:
        return {"type": "array", "items": _of_type(of[0], parts)}
    if origin in (dict, Mapping):
        return {"type": "object"} | ({} if of[1] is Any else {"additionalProperties": _of_type(of[1], parts)})
    raise TypeError(f"{hint}: how is that written in JSON?")


def _of_either(one: dict[str, Any], null: dict[str, Any]) -> dict[str, Any]:
    if "$ref" in one:
        return {"anyOf": [one, null]}
    return {**one, "type": [one["type"], null["type"]]}


def _part(kind: Any, parts: dict[str, Any]) -> str:
    name: str = _NAMES.get(kind, kind.__name__.lower())
    if name not in parts:
        parts[name] = {}
        hints = get_type_hints(kind, include_extras=True)
        said = dict(_sentences(kind))
        found = {
            field.name: _of_type(hints[field.name], parts) | said.get(field.name, {})
            for field in fields(kind)
        }
        parts[name] = {"description": inspect.getdoc(kind).split("\n")[0], **_object(found)}  # type: ignore[union-attr]
    return name


def _sentences(kind: type) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield what stands below each field of a class."""
    body = next(
        one.body
        for one in ast.parse(inspect.getsource(sys.modules[kind.__module__])).body
        if isinstance(one, ast.ClassDef) and one.name == kind.__name__
    )
    for field, below in pairwise(body):
        match field, below:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(sentence))):
                yield name, {"description": inspect.cleandoc(sentence)}


if __name__ == "__main__":
    PLACE.write_text(text(), encoding="utf-8")
    print(f"written: {PLACE}")
