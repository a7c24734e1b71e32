"""Each region of the lead's view at each size: exactly its cells, and the words that it owes the lead."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from tests.leads import EVENTS, NOW_S, Hand, Still, by_hand, choices, excursion, points
from tracker.console.layout import VIEWS, pages_for
from tracker.console.lead_analysis import LeadAnalysis, Learned, Wish, of_what_stands
from tracker.console.typed_events import of_choices, of_estimates
from tracker.console.view.head import changed_rule, lead_head, notice, notice_rows
from tracker.console.view.lead_1_day import bases, day, ingress, why
from tracker.console.view.lead_2_choices import choice_row, to_decide
from tracker.console.view.lead_2_choices import choices as choice_page
from tracker.console.view.lead_3_work import tasks, word
from tracker.console.view.lead_4_runs_down import limits, trend
from tracker.console.view.scene import LeadScene, Orders, Scene, Snapshot, Suggestion, Supposed
from tracker.console.view.styled_text import Cells, Line, text_of, tick_s
from tracker.console.view.what_if_pages import compared, orders, what_if
from tracker.console.view.words import called_words, pet
from tracker.forecast.choices import choice_lines
from tracker.forecast.figures import Alert, Estimate, LimitFigure, ProcessFigure, Range
from tracker.forecast.news import news_since
from tracker.forecast.orders import changes
from tracker.forecast.wording import turn_home_words
from tracker.plan.model import Plan

Exact = Callable[[list[Line], int, int], str]


@pytest.fixture
def scene(plan: Plan) -> LeadScene:
    """Under way, everything known."""
    hand = Hand()
    return Still(excursion(plan), hand).session.scene(hand.utc())


@pytest.fixture
def before_zero(plan: Plan) -> LeadScene:
    """Before the clock, nothing estimated."""
    hand = Hand()
    return Still(excursion(plan, ()), hand, estimated=False).session.scene(hand.utc())


def by_first_word(lines: list[Line]) -> dict[str, str]:
    return {row.split()[0]: row for row in text_of(lines).splitlines() if row.strip()}


@pytest.mark.parametrize("width", range(72, 124, 3))
def test_where_words_have_no_room_figures_stay(scene: LeadScene, width: int) -> None:
    decisions = [
        text_of([line]) for line in day(scene, width, 30) if text_of([line]).startswith((" a ", " c "))
    ]
    assert len(decisions) == 2 and all("start by" in row or "drop" in row for row in decisions)
    assert "costs 17 min" in decisions[1] and "93 % -> 71 %" in decisions[1]
    fresh = text_of(word(scene, width, 12)).splitlines()
    assert all(row.rstrip().endswith(" min") or " min   last: " in row for row in fresh if " now " in row)
    shown = replace(
        scene, orders=Orders(NOW_S, (Suggestion({}, "hand a step of many words over to EV2: x", 60, 0.9),))
    )
    assert "over to EV2" in " ".join(text_of(orders(shown, 50, 6)).split())


@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize(
    ("width", "height"), [(1, 1), (20, 3), (40, 6), (80, 16), (96, 12), (120, 20), (200, 30)]
)
def test_every_region_fills_its_cells(
    scene: LeadScene, before_zero: LeadScene, exact: Exact, name: str, width: int, height: int
) -> None:
    exact(VIEWS[name](scene, width, height), width, height)
    exact(VIEWS[name](before_zero, width, height), width, height)
    exact(VIEWS[name](replace(scene, points=(), moved=None, chances={}), width, height), width, height)


@pytest.mark.parametrize(("width", "height"), [(80, 17), (100, 24), (120, 30), (200, 49)])
def test_every_region_is_on_some_page_of_every_size(scene: LeadScene, width: int, height: int) -> None:
    pages = pages_for(scene, width, height)
    shown = {name for page in pages for band in page for name in band.names}
    assert shown >= set(VIEWS) - {"levels", "orders"}
    assert shown == set(VIEWS) or height < 20
    assert len(pages) == (4 if width >= 190 else 5)
    for page in pages:
        assert sum(band.height for band in page) < height, "some region is left without a row"


def test_the_band_stands_against_the_limit(scene: LeadScene) -> None:
    lines = text_of(ingress(scene, 100, 20)).splitlines()
    limit = next(k for k, line in enumerate(lines[1:], 1) if "elapsed 4:00" in line and "═" in line)
    assert lines[limit].split()[0] == "4:00"
    above = "".join(lines[1:limit])
    assert "▒" in above and "░" not in above
    assert "░" in "".join(lines[limit:])
    middle = next(line for line in lines if "INSIDE 3:14" in line)
    assert middle.index("3:14") > middle.rindex("▀" if "▀" in middle else "▄")


def test_a_later_estimate_is_only_hinted_at_when_looking_back(scene: LeadScene) -> None:
    back = replace(
        scene, now=900.0, back=True, snapshot=Snapshot(scene.progress, by_hand(scene.progress, 900.0))
    )
    text = text_of(ingress(back, 100, 20))
    assert "." in text.split("median ▀▄")[1]
    assert text.count("░") < text_of(ingress(scene, 100, 20)).count("░")


def test_the_binding_limit_comes_first_with_its_trend(scene: LeadScene) -> None:
    rows = text_of(limits(scene, 100, 6)).splitlines()
    assert rows[2].split()[:2] == ["EV2", "oxygen"]
    assert rows[2].split()[2:] == [
        "94",
        "%",
        "3:45",
        "31",
        "min",
        "15",
        "min",
        "43",
        "min",
        "shrinks",
        "11",
        "min",
    ]
    assert rows[3].split()[2:6] == ["98", "%", "4:00", "46"]
    assert rows[4].split()[:4] == ["window", "daylight", "99", "%"]


def test_the_day_says_its_bases_and_what_is_to_decide(scene: LeadScene) -> None:
    text = text_of(day(scene, 100, 24))
    musts, advised, everything = (
        next(row for row in text.splitlines() if row.startswith(f" {words}"))
        for words in ("musts alone", "as advised: a b", "everything: a b c")
    )
    assert "2:40" in musts and "99 %" in musts and "65 min: EV2 oxygen" in musts
    assert "3:02 and 3:32" in advised and "3:14" in advised and "31 min: EV2" in advised
    assert "+17" in everything and "71 %" in everything and "14 min: EV2" in everything
    assert "committed" not in text, "it comes to the same as the musts alone"
    least = scene.choices[0]
    home = tuple(
        replace(c, tasks=(), inside=least.inside, safe=least.safe) if c.id == "as-advised" else c
        for c in scene.choices
    )
    homeward = replace(scene, choices=home)
    for page in (day(homeward, 100, 24), choice_page(homeward, 100, 24)):
        rows = [row for row in text_of(page).splitlines() if "2:40" in row and "99 %" in row]
        assert len(rows) == 1 and "as advised: n" in rows[0], "what comes to the same is one row"
    assert "c grease" in text and "kept costs 17 min, chance 93 % -> 71 %" in text
    early = tuple(replace(f, ground="early") for f in scene.estimate.optional) if scene.estimate else ()
    unknown = by_hand(scene.progress, NOW_S, optional=early)
    told = text_of(to_decide(replace(scene, snapshot=Snapshot(scene.progress, unknown)), 100))
    assert "not yet, too little is known: a survey, c grease" in told
    assert "keep as advised, undecided: b lamp" in told


@pytest.mark.parametrize(
    ("before", "now", "words"),
    [
        (None, 5.0, ""),
        (600.0, None, ""),
        (600.0, 700.0, "steady"),
        (0.0, 600.0, "grows 10 min"),
        (0, -600, "shrinks 10 min"),
    ],
)
def test_trend_in_words(before: float | None, now: float | None, words: str) -> None:
    assert trend(before, now) == words


def test_tasks_say_their_chance_and_advice(scene: LeadScene) -> None:
    rows = by_first_word(tasks(scene, 100, 12))
    assert rows["pump"].endswith(">99 %")
    assert rows["lamp"].endswith("44 %")
    assert rows["grease"].endswith("drop")
    assert rows["home"].endswith("98 %")
    assert rows["egress"].endswith("-")


def test_freshness_counts_from_the_instant_that_is_shown(scene: LeadScene) -> None:
    rows = by_first_word(word(scene, 110, 9))
    assert "0:02:57" in rows["last"] and "items EV1" in rows["last"]
    assert "0:11:07" in rows["readings"] and "never read: 3" in rows["readings"]
    assert "0:34:37" in rows["IV"]
    assert "glare on the panel" in rows["journal"]


def test_silence_is_said(plan: Plan) -> None:
    hand = Hand()
    silent = {"kind": "silent", "crew": ["EV2"], "at": 2400}
    scene = Still(excursion(plan, (*EVENTS, silent)), hand).session.scene(hand.utc())
    assert "silent since 0:40" in text_of(word(scene, 110, 9))


def test_in_few_rows_the_day_is_told_in_figures(scene: LeadScene) -> None:
    text = text_of(ingress(scene, 80, 8))
    head, last = text.splitlines()[1], text.splitlines()[6]
    assert head.split() == ["at", "inside", "8", "in", "10", "between", "chance", "EV2", "oxygen", "at"]
    assert last.split()[:2] == ["0:41", "3:14"] and "░" not in text
    assert "░" in text_of(ingress(scene, 80, 11)), "where it can be read it is drawn"


@pytest.mark.parametrize("width", [60, 80, 100])
def test_an_alert_below_the_lead_s_head_ends_at_a_word(scene: LeadScene, width: int) -> None:
    assert scene.estimate is not None
    text = "EV1 at Drive the six captive fasteners, 5 of 6, 27:37 of 10:00 min: done? EV1, EV1 -5, silent EV1"
    alerts = (Alert("tick:a", text, False), Alert("tick:b", text, False))
    shown = replace(scene, said="", snapshot=Snapshot(scene.progress, replace(scene.estimate, alerts=alerts)))
    rows = notice(shown, width, notice_rows(shown, width))
    told = " ".join(text_of(rows).split()).removeprefix("! LOOK ")
    assert told.replace(" 1 more alert: !", "") == text
    assert [row for row in text_of(rows).splitlines() if not row.startswith((" ! ", " " * 10))] == []


@pytest.mark.parametrize("width", [80, 100, 120, 160])
def test_no_chance_is_cut_where_not_every_limit_has_room(scene: LeadScene, width: int) -> None:
    assert scene.estimate is not None
    limits = tuple(LimitFigure(f"EV1.store{n}", None, 0.1, Range(None, None, None)) for n in range(9))
    before = replace(scene.points[2], chances={limit.id: 0.5 for limit in limits})
    points = (*scene.points[:2], before, *scene.points[3:])
    estimate = replace(scene.estimate, limits=limits)
    shown = replace(scene, points=points, snapshot=Snapshot(scene.progress, estimate))
    row = text_of(why(shown, width, 5)).splitlines()[-1].strip()
    told = row.count(" 50 % -> 90 %")
    assert row.startswith("chance by limit: EV1 store0 50 % -> 90 %") and "~" not in row
    assert row.endswith(f"; {9 - told} more") == (told < 9) and told >= 2
    whole = " ".join(text_of(why(replace(shown, whole=True), width, 20)).split())
    assert whole.count(" 50 % -> 90 %") == 9


def test_advice_on_too_little_is_not_yet_on_every_page(scene: LeadScene) -> None:
    assert scene.estimate is not None
    optional = tuple(replace(figure, ground="early") for figure in scene.estimate.optional)
    advice = replace(scene.estimate.advice, kept=frozenset[str]())
    early = replace(scene.estimate, optional=optional, advice=advice)
    shown = replace(scene, snapshot=Snapshot(scene.progress, early), chances={})
    assert by_first_word(tasks(shown, 110, 12))["survey"].endswith("not yet")
    assert "not yet, too little is known" in text_of(to_decide(shown, 110))


def test_what_is_counted_is_named_also_where_a_person_decided_it(scene: LeadScene) -> None:
    assert scene.estimate is not None
    kept = replace(scene.estimate, counted=frozenset({"lamp"}))
    supposed = Supposed("drop lamp", ({"kind": "dropped", "task": "lamp"},), "", kept, scene.estimate)
    text = text_of(what_if(replace(scene, supposed=supposed), 100, 10))
    assert next(row for row in text.splitlines() if row.startswith(" counted")).split()[1] == "lamp"


def test_if_the_crew_tires_stands_on_the_second_page_and_in_a_wide_head(scene: LeadScene) -> None:
    assert scene.estimate is not None
    tires = ProcessFigure("tires", 0.125, Range(11000.0, 12000.0, 13000.0), 0.71)
    tiring = replace(scene, snapshot=Snapshot(scene.progress, replace(scene.estimate, processes=(tires,))))
    words = "if the crew tires (1 in 8): inside 3:20, 71 %"
    assert words in text_of(choice_page(tiring, 120, 30)) and words in text_of(lead_head(tiring, 200, 3))
    assert "tires" not in text_of(choice_page(scene, 120, 30)) + text_of(lead_head(tiring, 120, 3))


@pytest.mark.parametrize("width", [80, 96, 120])
def test_the_head_leaves_out_what_has_no_room_and_cuts_nothing(scene: LeadScene, width: int) -> None:
    rehearsed = replace(scene.progress, rehearsal=True)
    shown = replace(scene, snapshot=replace(scene.snapshot, progress=rehearsed))
    assert "~" not in text_of(lead_head(shown, width, 3)), text_of(lead_head(shown, width, 3))


def test_what_if_stands_beside_what_is(scene: LeadScene) -> None:
    stands, progress = scene.estimate, scene.progress
    assert stands is not None
    other = by_hand(progress, NOW_S, inside=Range(10000.0, 10700.0, 11800.0), safe=0.99)
    events = ({"kind": "dropped", "task": "lamp"},)
    supposed = Supposed("drop lamp", events, "", stands, other)
    text = text_of(what_if(replace(scene, supposed=supposed), 100, 10))
    assert "supposed: dropped Change the work lamp" in text or "supposed: dropped lamp" in text
    row = next(line for line in text.splitlines() if line.startswith(" inside"))
    assert "3:14" in row and "2:59" in row and row.endswith("-15 min")
    assert "+6 points" in text


def test_a_grid_draws_nothing_outside_itself() -> None:
    cells = Cells(4, 2)
    cells.put(-1, 0, "x")
    cells.put(0, 5, "x")
    assert not cells.write(2, 0, "abc")
    assert text_of(cells.lines()) == "  ab\n"
    assert not cells.write(1, 0, "z", over=False) or cells.at(1, 0) == "z"


def test_round_marks() -> None:
    assert [tick_s(3600.0, most) for most in (1, 2, 4, 12)] == [3600.0, 1800.0, 900.0, 300.0]


def test_choices_say_of_which_instant_they_are(scene: LeadScene) -> None:
    late = replace(scene, now=NOW_S + 300.0)
    assert "choices, as of 0:41" in text_of(VIEWS["choices"](late, 120, 20))
    assert "as of 0:41" in text_of(day(late, 100, 24))


def test_a_rehearsal_says_that_it_is_one(scene: LeadScene) -> None:
    played = replace(scene, snapshot=Snapshot(replace(scene.progress, rehearsal=True), scene.estimate))
    for width in (80, 100, 200):
        assert "REHEARSAL" in text_of(changed_rule(played, width, 1))
        assert "REHEARSAL" not in text_of(changed_rule(scene, width, 1))


def test_a_change_of_the_chance_is_the_difference_of_what_is_shown(scene: LeadScene) -> None:
    """80.9 and 83.1 % are shown as 80 and 83, which are three apart."""
    stands, other = (by_hand(scene.progress, NOW_S, safe=safe) for safe in (0.809, 0.831))
    more = replace(other, counted=frozenset({"lamp"}))
    for supposed, words in ((other, ""), (more, "not alike")):
        text = text_of(compared(stands, supposed, 120))
        assert "80 %" in text and "83 %" in text and "+3 points" in text
        assert ("not alike" in text) == bool(words)
    assert "points" not in text_of(compared(stands, replace(stands, safe=0.8001), 120))


def test_with_two_confidences_every_chance_beside_a_need_is_of_its_kind(scene: LeadScene) -> None:
    """What if, previews, choices and recall: of the kind that the head shows, never the joint chance."""
    kinds = {"elapsed": 0.9, "consumables": 0.95}

    def made(limits: float, stores: float, joint: float) -> Estimate:
        by = {"elapsed": limits, "consumables": stores}
        return by_hand(scene.progress, NOW_S, confidence=kinds, safe=joint, safe_by=by, meets=limits >= 0.9)

    stands, supposed = made(0.82, 0.98, 0.81), made(0.98, 0.91, 0.9)
    text = " ".join(text_of(compared(stands, supposed, 200)).split())
    assert "limits 82 %, need 90 % limits 98 %, need 90 %; stores 91 %, need 95 % +16 points" in text
    assert of_estimates(stands, supposed).words.endswith("82 -> 98 %; stores 91 %, need 95 %")
    assert not of_estimates(supposed, made(0.97, 0.99, 0.97)).worse
    kept = replace(choices()[0], id="keep:grease", safe=0.7, safe_by=supposed.safe_by)
    kept = replace(kept, events=({"kind": "chose", "task": "grease", "choice": "keep"},), meets=False)
    turn = replace(stands.turn_back, safe_if_now=0.7, safe_by_if_now={"elapsed": 0.94, "consumables": 0.8})
    stands = replace(stands, choices=(kept,), turn_back=turn)
    preview = of_choices(kept.events, stands)
    assert preview is not None and "82 -> 98 %; stores 91 %" in preview.words
    shown = replace(scene, snapshot=Snapshot(scene.progress, stands), choices=(kept,))
    assert " 98 %<" in text_of([choice_row(shown, kept, "grease", 120)])
    assert "<: below what limits or stores need" in text_of(choice_page(shown, 120, 40))
    assert " 98 % <" in "\n".join(choice_lines(stands))
    assert called_words(stands).endswith(", 94 %") and turn_home_words(stands).endswith("chance 94 %")


def test_figures_that_count_less_than_is_on_record_say_of_which_entry_and_instant(
    scene: LeadScene, under_way: Scene
) -> None:
    for one in (scene, under_way):
        assert one.estimate is not None
        for entry, passed, words in (
            (one.progress.number, 0.0, ""),
            (one.progress.number, 300.0, "── figures of 0:"),
            (one.progress.number - 3, 0.0, f"; {one.progress.number} on record ─"),
        ):
            shown = replace(one, snapshot=Snapshot(one.progress, replace(one.estimate, entry=entry)))
            shown = replace(shown, now=one.now + passed)
            for width in (80, 120):
                row = text_of(changed_rule(shown, width, 1))
                assert words in row and ("figures of" in row) == bool(words)
                assert (f"figures of entry {entry}, {pet(one.estimate.at)}" in row) == ("record" in words)


def test_a_rehearsal_that_is_ahead_of_this_clock_says_by_what_it_goes(plan: Plan) -> None:
    played = replace(excursion(plan, EVENTS), rehearsal=True)
    hand = Hand(60.0)
    session = Still(played, hand).session
    assert not session.scene(hand.utc()).live, "the clock of this machine has not come so far"
    assert "which its desk told last" in text_of(lead_head(session.scene(hand.utc()), 160, 3))
    hand.passed = 2 * NOW_S
    assert session.scene(hand.utc()).live


def test_before_the_start_the_range_of_the_plan_is_drawn_and_chances_are_told(plan: Plan) -> None:
    hand = Hand(0.0)
    session = Still(excursion(plan, ()), hand).session
    wishes: list[Wish] = []
    session.study = wishes.append
    scene = session.scene(hand.utc())
    text = text_of(ingress(scene, 100, 14))
    assert "INSIDE 3:14" in text and "until 3:32" in text and " elapsed 4:00" in text
    learned: list[Learned] = []
    session.wish(hand.utc())
    learned += LeadAnalysis().results(wishes[0])
    chances = [report.chances for report in learned if report.chances is not None]
    assert chances and set(chances[0]) >= {"egress", "pump"}
    assert not any(report.points or report.moved for report in learned)


def test_a_hold_says_its_reason_and_its_end_first(plan: Plan) -> None:
    hand = Hand()
    held = {"kind": "held", "crew": ["EV1"], "text": "glare", "until": 3000, "at": 2400}
    scene = Still(excursion(plan, (*EVENTS, held)), hand).session.scene(hand.utc())
    assert "held, glare, until 0:50: Release" in text_of(word(scene, 110, 9))


def test_who_is_held_and_why_stands_first_on_the_day(plan: Plan) -> None:
    held = {"kind": "held", "crew": ["EV1", "EV2"], "at": 2400, "text": "visor"}
    hand = Hand()
    scene = Still(excursion(plan, (*EVENTS, held)), hand).session.scene(hand.utc())
    first = text_of(day(scene, 120, 28)).splitlines()[0].split()
    assert " ".join(first) == "held EV1 EV2 since 0:40, until somebody says: visor"


def test_recalls_stay_on_the_day_first_where_rows_are_few(scene: LeadScene) -> None:
    for height in (16, 20, 28, 40):
        text = text_of(day(scene, 120, height))
        assert "call home" in text and "as advised" in text, f"{height} rows"
    rows = [" ".join(row.split()[:2]) for row in text_of(bases(scene, 120, 3)).splitlines()]
    assert rows[1:] == ["as advised:", "call home"]


def test_what_was_decided_is_not_asked_and_what_was_given_up_is_said(plan: Plan) -> None:
    events = (
        {"kind": "chose", "task": "survey", "choice": "keep", "at": 2400},
        {"kind": "dropped", "task": "grease", "at": 2410},
    )
    hand = Hand()
    text = text_of(to_decide(Still(excursion(plan, (*EVENTS, *events)), hand).session.scene(hand.utc()), 100))
    assert "survey" not in text and "given up: grease" in text and "undecided: b lamp" in text


def test_figures_of_two_estimates_stand_apart(plan: Plan) -> None:
    """A wrong gauge, typed while the advice was made: the head had it, turn home and the choices had not."""
    before = excursion(plan)
    reading = {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.31, "at": 2420}
    after = excursion(plan, (*EVENTS, reading))
    hand = Hand()
    session = Still(before, hand).session
    made = by_hand(before, NOW_S)
    advice = replace(made.advice, entry=before.number)
    table = tuple(replace(one, entry=before.number) for one in choices(NOW_S))
    quick = by_hand(after, NOW_S, advice=advice, choices=table, entry=after.number)
    session.snapshot = Snapshot(after, quick, after.number)
    scene = session.scene(hand.utc())
    assert not scene.snapshot.news.turned, "the quick figures count it"
    page, head = (" ".join(text_of(p).split()) for p in (day(scene, 120, 36), lead_head(scene, 120, 3)))
    assert "turn home being worked out" in head and "turn home being worked out" in page
    assert "optional tasks: being worked out" in page and "call home" not in page
    told = text_of(choice_page(scene, 120, 20))
    assert "being worked out" in told and "as advised: a b" not in told
    session.snapshot = Snapshot(
        after, replace(quick, advice=replace(advice, entry=after.number)), after.number
    )
    assert "by 3:03" in text_of(lead_head(session.scene(hand.utc()), 120, 3))
    # A tick after it turns nothing, but the advice beside newer figures says of which entry it is.
    ticked = excursion(plan, (*EVENTS, {"kind": "done", "step": "pump.bolts", "at": 2420}))
    session.snapshot = Snapshot(ticked, replace(quick, entry=ticked.number), ticked.number)
    scene = session.scene(hand.utc())
    words = f"by 3:03 (entry {before.number})"
    assert words in text_of(lead_head(scene, 120, 3)) and words in text_of(day(scene, 120, 36))


def test_taking_a_reading_back_turns_what_was_advised_with_it(plan: Plan) -> None:
    reading = {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.31, "at": 2420}
    read = excursion(plan, (*EVENTS, reading))
    undone = excursion(plan, (*EVENTS, reading, {"kind": "withdrawn", "event": read.number}))
    advice = replace(by_hand(read, NOW_S).advice, entry=read.number)
    made = by_hand(undone, NOW_S, advice=advice, entry=undone.number)
    assert news_since(made, undone, undone.number).turn_home
    assert not news_since(replace(made, advice=replace(advice, entry=undone.number)), undone, None).turn_home


def test_figures_that_count_what_was_taken_back_are_no_part_of_the_day(plan: Plan) -> None:
    reading = {"kind": "reading", "crew": "EV1", "consumable": "oxygen", "value": 0.31, "at": 2420}
    number = excursion(plan, (*EVENTS, reading)).number
    events = (*EVENTS, reading, {"kind": "withdrawn", "event": number})
    day_of = tuple(replace(point, entry=number - 1 + k) for k, point in enumerate(points()[:3]))
    assert of_what_stands(day_of, excursion(plan, (*EVENTS, reading))) == day_of
    assert of_what_stands(day_of, excursion(plan, events)) == (day_of[0], day_of[2])
    again = excursion(plan, (*events, {"kind": "withdrawn", "event": number + 1}))
    assert of_what_stands(day_of, again) == day_of[:2], "what was withdrawn is the undo"


def test_rows_of_the_day_stay_as_the_rows_there_are_come_and_go(scene: LeadScene) -> None:
    def instants(rows: int) -> list[str]:
        told = text_of(ingress(scene, 80, rows)).splitlines()
        return [row.split()[0] for row in told[2:] if row.strip()]

    assert instants(8)[-3:] == instants(6)[-3:] == instants(5)[-3:]


def test_an_order_that_events_made_impossible_is_told_no_more(plan: Plan) -> None:
    hand = Hand()
    progress = excursion(plan)
    session = Still(progress, hand).session
    found = [text for _, text in changes(progress, now=NOW_S)]
    handed = next(text for text in found if text.startswith("hand "))
    told = (f"{text}: nine of ten inside 3 min earlier" for text in (handed, "hand x"))
    rows = tuple(Suggestion({}, text, 180.0, 0.9) for text in told)
    session.search.orders = Orders(NOW_S, rows)
    shown = session.scene(hand.utc()).orders
    assert shown is not None and [one.deed for one in shown.found] == [handed]


def test_what_was_to_spare_says_of_which_instant(scene: LeadScene) -> None:
    early = replace(scene, now=900.0, snapshot=Snapshot(scene.progress, by_hand(scene.progress, 900.0)))
    assert "at 0:10" in text_of(limits(scene, 100, 6)) and " ago" not in text_of(limits(early, 100, 6))
