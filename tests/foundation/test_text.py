import pytest

from tracker.foundation.text import amount, columns, count, did_you_mean, near, percent


@pytest.mark.parametrize(
    ("share", "whole", "tenths", "given"),
    [
        (0.0, "0 %", "0.0 %", "0 %"),
        (1.0, "100 %", "100.0 %", "100 %"),
        (0.9, "90 %", "90.0 %", "90 %"),
        (0.975, "98 %", "97.5 %", "97.5 %"),
        (0.125, "12 %", "12.5 %", "12.5 %"),
        (float("nan"), "-", "-", "-"),
    ],
)
def test_a_share_in_per_cent(share: float, whole: str, tenths: str, given: str) -> None:
    assert (percent(share), percent(share, 1), percent(share, None)) == (whole, tenths, given)


@pytest.mark.parametrize(
    ("share", "words"), [(0.899, "89 %"), (0.9, "90 %"), (0.29, "29 %"), (0.57, "57 %"), (1.0, "100 %")]
)
def test_what_misses_a_mark_never_seems_to_meet_it(share: float, words: str) -> None:
    assert percent(share, floor=True) == words


@pytest.mark.parametrize(
    ("share", "whole", "tenths"),
    [
        (1.0, "100 %", "100.0 %"),
        (0.9999, ">99 %", "over 99.9 %"),
        (0.996, ">99 %", "99.6 %"),
        (0.994, "99 %", "99.4 %"),
        (0.006, "1 %", "0.6 %"),
        (0.004, "<1 %", "0.4 %"),
        (0.0001, "<1 %", "under 0.1 %"),
        (0.0, "0 %", "0.0 %"),
    ],
)
def test_only_what_is_certain_is_100_or_0(share: float, whole: str, tenths: str) -> None:
    assert percent(share, ends=(">", "<")) == whole
    assert percent(share, 1, ends=("over ", "under ")) == tenths


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
