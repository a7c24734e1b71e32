"""What was learned, in words: a row for each figure before and after, whether it helps, what to plan anew."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from math import comb, log
from statistics import median

from tracker.debrief.learn import SHARES, Lessons, tells
from tracker.debrief.prior_fit import grid_of_learning
from tracker.forecast.pace_file import DEFAULT_PRIOR
from tracker.forecast.task_figures import FAMILIES
from tracker.foundation.text import columns, count, percent, percent_done
from tracker.foundation.times import format_exact, format_pet_s

OFTEN = 5
"""A planned time is worth changing by so many excursions at least."""
MOST_STEPS = 12
_WRITTEN = dict(zip(SHARES, ("nothing", "a quarter", "a half", "three quarters", "all"), strict=True))
_CREW: Mapping[str, str] = {
    "steady": "keeps its pace",
    "wanders": "wanders",
    "tires": "tires",
    "warms": "warms up",
    "streaks": "has streaks",
}
_TICKS: Mapping[str, str] = {
    "prompt": "within seconds",
    "slow": "within a minute",
    "late": "within minutes",
    "minutes": "by whole minutes",
    "five_minutes": "by five minutes",
}


def said(lessons: Lessons) -> list[str]:
    """The lines that tell it all, for whoever asked; what helps, and how much of it is believed, last."""
    used = lessons.excursions
    first = f"{count(len(used), 'excursion')}, {count(sum(_steps(lessons).values()), 'step')}"
    if all(progress.rehearsal for progress in used):
        first = f"rehearsals alone: only the simulated crew was learned; {first}"
    table = columns(_rows(lessons), right={1, 2, 3})
    return [first, *of_two_people(lessons), *table, *_worth_changing(lessons), *verdict(lessons)]


def of_two_people(lessons: Lessons) -> Iterator[str]:
    """Yield a line for each id that several people had: whose they were, and why nothing is learned of it."""
    found: dict[str, Counter[str]] = {}
    for progress in lessons.excursions:
        for one in dict.fromkeys(c for o in progress.observations if tells(progress, o) for c in o.crew):
            found.setdefault(one, Counter())[progress.plan.member[one].name] += 1
    for one, names in found.items():
        if len(names) > 1:
            whose = " and ".join(f"{name} in {count(n, 'excursion')}" for name, n in names.items())
            yield (
                f"left out: how fast {one} is, for {one} was {whose}, and nothing says who is next; "
                "to learn of one of them, give the journals of that crew alone, or a season "
                "with --crew and the name"
            )


def verdict(lessons: Lessons) -> list[str]:
    """Whether it helps by those left out, and how much of it is believed."""
    share, many = lessons.share, lessons.trial.crps.shape[1]
    written = f"{_WRITTEN[share]} of it is believed, the rest is the built-in belief"
    if share == 1.0:
        written = "all of it is believed"
    if lessons.trial.untold:
        return [f"too few excursions to leave any out and try it on; {written}"]
    if not share:
        mildest = _WRITTEN[lessons.trial.mildest]
        return [
            f"{NO_HELP}: no part of it forecasts better those that are left out",
            f"{mildest} of it would do the least harm",
        ]
    built_in, ours = (float(row.mean()) for row in (lessons.trial.crps[0], lessons.trial.of(share)))
    gain, error = lessons.trial.gain(share)
    difference = f"{format_pet_s(gain)} less, give or take {format_pet_s(error)}"
    if not lessons.trial.shown(share):
        difference += ": no difference shown"
    return [
        f"left out in turn, {many} excursions are forecast with an error of {format_pet_s(ours)} by what the "
        f"others teach, {format_pet_s(built_in)} without: {difference}",
        written,
    ]


NO_HELP = "these excursions teach nothing that helps"


def _rows(lessons: Lessons) -> Iterator[tuple[str, str, str, str]]:
    """Yield the figures: of what, before, after, from how many steps."""
    before, after, steps = DEFAULT_PRIOR, lessons.prior, _steps(lessons)
    total = str(sum(steps.values()))
    names = {member.id: member.name for p in lessons.excursions for member in p.plan.crew}
    yield "", "before", "after", "steps"
    yield "pace", _pace(before.median, before.spread), _pace(after.median, after.spread), total
    for name, pair in after.crew.items():
        who = name if names.get(name, name) == name else f"{name} {names[name]}"
        yield f"  {who}", _pace(1.0, before.crew_spread), _pace(*pair), str(_of_crew(lessons)[name])
    for name, pair in after.work.items():
        yield f"  {name}", _pace(1.0, before.work_spread), _pace(*pair), str(steps[name])
    yield "noise", percent_done(before.sigma), percent_done(after.sigma), total
    yield "use of stores", percent_done(before.use_spread), percent_done(after.use_spread), ""
    yield "chance that the crew", "", "", ""
    usual = _weights()
    for family, processes in FAMILIES.items():
        then, now = (sum(w.get(p, 0.0) for p in processes) for w in (usual[0], after.processes))
        yield f"  {_CREW[family]}", percent(then), percent(now), ""
    yield "chance of ticks", "", "", ""
    for habit, words in _TICKS.items():
        yield f"  {words}", percent(usual[1][habit]), percent(after.lateness.get(habit, 0.0)), ""


def _weights() -> tuple[dict[str, float], dict[str, float]]:
    grid = grid_of_learning()
    return {p.id: p.weight for p in grid.processes}, {h.id: h.weight for h in grid.habits}


def _pace(value: float, spread: float) -> str:
    return f"{value:.2f} ± {spread:.2f}"


def _steps(lessons: Lessons) -> Counter[str]:
    """Return how many steps tell of pace, by kind of work."""
    return Counter(o.work for p in lessons.excursions for o in p.observations if tells(p, o))


def _of_crew(lessons: Lessons) -> Counter[str]:
    return Counter(c for p in lessons.excursions for o in p.observations if tells(p, o) for c in o.crew)


def _worth_changing(lessons: Lessons) -> list[str]:
    """Return lines on steps that take another time than planned, those that matter most first."""
    took: dict[tuple[str, str, str, int], list[float]] = defaultdict(list)
    for progress in lessons.excursions:
        for seen in progress.observations:
            step = progress.steps[seen.step].step
            if tells(progress, seen) and seen.counted[0] == seen.counted[1] and seen.worked_s > 0:
                took[progress.plan.excursion, seen.step, step.do, round(seen.planned_s)].append(seen.worked_s)
    found = [
        (abs(log(middle / key[3])) * key[3], key, middle, low, high, len(times))
        for key, times in took.items()
        if len(times) >= OFTEN
        for low, middle, high in [_middle(times)]
        if not low <= key[3] <= high
    ]
    found.sort(key=lambda one: (-one[0], one[1]))
    rows = [
        (step, do, format_exact(planned), format_pet_s(middle), _span(low, high), str(n))
        for _, (_, step, do, planned), middle, low, high, n in found[:MOST_STEPS]
    ]
    if not rows:
        return []
    more = len(found) - len(rows)
    head = ("planned times worth changing", "", "planned", "median", "of 80 %", "times")
    return [*columns([head, *rows], indent="", right={2, 3, 5}), *([f"and {more} more"] if more else [])]


def _span(low: float, high: float) -> str:
    return f"{format_pet_s(low)} to {format_pet_s(high)}"


def _middle(times: list[float]) -> tuple[float, float, float]:
    """Return the median with an interval that holds it in 80 % of cases or more, by counting signs."""
    ordered, n = sorted(times), len(times)
    below, tail = 0, 0.0
    while tail + comb(n, below) / 2**n <= 0.1:
        tail += comb(n, below) / 2**n
        below += 1
    cut = max(below - 1, 0)
    return ordered[cut], median(ordered), ordered[n - 1 - cut]
