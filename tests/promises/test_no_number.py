"""Promise: what is no number is a broken limit, and a plan that leads to one is refused."""

from __future__ import annotations

import pytest

from tests.journals import PLAN, ZERO
from tracker.forecast.estimate import estimate
from tracker.foundation.errors import PlanError
from tracker.journal.fold import Fold
from tracker.plan.read import parse_plan

HUGE = ["start: 0.75", "reserve: 0.10", "per_hour: 0.005", "per_megajoule: 0.0695"]


@pytest.mark.parametrize("old", HUGE)
def test_a_plan_that_leads_to_no_number_is_refused_at_its_place(old: str) -> None:
    key = old.split(":", 1)[0]
    with pytest.raises(PlanError, match=rf"p:10:\d+: consumables\[0\]\.{key}: 1e\+45 is beyond anything"):
        parse_plan(PLAN.replace(old, f"{key}: 1e45", 1), file="p", name="p")


@pytest.mark.filterwarnings("ignore::RuntimeWarning")
@pytest.mark.parametrize("amount", ["1e20", "1e39", "1e45"])
def test_a_journal_that_holds_such_a_plan_says_that_the_limit_is_broken(amount: str) -> None:
    text = PLAN.replace("per_megajoule: 0.0695", f"per_megajoule: {amount}")
    plan = parse_plan(text, file="p", name="p", kept=True)
    found = estimate(Fold.start(plan, uuid="1").suppose([ZERO]), now=60, scenarios=200)
    assert found.safe == 0.0
    chances = {limit.id: limit.chance for limit in found.limits}
    assert chances["EV1.oxygen"] == chances["EV2.oxygen"] == 1.0


@pytest.mark.parametrize("old", [*HUGE, "unit: kg"])
def test_whatever_stands_in_such_a_plan_is_said_in_a_line_and_figures_are_made(old: str) -> None:
    key = "reading_sd" if old == "unit: kg" else old.split(":", 1)[0]
    new = f"unit: kg, {key}: 1e300" if old == "unit: kg" else f"{key}: 1e300"
    text = PLAN.replace(old, new, 1)
    text = text.replace("start: 0.75", "start: 1e300") if key == "reserve" else text
    plan = parse_plan(text, file="p", name="p", kept=True)
    found = estimate(Fold.start(plan, uuid="1").suppose([ZERO]), now=60, scenarios=200)
    words = {flag for store in found.consumables if (flag := store.flagged) is not None}
    assert any(f"{key} 1e+300" in one and "taken as 1e+12" in one for one in words), words
