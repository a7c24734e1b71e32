"""The JSON Schemas of a pace file and of the re-estimate, out of what reads and writes them."""

from __future__ import annotations

import inspect
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from tracker.forecast.as_json import UNSAID
from tracker.forecast.figures import FORMAT, Estimate, Range
from tracker.forecast.pace_file import Effect, Effects, Lateness, Noise, Pace, PaceFile, Processes, Use
from tracker.foundation.text import ADVISORY
from tracker.plan.json_schema import DRAFT, sentences, tidied

_PLAIN: dict[Any, str] = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}
_NUMBER = {"type": ["number", "null"]}
_WITHOUT = "without_optional_"
_PROBE = Range(0.0, 0.0, 0.0, 0.0)
"""A range of which a writer shows the quantiles that it says."""


def pace_schema() -> dict[str, Any]:
    """The schema of a pace file."""
    schema = tidied(
        PaceFile.model_json_schema(), {PaceFile, Pace, Noise, Effect, Effects, Use, Processes, Lateness}
    )
    drift = schema["$defs"]["pace"]["properties"]["drift"]
    schema["$defs"]["pace"]["properties"]["drift"] = {"anyOf": [drift["items"], drift]}
    return {"$schema": DRAFT, "title": "Pace file", **schema}


def estimate_schema() -> dict[str, Any]:
    """The schema of what `tracker estimate --json` writes."""
    parts: dict[str, Any] = {}
    found, needed = _fields(Estimate, parts)
    inner = {key: found.pop(key) for key in list(found) if key.startswith(_WITHOUT)}
    without = _object({key.removeprefix(_WITHOUT): value for key, value in inner.items()})
    top = {"format": {"const": FORMAT}, **found, "without_optional": without, "advisory": {"const": ADVISORY}}
    whole = _object(top, ["format", *(key for key in needed if key in found), "without_optional", "advisory"])
    about = "Times are seconds of phase elapsed time. A figure that does not exist is null."
    return {
        "$schema": DRAFT,
        "title": "Estimate",
        "description": about,
        **whole,
        "$defs": dict(sorted(parts.items())),
    }


def _object(properties: Mapping[str, Any], needed: Iterable[str] | None = None) -> dict[str, Any]:
    """An object that may get further keys later: what a newer program wrote stays readable."""
    required = list(properties if needed is None else needed)
    return {"type": "object", "properties": dict(properties), "required": required}


def _fields(kind: Any, parts: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The schemas of a class's fields by key, and the keys that are always there."""
    hints = get_type_hints(kind, include_extras=True)
    said = sentences(kind)
    found, needed = {}, []
    for field in fields(kind):
        schema = _of(hints[field.name], parts)
        if schema is not None:
            sentence = {"description": said[field.name]} if field.name in said else {}
            found[field.name] = {**schema, **sentence}
            needed += [field.name] if field.default is MISSING else []
    return found, needed


def _of(hint: Any, parts: dict[str, Any]) -> dict[str, Any] | None:
    """The schema of one type; None for what has no key."""
    if get_origin(hint) is Annotated:
        of, write = get_args(hint)[:2]
        return None if write is UNSAID else _written(of, write)
    if is_dataclass(hint):
        name = hint.__name__.removesuffix("Figure").lower()  # type: ignore[union-attr]
        if name not in parts:
            parts[name] = {}
            about = (inspect.getdoc(hint) or "").split("\n")[0]
            parts[name] = {"description": about, **_object(*_fields(hint, parts))}
        return {"$ref": f"#/$defs/{name}"}
    if hint in _PLAIN:
        return {"type": _PLAIN[hint]}
    origin, of = get_origin(hint), get_args(hint)
    if origin is Literal:
        return {"enum": list(of)}
    if origin in (Union, UnionType):
        return {"anyOf": [schema for one in of if (schema := _of(one, parts)) is not None]}
    if origin is tuple:
        return {"type": "array", "items": _of(of[0], parts) or {}}
    return {"type": "object"}


def _written(of: Any, write: Any) -> dict[str, Any]:
    """The schema of what a writer makes of a value; open where the type does not tell."""
    known = get_args(of) or (of,)
    if of in (float, int):
        return _NUMBER
    if known[0] is Range:
        figures = _object(dict.fromkeys(write(_PROBE), _NUMBER))
        return figures if len(known) == 1 else {**figures, "type": ["object", "null"]}
    if get_origin(of) is Mapping and known[1] in (Range, float):
        each = write({"": _PROBE if known[1] is Range else 0.0})[""]
        inner = _object(dict.fromkeys(each, _NUMBER)) if isinstance(each, dict) else _NUMBER
        return {"type": "object", "additionalProperties": inner}
    return {}
