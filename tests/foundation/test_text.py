import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.foundation.text import (
    amount,
    columns,
    count,
    did_you_mean,
    near,
    percent,
    percent_asked,
    percent_done,
)


@pytest.mark.parametrize(
    ("share", "need", "words"),
    [
        (0.899, 0.9, "89 %"),
        (0.9, 0.9, "90 %"),
        (0.29, None, "29 %"),
        (0.57, None, "57 %"),
        (0.9949, 0.9, "99 %"),
        (0.995, 0.9, ">99 %"),
        (1.0, None, ">99 %"),
        (0.0099, 0.9, "<1 %"),
        (0.0, None, "<1 %"),
        (0.01, None, "1 %"),
        (0.9949, 0.995, "99.4 %"),
        (0.995, 0.995, "99.5 %"),
        (0.9994, 0.99, "99 %"),
        (0.9996, 0.99, ">99.9 %"),
        (0.99996, 0.999, ">99.99 %"),
        (0.9, 0.995, "90.0 %"),
        (1.0, 1.0, "100 %"),
        (0.999, 1.0, "99 %"),
        (float("nan"), 0.9, "-"),
    ],
)
def test_a_chance_in_per_cent(share: float, need: float | None, words: str) -> None:
    assert percent(share, need) == words


@given(st.integers(0, 10_000), st.sampled_from([0.8, 0.9, 0.95, 0.975, 0.99, 0.995, 0.999]))
def test_what_is_shown_meets_a_need_exactly_where_the_chance_does(times: int, need: float) -> None:
    shown = percent(times / 10_000, need)
    number = float(shown.strip("<> %")) / 100
    meets = number >= need - 1e-9 and not shown.startswith("<")
    assert meets == (times / 10_000 >= need - 1e-12)


def test_a_demanded_chance_and_a_part_done() -> None:
    assert [percent_asked(need) for need in (0.9, 0.995, 1.0, 0.125)] == ["90 %", "99.5 %", "100 %", "12.5 %"]
    assert [percent_done(part) for part in (0.0, 0.996, 1.0, 0.57)] == ["0 %", "99 %", "100 %", "57 %"]


def test_an_amount_with_its_unit() -> None:
    assert [amount(v) for v in (None, 0.12345, 12.345, 999.7, 1234.6)] == [
        "-",
        "0.123",
        "12.3",
        "1000",
        "1235",
    ]
    assert amount(0.5, "kg") == "0.5 kg" and amount(0.123456, digits=4) == "0.1235"


def test_amounts_below_one_another_keep_their_noughts() -> None:
    assert [amount(v, even=True) for v in (250.0, 25.0, 2.5, -0.25)] == ["250", "25.0", "2.50", "-0.25"]


def test_how_many_there_are() -> None:
    assert [count(n, "step") for n in (0, 1, 2)] == ["0 steps", "1 step", "2 steps"]
    assert count(2, "entry", "entries") == "2 entries"


def test_words_that_may_have_been_meant() -> None:
    assert did_you_mean(near("oxigen", ["oxygen", "battery"])) == "; did you mean oxygen?"
    assert did_you_mean(near("step1", ["step2", "step3"])) == "; did you mean step3 or step2?"
    assert did_you_mean(near("zzz", ["oxygen"])) == ""
    assert len(near("step1", ["step2", "step3", "step4"], 2)) == 2


def test_cells_of_a_column_stand_below_one_another() -> None:
    assert columns([]) == []
    assert columns([("a", "10", "x\ty"), ("long", "9", "")], right={1}) == ["  a     10  x y", "  long   9"]
    assert columns([("a" * 70, "b")], indent="", most=10) == ["a" * 7 + "...  b"]
