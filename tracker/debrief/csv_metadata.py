"""What stands beside the CSV: its columns with datatype, unit and a sentence, and what it was made from.

The form is W3C, CSV on the Web: Metadata Vocabulary for Tabular Data; a reader that knows it finds the file
by its name, `FILE-metadata.json`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import PurePath
from types import UnionType
from typing import Annotated, Any, Literal, get_args, get_origin, get_type_hints

from tracker.debrief.excursion import Excursion
from tracker.debrief.records import COLUMNS, FORMS, MOMENTS, OF_THE_EXCURSION
from tracker.debrief.rows import StepRow, step_columns
from tracker.foundation.text import ADVISORY, plain

_DATATYPES: Mapping[Any, Any] = {
    str: "string",
    int: "integer",
    float: "number",
    bool: {"base": "boolean", "format": "yes|no"},
}
_FORMS: Mapping[str, tuple[Any, str, str]] = {
    "pet": ("string", "as H:MM:SS", "H:MM:SS"),
    "utc": ("dateTime", "as an instant in UTC", ""),
    "day_of_year": ("string", "in UTC with the day of the year", ""),
}
"""Of each notation its datatype, what it is, and its unit."""
_KEPT = {"base": "boolean", "format": "yes|no"}


def metadata_chunks(every: Sequence[Excursion], url: str) -> Iterator[str]:
    """Yield the JSON text; `url` is the CSV's name as it stands beside the metadata."""
    found = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": PurePath(url).name,
        "dc:title": "Steps as run against planned",
        "dc:description": ADVISORY,
        "dc:creator": every[0].tool if every else "",
        "dc:source": [_source(one) for one in every],
        "dialect": {"encoding": "utf-8", "delimiter": ",", "quoteChar": '"', "header": True},
        "tableSchema": {"columns": list(columns()), "primaryKey": ["uuid", "step"]},
    }
    yield json.dumps(found, ensure_ascii=True, indent=1) + "\n"


def _source(one: Excursion) -> dict[str, Any]:
    return {
        "dc:identifier": f"urn:uuid:{one.uuid}",
        "dc:title": plain(one.excursion, most=200),
        "dc:source": plain(one.journal, most=200),
        "dc:hasVersion": f"event {one.events}, {one.last_hash}",
    }


def columns() -> Iterator[dict[str, Any]]:
    """Yield every column in its order: name, title, datatype, unit and sentence."""
    said, hints = sentences("step"), get_type_hints(StepRow, include_extras=True)
    for name in COLUMNS:
        if name in OF_THE_EXCURSION:
            datatype = _KEPT if name == "limits_kept" else "integer" if name == "last_event" else "string"
            yield _column(name, datatype, "1" if datatype == "integer" else "", OF_THE_EXCURSION[name])
        elif name in said:
            yield _column(name, _datatype(hints[name]), step_columns()[name].unit, said[name])
        else:
            of, form = next((of, form) for of in MOMENTS for form in FORMS if name == f"{of}_{form}")
            datatype, what, unit = _FORMS[form]
            yield _column(name, datatype, unit, f"`{of}` {what}.")


def _column(name: str, datatype: Any, unit: str, said: str) -> dict[str, Any]:
    found = {"name": name, "titles": name, "datatype": datatype, "dc:description": said}
    if datatype == "list":
        found |= {"datatype": "string", "separator": " "}
    return found | ({"schema:unitText": unit} if unit else {})


def _datatype(hint: Any) -> Any:
    if get_origin(hint) is Annotated:
        return _datatype(get_args(hint)[0])
    if get_origin(hint) in (UnionType,):
        return _datatype(get_args(hint)[0])
    if get_origin(hint) is tuple:
        return "list"
    if get_origin(hint) is Literal:
        return "string"
    return _DATATYPES[hint]


@cache
def sentences(part: str) -> Mapping[str, str]:
    """The sentence of each field of a part of the debrief, as the published schema has it."""
    schema = json.loads(files("tracker.debrief").joinpath("schema.json").read_text(encoding="utf-8"))
    properties: Mapping[str, Any] = schema["$defs"][part]["properties"]
    return {name: str(one.get("description", "")) for name, one in properties.items()}
