"""Any excursion that the rules allow can be looked back on: every export, sums that add up, lessons."""

from __future__ import annotations

import json
from random import Random

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.schema import published
from tests.streams import random_plan, random_run
from tracker.debrief import tables
from tracker.debrief.excursion import Excursion, Scoring, debriefed
from tracker.debrief.learn import learn
from tracker.debrief.pages import markdown, summary
from tracker.debrief.records import csv_chunks, json_chunks
from tracker.journal.progress import Progress

many = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
seeds = st.integers(min_value=0, max_value=2**32)


def _progress(seed: int) -> Progress:
    random = Random(seed)
    return random_run(random, random_plan(random), random.choice((5, 20, 50))).progress()


def _debrief(seed: int) -> Excursion:
    return debriefed(_progress(seed), "any.sqlite", Scoring(instants=2, scenarios=40))


def _seconds(shown: str) -> int:
    hours, minutes, seconds = shown.lstrip("+-").split(":")
    total = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    return -total if shown.startswith("-") else total


@many
@given(seeds)
def test_every_export_can_be_written(seed: int) -> None:
    one = _debrief(seed)
    found = json.loads("".join(json_chunks([one])))
    jsonschema.Draft202012Validator(published()).validate(found)
    for write in (csv_chunks, markdown, summary):
        assert "".join(write([one])) and "".join(write([one, one]))
    for table in tables.of_excursion(one):
        assert {len(row) for row in table.rows} == {len(table.headings)}


@many
@given(seeds)
def test_sums_add_up_as_they_are_and_as_they_are_shown(seed: int) -> None:
    one = _debrief(seed)
    for crew, spent in zip(tables.spent(one).rows, one.totals.spent, strict=True):
        assert spent.work + spent.wait + spent.hold + spent.idle == pytest.approx(one.end, abs=1e-6)
        assert sum(map(_seconds, crew[1:5])) == _seconds(crew[5])
    if one.totals.waterfall:
        *parts, total = tables.waterfall(one).rows
        assert sum(_seconds(part[1]) for part in parts) == _seconds(total[1])
        if one.inside is not None:
            assert sum(part.seconds for part in one.totals.waterfall) == pytest.approx(one.inside, abs=1e-6)
    for row in one.steps:
        if row.status == "done":
            assert row.variance is not None and row.actual_duration is not None
            assert row.variance == pytest.approx(row.actual_duration - row.planned_duration, abs=1e-6)


@settings(max_examples=6, deadline=None)
@given(st.lists(seeds, max_size=3, unique=True))
def test_anything_teaches_something_sound(chosen: list[int]) -> None:
    prior = learn([_progress(seed) for seed in chosen])
    assert 0.05 < prior.median < 20 and 0 < prior.spread < 1 and 0 < prior.sigma < 3
    assert sum(prior.processes.values() or [1.0]) == pytest.approx(1)
