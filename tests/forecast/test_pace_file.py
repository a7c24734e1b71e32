"""The pace file: everything optional, every fault at its place, and what is written reads back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.forecast.pace_file import DEFAULT_PRIOR, USUAL_WEIGHTS, PacePrior, read_pace, write_pace
from tracker.foundation.errors import TrackerError

WHOLE = """
format: 1
pace: {median: 1.15, spread: 0.1, drift: [0, 0.05], weights: [0.7, 0.3]}
noise: {sigma: 0.25, weight: 40}
crew: {spread: 0.06, EV1: {median: 0.98, spread: 0.04}, EV2: {median: 1.02}}
work: {spread: 0.09, fasten: {spread: 0.05}}
use: {spread: 0.2}
learned_from: [{journal: one.sqlite, sha256: "ab", steps: 61}]
"""


def test_a_whole_file() -> None:
    prior = read_pace(WHOLE, "crew.yaml")
    assert prior == PacePrior(
        median=1.15,
        spread=0.1,
        drifts=(0.0, 0.05),
        weights=(0.7, 0.3),
        sigma=0.25,
        sigma_weight=40.0,
        crew_spread=0.06,
        crew={"EV1": (0.98, 0.04), "EV2": (1.02, 0.06)},
        work_spread=0.09,
        work={"fasten": (1.0, 0.05)},
        use_spread=0.2,
        name="crew.yaml",
        learned_from=({"journal": "one.sqlite", "sha256": "ab", "steps": 61},),
    )


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "format: 1", "pace:\n", "{}", "crew: {}\n"])
def test_what_is_not_said_stays_as_it_is(text: str) -> None:
    assert read_pace(text, "p.yaml") == replace(DEFAULT_PRIOR, name="p.yaml")


def test_a_single_drift_is_one_process() -> None:
    prior = read_pace("pace: {drift: 0.1}", "p.yaml")
    assert (prior.drifts, prior.weights) == ((0.1,), (1.0,))


def test_drifts_without_weights_are_alike_unless_they_are_the_usual_three() -> None:
    assert read_pace("pace: {drift: [0, 0.1]}", "p").weights == (0.5, 0.5)
    assert read_pace("pace: {drift: [0, 0.1, 0.2]}", "p").weights == USUAL_WEIGHTS


def test_all_spreads_zero() -> None:
    text = "pace: {spread: 0, drift: 0}\nnoise: {sigma: 0}\ncrew: {spread: 0}\n"
    text += "work: {spread: 0}\nuse: {spread: 0}"
    prior = read_pace(text, "p")
    assert (prior.spread, prior.drifts, prior.sigma, prior.crew_spread) == (0.0, (0.0,), 0.0, 0.0)
    assert (prior.work_spread, prior.use_spread) == (0.0, 0.0)


def test_every_fault_of_a_file_in_one_run_at_its_place() -> None:
    text = (
        "format: 2\n"
        "pace: {median: fast, spreed: 1, drift: [a, -1]}\n"
        "noise: {weight: 0}\n"
        "crew:\n"
        "  EV1: 3\n"
        "  EV2: {median: -1}\n"
        "surprise: 1\n"
    )
    with pytest.raises(TrackerError) as found:
        read_pace(text, "p.yaml")
    lines = "\n".join(found.value.lines)
    for part in (
        "p.yaml:1:9: format: ",
        "p.yaml:2:16: pace.median: is not a number; ",
        "p.yaml:2:22: pace.spreed: is not a key of a pace file; known here: median, spread, drift, weights",
        "p.yaml:2:41: pace.drift: is not a number; ",
        "p.yaml:2:44: pace.drift: is too small; at least 0",
        "p.yaml:3:17: noise.weight: is too small; ",
        "p.yaml:5:8: crew.EV1: is not a mapping; ",
        "p.yaml:6:17: crew.EV2.median: is too small; ",
        "p.yaml:7:1: surprise: is not a key of a pace file; ",
    ):
        assert part in lines
    assert len(found.value.lines) == 9


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[]", "is not a pace file"),
        ("just words", "is not a pace file"),
        ("pace: [", "is not YAML"),
        ("pace: {drift: [0, 0.1], weights: [0.5, 0.6]}", "adds up to 1.1"),
        ("pace: {drift: [0, 0.1], weights: [1.0]}", "1 weights for 2 drifts"),
        ("pace: {weights: [0, 0, 0]}", "adds up to 0"),
        ("pace: {drift: []}", "is empty"),
        ("pace: {median: .nan}", "is not a number"),
        ("pace: {median: 1e999}", "is too large"),
        ("pace: !!python/name:os.system {}", "leave the tag out"),
        ("pace: {median: 1}\npace: {median: 2}", "a second time"),
        ("learned_from: [3]", "is not a mapping"),
        ("a: &a [1]\nb: [*a, *a]", "is not a key"),
        ("x: " + "[" * 60 + "]" * 60, "nested"),
        ("pace: \x1b[31m", "U+001B"),
    ],
)
def test_bad_files_say_what_is_wrong_on_plain_lines(text: str, says: str) -> None:
    with pytest.raises(TrackerError) as found:
        read_pace(text, "p.yaml")
    assert any(says in line for line in found.value.lines)
    assert all(line.startswith("p.yaml:") and line.isprintable() for line in found.value.lines)


SPREADS = st.floats(0.0, 2.0)
MEDIANS = st.floats(0.1, 10.0)
EFFECTS = st.dictionaries(
    st.from_regex(r"[A-Z][A-Za-z0-9_-]{0,9}", fullmatch=True), st.tuples(MEDIANS, SPREADS)
)


@given(MEDIANS, SPREADS, SPREADS, st.floats(0.5, 1e4), SPREADS, EFFECTS, EFFECTS, SPREADS)
def test_what_is_written_reads_back(
    median: float,
    spread: float,
    sigma: float,
    weight: float,
    crew_spread: float,
    crew: dict[str, tuple[float, float]],
    work: dict[str, tuple[float, float]],
    use: float,
) -> None:
    prior = PacePrior(
        median=median,
        spread=spread,
        drifts=(0.0, spread),
        weights=(0.25, 0.75),
        sigma=sigma,
        sigma_weight=weight,
        crew_spread=crew_spread,
        crew=crew,
        work_spread=crew_spread,
        work=work,
        use_spread=use,
        name="p",
        learned_from=({"journal": "a: b #\u202e\x07.sqlite", "sha256": "00", "steps": 3},),
    )
    assert read_pace(write_pace(prior), "p") == prior
