"""The JSON Schema of a plan file, draft 2020-12, out of the models that read it.

It lets an editor complete and explain a plan as it is written. It knows keys and single values; ids, circles
and windows are the business of `tracker check`.
"""

from __future__ import annotations

import ast
import inspect
import json
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from tracker.plan.scalars import ALONE
from tracker.plan.schema import PLACES, PlanFile

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """The schema of a plan file."""
    schema = tidied(PlanFile.model_json_schema(by_alias=True), set(PLACES.values()))
    parts = schema["$defs"]
    # One value may stand where a mapping could.
    parts["time"] = _or(parts["time"], {**parts["within"]["properties"]["time"], "description": "How long."})
    parts["time"]["anyOf"].append({"const": "home"})
    parts["limit"] = _or(parts["limit"], parts["limit"]["properties"]["at"])
    parts["confidence"] = _or(parts["confidence"], parts["confidence"]["properties"]["elapsed"])
    step = parts["step"]["properties"]
    step["effort"] = _or(step["effort"], step["effort"]["additionalProperties"])
    for key in ("window", "cautions"):
        step[key] = _or(step[key], step[key]["items"])
    parts["window"]["properties"]["open"]["items"] |= {"minItems": 2, "maxItems": 2}
    about = "Where the work is told, who does it, and what limits it; `tracker check` judges it."
    return {"$schema": DRAFT, "title": "Plan", **schema, "description": about}


def _or(whole: dict[str, Any], alone: dict[str, Any]) -> dict[str, Any]:
    """A schema for either form; the sentence is that of the whole."""
    said = {"description": whole["description"]} if "description" in whole else {}
    parts = [{key: value for key, value in one.items() if key != "description"} for one in (whole, alone)]
    return {**said, "anyOf": [*parts[1].get("anyOf", [parts[1]]), parts[0]]}


def tidied(schema: dict[str, Any], kinds: set[type[BaseModel]]) -> dict[str, Any]:
    """A library's schema with our names and sentences: no titles, no nulls, no key that nobody writes."""
    said = {kind.__name__: _sentences(kind) for kind in kinds}
    top = schema.pop("title")
    parts = {_part(name): _tidy(part, said[name]) for name, part in schema.pop("$defs", {}).items()}
    return {**_tidy(schema, said[top]), "$defs": dict(sorted(parts.items()))}


def _sentences(kind: type[BaseModel]) -> dict[str, str]:
    """The sentence of each key, under the name that a file has for it."""
    fields = kind.model_fields
    return {fields[name].alias or name: sentence for name, sentence in sentences(kind).items()}


def sentences(kind: type) -> dict[str, str]:
    """Field of a class to the text below it; fields without one are left out."""
    (described,) = ast.parse(inspect.getsource(kind)).body
    assert isinstance(described, ast.ClassDef)
    found = {}
    for field, below in pairwise(described.body):
        match field, below:
            case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(sentence))):
                found[name] = inspect.cleandoc(sentence)
    return found


def _part(name: str) -> str:
    return name.removesuffix("File").lower()


def _tidy(found: Any, said: dict[str, str]) -> Any:
    """One part without what says nothing; `said` are the sentences of its keys."""
    if isinstance(found, list):
        return [_tidy(item, {}) for item in found]
    if not isinstance(found, dict):
        return found
    kept = {_RENAMED.get(key, key): value for key, value in found.items() if key not in ("title", "default")}
    if "$ref" in kept:
        kept["$ref"] = "#/$defs/" + _part(kept["$ref"].rpartition("/")[2])
    either = [one for one in kept.pop("anyOf", []) if one != {"type": "null"}]
    if len(either) == 1:
        kept |= either[0]
        return _tidy(kept, said)
    out = {key: _tidy(value, {}) for key, value in kept.items() if key != "properties"}
    if either:
        out["anyOf"] = _tidy(either, {})
    if "properties" in kept:
        keys = {key: value for key, value in kept["properties"].items() if key != ALONE}
        out["properties"] = {
            key: _tidy(value, {}) | ({"description": said[key]} if key in said else {})
            for key, value in keys.items()
        }
    return out


_RENAMED = {"ge": "minimum", "le": "maximum"}
"""Bounds under the names that the draft has for them."""


def schema_text(schema: dict[str, Any]) -> str:
    """A schema as it is printed and shipped."""
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"
