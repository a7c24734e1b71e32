"""The JSON follows the schema that is published beside the program."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from tests.debrief.made import HOSTILE, excursion
from tests.schema import published
from tracker.debrief.excursion import Excursion
from tracker.debrief.records import json_chunks
from tracker.foundation.text import ADVISORY


def _read(*every: Excursion) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    found: dict[str, Any] = json.loads("".join(json_chunks(every)), parse_constant=refuse)
    return found


def test_schema_is_itself_sound() -> None:
    jsonschema.Draft202012Validator.check_schema(published())


@pytest.mark.parametrize("text", ["fine", *HOSTILE])
def test_output_follows_the_schema(text: str) -> None:
    found = _read(excursion(text))
    jsonschema.Draft202012Validator(published()).validate(found)
    assert found["advisory"] == ADVISORY
    assert found["excursions"][0]["steps"][0]["do"] == text


def test_several_follow_it_too() -> None:
    found = _read(excursion(), excursion(judgement=None, inside=None, zero=None))
    jsonschema.Draft202012Validator(published()).validate(found)
    assert found["pooled"]["excursions"] == 2
    assert found["pooled"]["work"][0]["steps"] == 2


def test_schema_knows_every_key_and_no_other() -> None:
    found = _read(excursion())
    found["excursions"][0]["more"] = 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(published()).validate(found)
    del found["excursions"][0]["more"], found["excursions"][0]["limit"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(published()).validate(found)


def test_what_is_no_number_is_null() -> None:
    one = excursion()
    assert one.judgement is not None
    found = _read(replace(one, limit=math.inf, judgement=replace(one.judgement, coverage=math.nan)))
    assert found["excursions"][0]["limit"] is None
    assert found["excursions"][0]["judgement"]["coverage"] is None
