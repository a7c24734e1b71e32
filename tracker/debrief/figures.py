"""The figures of the page, drawn as SVG text that stands inside HTML; one function a figure.

Blue and orange are told apart by colour-blind eyes and as greys in print; every figure's figures also
stand in a table. Text from plans is never read as mathematics or markup. Those of several excursions come
last; where there is too little to say anything, the figure says so.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tracker.debrief.consumed import Consumed, StoreCurve
from tracker.debrief.excursion import Excursion
from tracker.debrief.forecast_scores import earned_schedule
from tracker.debrief.rows import StepRow
from tracker.debrief.trend import (
    LEAST,
    LEAST_IN_BIN,
    TOO_FEW,
    binomial_band,
    paced,
    quartiles,
    reliability,
    theil_sen,
)
from tracker.forecast.wording import limit_words
from tracker.foundation.text import count, plain
from tracker.foundation.times import format_pet

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

BLUE, ORANGE, GREY, INK = "#2166ac", "#d9730d", "#8a8f98", "#22262b"
ROUND_MINUTES = (1, 2, 5, 10, 15, 20, 30, 60, 120, 240, 480)
ROUND_RATIOS = (1.0, 0.5, 2, 0.1, 10, 0.2, 5, 0.7, 1.5, 0.3, 3, 0.8, 1.2, 0.9, 1.1)
"""Marks of a ratio's axis, the most wanted first."""
MOST_STEPS = 400
"""Of more than so many the steps are drawn that differ most."""
STEPS_A_FIGURE = 40
"""So many fit on a printed page with an axis of their own."""
LEAST_STEPS = 8
"""A kind of work with fewer steps gets no box."""
BINS = 10


def empty_figure(height: float, *, width: float = 9.0) -> tuple[Figure, Axes]:
    """Return an empty figure, inches."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def svg(figure: Figure, key: str, label: str) -> str:
    """Return a figure as SVG without ids that another figure has; `label` says what it shows."""
    import matplotlib

    text = io.StringIO()
    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": key,
        "font.family": "sans-serif",
        "font.size": 9.0,
    }
    with matplotlib.rc_context(settings), warnings.catch_warnings():
        # A glyph that the measuring font lacks is still shown: the reader's browser draws the text.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    drawn = text.getvalue()
    drawn = drawn[drawn.index("<svg") :]
    drawn = re.sub(r"<metadata>.*?</metadata>", "", drawn, flags=re.DOTALL)
    drawn = re.sub(r'(\bid="|url\(#|href="#)', rf"\g<1>{key}-", drawn)
    return drawn.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)


def below(figure: Figure, text: str) -> None:
    """Write below the whole figure: below axes that long names leave little room, a label would be cut."""
    figure.supxlabel(text, fontsize="medium")


def down(axes: Axes, names: Sequence[str]) -> None:
    """Name the rows of a figure from its top down."""
    axes.set_yticks(range(len(names)), names, parse_math=False)
    axes.set_ylim(len(names) - 0.4, -0.6)


def _hours(axes: Axes, *, along: str, most: int = 9) -> None:
    """Write at most so many PETs at round minutes on an axis in hours; everything must be drawn before."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    axis, (low, high) = (axes.xaxis, axes.get_xlim()) if along == "x" else (axes.yaxis, axes.get_ylim())
    minutes = (high - low) * 60
    fitting = (step for step in ROUND_MINUTES if minutes / step <= most)
    axis.set_major_locator(MultipleLocator(next(fitting, minutes / most) / 60))
    axis.set_major_formatter(FuncFormatter(lambda value, _: format_pet(round(value * 3600))))


def steps(one: Excursion) -> list[str]:
    """Draw planned against actual duration of every step that is done, in planned order, all to one scale."""
    done = [row for row in one.steps if row.status == "done"]
    if len(done) > MOST_STEPS:
        worst = sorted(done, key=lambda row: -abs(row.variance or 0))[:MOST_STEPS]
        done = [row for row in done if row in worst]
    longest = max((max(row.planned_duration, row.actual_duration or 0) for row in done), default=60.0)
    figures = -(-len(done) // STEPS_A_FIGURE)
    each = -(-len(done) // max(figures, 1))
    return [_steps(done[i * each : (i + 1) * each], longest / 60, i) for i in range(figures)]


def _steps(done: Sequence[StepRow], longest: float, part: int) -> str:
    """Draw one figure's steps; `longest` in minutes is where its axis ends."""
    figure, axes = empty_figure(1.0 + 0.19 * max(len(done), 3))
    for y, row in enumerate(done):
        planned, actual = row.planned_duration / 60, (row.actual_duration or 0) / 60
        colour = ORANGE if actual > planned else BLUE
        axes.plot([planned, actual], [y, y], color=colour, linewidth=2.2, solid_capstyle="butt")
        axes.plot(planned, y, "o", markersize=5, markerfacecolor="white", markeredgecolor=INK)
        axes.plot(actual, y, "o", markersize=5, color=colour)
    down(axes, [plain(f"{row.step}  {row.do}", most=46) for row in done])
    axes.set_xlim(0, 1.03 * longest)
    below(figure, "work time, minutes: hollow planned, filled actual (orange slower, blue faster)")
    axes.grid(axis="x", color="#e4e6ea", linewidth=0.6)
    label = "Planned and actual work time of each step"
    return svg(figure, f"steps-{part}", f"{label}, part {part + 1}" if part else label)


def ranges(one: Excursion) -> str:
    """Draw the projected ingress through the day: range and median, paper, pro rata, what happened."""
    assert one.judgement is not None
    assert one.inside is not None
    moments = one.judgement.moments
    at = [m.at / 3600 for m in moments]
    figure, axes = empty_figure(3.6)
    low, high = [m.p10 / 3600 for m in moments], [m.p90 / 3600 for m in moments]
    axes.fill_between(at, low, high, color=BLUE, alpha=0.22, linewidth=0, label="80 % range")
    axes.plot(at, [m.p50 / 3600 for m in moments], color=BLUE, linewidth=1.8, label="median")
    axes.plot(at, [m.paper / 3600 for m in moments], color=GREY, linestyle=":", label="paper")
    axes.plot(at, [m.pro_rata / 3600 for m in moments], color=GREY, linestyle="--", label="pro rata")
    axes.axhline(one.inside / 3600, color=INK, linewidth=1.2, label="inside, actual")
    axes.axhline(one.limit / 3600, color=ORANGE, linewidth=1.2, linestyle="-.", label="limit")
    axes.set_xlabel("PET")
    axes.set_ylabel("projected ingress, PET")
    _hours(axes, along="x")
    _hours(axes, along="y")
    figure.legend(frameon=False, ncols=6, loc="outside lower center")
    return svg(figure, "ranges", "Projected ingress through the excursion and the actual one")


def consumables(stores: Sequence[Consumed]) -> str:
    """Draw what was used of each store as a share of what it held, beside the plan and the reserve."""
    figure, axes = empty_figure(1.0 + 0.42 * len(stores))
    for y, store in enumerate(stores):
        whole = store.start if store.start > 0 else 1.0
        axes.barh(y - 0.17, 100 * store.planned / whole, height=0.3, color="#c9cdd4", label="planned")
        colour = ORANGE if store.used > store.planned else BLUE
        axes.barh(y + 0.17, 100 * store.used / whole, height=0.3, color=colour, label="used")
        reserve = 100 * (store.start - store.reserve) / whole
        axes.plot([reserve, reserve], [y - 0.4, y + 0.4], color=INK, linewidth=1.4)
    names = [plain(limit_words(f"{store.crew}.{store.consumable}"), most=40) for store in stores]
    down(axes, names)
    axes.set_xlim(left=0)
    below(
        figure, "percent of the start: grey planned, coloured used (orange more than planned), line: reserve"
    )
    return svg(figure, "consumables", "Consumables used against planned")


def pace(rows: Sequence[StepRow]) -> str:
    """Draw actual over planned time by kind of work: every step, and the whole of each kind."""
    kinds: dict[str, list[StepRow]] = {}
    for row in rows:
        if row.ratio is not None and row.ratio > 0:
            kinds.setdefault(row.work, []).append(row)
    figure, axes = empty_figure(1.0 + 0.36 * max(len(kinds), 2))
    for y, mine in enumerate(kinds.values()):
        few = mine[:: max(1, len(mine) // 400)]
        axes.plot([row.ratio or 1 for row in few], [y] * len(few), "o", color=GREY, alpha=0.45, markersize=4)
        planned = sum(row.planned_duration for row in mine)
        whole = sum(row.actual_duration or 0 for row in mine) / planned
        axes.plot(whole, y, "D", color=ORANGE if whole > 1 else BLUE, markersize=8)
    axes.axvline(1.0, color=INK, linewidth=1)
    ratio_axis(axes)
    down(axes, [plain(kind, most=30) for kind in kinds])
    below(figure, "actual over planned time: dots steps, diamond the whole kind of work")
    return svg(figure, "pace", "Pace by kind of work")


def ratio_axis(axes: Axes) -> None:
    """Write ratios on a logarithmic axis; everything must be drawn before."""
    from matplotlib.ticker import FuncFormatter, NullLocator

    axes.set_xscale("log")
    low, high = axes.get_xlim()
    axes.set_xticks(_ratio_marks(low, high), minor=False)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())


def _ratio_marks(low: float, high: float) -> list[float]:
    """Return round ratios between two, so far apart on a logarithmic axis that their labels are too."""
    marks: list[float] = []
    for mark in ROUND_RATIOS:
        apart = all(abs(math.log(mark / other)) >= 0.05 * math.log(high / low) for other in marks)
        if low <= mark <= high and apart:
            marks.append(mark)
    return sorted(marks)


def waterfall(one: Excursion) -> str:
    """Draw from the planned to the actual ingress, part by part; the axis shows where they differ."""
    parts = one.totals.waterfall
    figure, axes = empty_figure(1.0 + 0.34 * (len(parts) + 1))
    reached = [parts[0].seconds / 3600]
    # The axis begins where they differ: a bar up to an instant would have a length that means nothing.
    axes.plot([reached[0]] * 2, [-0.4, 0.4], color=GREY, linewidth=3.5, solid_capstyle="butt")
    for y, part in enumerate(parts[1:], 1):
        width = part.seconds / 3600
        axes.barh(y, width, left=reached[-1], color=ORANGE if width > 0 else BLUE)
        axes.plot([reached[-1]] * 2, [y - 1.4, y + 0.4], color=GREY, linewidth=0.7)
        reached.append(reached[-1] + width)
    end = len(parts)
    axes.plot([reached[-1]] * 2, [end - 0.4, end + 0.4], color=INK, linewidth=3.5, solid_capstyle="butt")
    labels = [*(plain(part.label, most=40) for part in parts), "sum"]
    down(axes, labels)
    margin = max(0.3 * (max(reached) - min(reached)), 1 / 60)
    axes.set_xlim(max(0.0, min(reached) - margin), max(reached) + margin / 3)
    axes.set_xlabel("PET: orange later, blue earlier")
    _hours(axes, along="x")
    return svg(figure, "waterfall", "Where the time went from planned to actual ingress")


def stores(one: Excursion) -> str:
    """Draw each store's level through the excursion: planned, believed with its band, readings, reserve."""
    from matplotlib.figure import Figure

    columns = min(3, len(one.curves))
    rows = -(-len(one.curves) // columns)
    figure = Figure(figsize=(9.0, 0.6 + 1.7 * rows), layout="constrained")
    every = figure.subplots(rows, columns, squeeze=False)
    by_name = {(store.crew, store.consumable): store for store in one.consumables}
    for axes, curve in zip(every.flat, one.curves, strict=False):
        _store(axes, one, curve, by_name[curve.crew, curve.consumable])
    for axes in list(every.flat)[len(one.curves) :]:
        axes.set_visible(False)
    below(figure, "PET: line what was left, with its 80 % band; grey planned; dots readings; dashed reserve")
    return svg(figure, "stores", "What was left of each store through the excursion")


def _store(axes: Axes, one: Excursion, curve: StoreCurve, store: Consumed) -> None:
    at = [seconds / 3600 for seconds in curve.at]
    axes.spines[["top", "right"]].set_visible(False)
    axes.fill_between(at, curve.low, curve.high, color=BLUE, alpha=0.2, linewidth=0)
    axes.plot(at, curve.planned, color=GREY, linewidth=1.2)
    axes.plot(at, curve.level, color=BLUE, linewidth=1.6)
    axes.axhline(store.reserve, color=ORANGE, linewidth=1.2, linestyle="--")
    read = [r for r in one.readings if (r.crew, r.consumable) == (curve.crew, curve.consumable)]
    axes.plot([r.at / 3600 for r in read], [r.value for r in read], "o", color=INK, markersize=3)
    title = plain(f"{limit_words(f'{curve.crew}.{curve.consumable}')}, {store.unit}", most=30)
    axes.set_title(title, fontsize="medium", parse_math=False)
    axes.set_ylim(bottom=0)
    axes.set_xlim(left=0)
    _hours(axes, along="x", most=4)
    axes.tick_params(labelsize="small")


def work_done(one: Excursion) -> str:
    """Draw planned against done work over time, crew time as value, and how far ahead it is at quarters."""
    times, planned, done = _values(one.steps, one.inside or one.end)
    figure, axes = empty_figure(3.2)
    axes.plot(times / 3600, planned / 3600, color=GREY, linewidth=1.6, label="planned")
    axes.plot(times / 3600, done / 3600, color=BLUE, linewidth=1.8, label="done")
    for quarter in (0.25, 0.5, 0.75, 1.0):
        now = quarter * (one.inside or one.end)
        earned = float(np.interp(now, times, done))
        ahead = earned_schedule(times.tolist(), planned.tolist(), earned) - now
        words = f"{abs(ahead) / 60:.0f} min {'ahead' if ahead >= 0 else 'behind'}"
        axes.plot([now / 3600], [earned / 3600], "o", color=INK, markersize=4)
        axes.annotate(
            words, (now / 3600, earned / 3600), xytext=(4, -11), textcoords="offset points", fontsize="small"
        )
    axes.set_xlabel("PET")
    axes.set_ylabel("work of planned steps, crew hours")
    axes.set_xlim(left=0)
    axes.set_ylim(bottom=0)
    _hours(axes, along="x")
    figure.legend(frameon=False, ncols=2, loc="outside lower center")
    return svg(figure, "work-done", "Planned and done work through the excursion")


def _values(rows: Sequence[StepRow], end: float) -> tuple[Array, Array, Array]:
    """Return instants, and the planned work that was to be done and was done by them, in crew seconds."""
    found = [r for r in rows if r.planned_start is not None and r.planned_finish is not None and not r.added]
    instants = {0.0, end}
    for row in found:
        instants |= {at for at in (row.planned_start, row.planned_finish) if at is not None}
        instants |= {at for at in (row.actual_start, row.actual_finish) if at is not None}
    times = np.array(sorted(instants))
    planned, done = np.zeros_like(times), np.zeros_like(times)
    for row in found:
        value = row.planned_duration * max(1, len(row.planned_crew))
        planned += value * _share(times, row.planned_start, row.planned_finish)
        if row.status == "done":
            done += value * _share(times, row.actual_start, row.actual_finish)
    return times, planned, done


def _share(times: Array, start: float | None, finish: float | None) -> Array:
    """Return how much of something is done at each instant, evenly from its start to its finish."""
    if start is None or finish is None:
        return np.zeros_like(times)
    if finish <= start:
        return (times >= finish).astype(np.float64)
    return np.clip((times - start) / (finish - start), 0.0, 1.0)


def slips(one: Excursion) -> str:
    """Draw by how much each task was done later or earlier than planned, with both instants as figures.

    What is not done has no bar: its row says how much of it is.
    """
    found = [task for task in one.totals.tasks if task.planned_finish is not None]
    must = {limit.id.partition(":")[2] for limit in one.limits if limit.kind == "task"}
    figure, axes = empty_figure(0.9 + 0.28 * max(len(found), 2))
    axes.axvline(0, color=INK, linewidth=1)
    for y, task in enumerate(found):
        planned = f"planned {format_pet(task.planned_finish)}"
        if task.done == task.steps and task.finish is not None and task.planned_finish is not None:
            late = (task.finish - task.planned_finish) / 60
            axes.barh(y, late, color=ORANGE if late > 0 else BLUE, height=0.6)
            words, colour = f"{planned}, done {format_pet(task.finish)}", INK
        else:
            words, colour = f"{planned}, {task.done} of {count(task.steps, 'step')} done", GREY
        if task.name in must:
            words, colour = f"{words}: must", ORANGE
        axes.text(
            1.01, y, words, color=colour, transform=axes.get_yaxis_transform(), va="center", fontsize="small"
        )
    down(axes, [plain(task.title or task.name, most=40) for task in found])
    below(figure, "minutes later (orange) or earlier (blue) than planned")
    return svg(figure, "slips", "By how much each task slipped")


def season_trend(every: Sequence[Excursion]) -> str:
    """Draw the pace of each excursion by zero, the median of five, and the line with its interval."""
    ratios = [ratio for _, ratio in paced(every)]
    figure, axes = empty_figure(3.0)
    at = list(range(1, len(ratios) + 1))
    axes.plot(at, ratios, "o", color=GREY, markersize=5, label="pace of an excursion")
    if len(ratios) >= 5:
        middle = [median(ratios[i - 5 : i]) for i in range(5, len(ratios) + 1)]
        axes.plot(at[4:], middle, color=BLUE, linewidth=1.6, label="median of the last five")
    line = theil_sen(at, ratios) if len(ratios) >= LEAST else None
    if line is None:
        axes.set_title(f"trend: {TOO_FEW}", loc="left", fontsize="medium")
    else:
        x, pivot = np.array([at[0], at[-1]]), float(np.median(at))
        height = line.intercept + line.slope * pivot
        axes.plot(x, line.intercept + line.slope * x, color=ORANGE, linewidth=1.4, label="trend")
        low, high = height + line.low * (x - pivot), height + line.high * (x - pivot)
        axes.fill_between(x, low, high, color=ORANGE, alpha=0.15, linewidth=0, label="where it may lie, 95 %")
    axes.axhline(1.0, color=INK, linewidth=0.8)
    _numbered(axes, len(ratios), "excursions, by their zero, as numbered in the table")
    axes.set_ylabel("actual over planned work time")
    figure.legend(frameon=False, ncols=4, loc="outside lower center")
    return svg(figure, "trend", "Pace through the season")


def _numbered(axes: Axes, many: int, words: str) -> None:
    """Give one excursion after another a place along the axis, alike in every figure."""
    from matplotlib.ticker import MaxNLocator

    axes.set_xlim(0.4, many + 0.6)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=12, integer=True))
    axes.set_xlabel(words)


def season_slips(every: Sequence[Excursion]) -> str:
    """Draw how much later or earlier than planned everybody was inside, excursion by excursion."""
    found = [one for one, _ in paced(every)]
    minutes = [(one.inside - one.planned_inside) / 60 for one in found if one.inside is not None]
    figure, axes = empty_figure(2.4)
    for at, (one, late) in enumerate(zip(found, minutes, strict=True), 1):
        colour = ORANGE if late > 0 else BLUE
        undone = any(limit.kind == "task" for limit in one.limits)
        axes.bar(at, late, facecolor="white" if undone else colour, edgecolor=colour, width=0.7)
    axes.axhline(0, color=INK, linewidth=1)
    _numbered(axes, len(found), "excursions, as numbered in the table; hollow: must work was left undone")
    axes.set_ylabel("minutes later than planned")
    return svg(figure, "season-slips", "How much later than planned everybody was inside")


def season_boxes(every: Sequence[Excursion]) -> str:
    """Draw the ratios of steps by kind of work as boxes: quartiles, and nine of ten; the widest last."""
    kinds: dict[str, list[float]] = {}
    for one in every:
        for row in one.steps:
            if row.ratio:
                kinds.setdefault(row.work, []).append(row.ratio)
    known = [(kind, quartiles(mine), mine) for kind, mine in kinds.items() if len(mine) >= LEAST_STEPS]
    known.sort(key=lambda one: one[1][2] / one[1][0])
    figure, axes = empty_figure(1.0 + 0.36 * max(len(known), 2))
    for y, (_, (low, middle, high), mine) in enumerate(known):
        least, most = np.quantile(mine, (0.05, 0.95))
        axes.plot([least, most], [y, y], color=GREY, linewidth=1.2, zorder=0.5)
        axes.barh(y, high - low, left=low, color="#c9d8ea", edgecolor=BLUE, height=0.5)
        axes.plot([middle, middle], [y - 0.25, y + 0.25], color=INK, linewidth=1.8)
    axes.axvline(1.0, color=INK, linewidth=1)
    if known:
        ratio_axis(axes)
    else:
        axes.set_title(TOO_FEW, loc="left", fontsize="medium")
    down(axes, [plain(f"{kind} ({len(mine)})", most=40) for kind, _, mine in known])
    below(figure, "actual over planned time of steps: box half of them, line nine of ten, bar the median")
    return svg(figure, "boxes", "Steps of each kind of work")


def season_forecasts(every: Sequence[Excursion]) -> str:
    """Draw whether forecasts were right: where the ends fell in them, stated chances against what came."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 3.0), layout="constrained")
    first, second = figure.subplots(1, 2)
    for axes in (first, second):
        axes.spines[["top", "right"]].set_visible(False)
    _where_ends_fell(first, [[m.pit for m in one.judgement.moments] for one in every if one.judgement])
    _stated_and_kept(second, every)
    return svg(figure, "reliability", "Whether forecasts were right")


def _where_ends_fell(axes: Axes, found: Sequence[Sequence[float]]) -> None:
    pits = [pit for mine in found for pit in mine]
    axes.set_title("share of each forecast's courses that end earlier", loc="left", fontsize="medium")
    axes.set_ylabel(f"of {len(pits)} forecasts of {count(len(found), 'excursion')}")
    if len(pits) < LEAST_IN_BIN:
        axes.set_xlabel(TOO_FEW)
        return
    counts, edges = np.histogram(pits, bins=BINS, range=(0.0, 1.0))
    axes.bar(edges[:-1], counts, width=1 / BINS, align="edge", color="#c9d8ea", edgecolor=BLUE)
    # The forecasts of one excursion share its end: they are counted as one.
    low, high = (bound * len(pits) / len(found) for bound in binomial_band(len(found), 1 / BINS))
    axes.axhspan(low, high, color=ORANGE, alpha=0.15, linewidth=0)
    axes.set_xlabel("even is right; by chance 95 of 100 bars end in the band")


def _stated_and_kept(axes: Axes, every: Sequence[Excursion]) -> None:
    axes.set_title("stated chance of being in time, and share that was", loc="left", fontsize="medium")
    found = reliability(every)
    axes.plot([0, 100], [0, 100], color=INK, linewidth=0.8)
    for one in found:
        axes.plot([100 * one.stated] * 2, [100 * one.low, 100 * one.high], color=GREY, linewidth=1.4)
        axes.plot(100 * one.stated, 100 * one.kept, "o", color=BLUE)
        beside = (100 * one.stated - 2, 100 * one.kept)
        axes.text(*beside, str(one.forecasts), ha="right", va="center", fontsize="small")
    axes.set_xlim(-3, 103)
    axes.set_ylim(-3, 103)
    axes.set_xlabel("stated, per cent; beside each how many forecasts" if found else TOO_FEW)
    axes.set_ylabel("kept, per cent; line 95 %")
