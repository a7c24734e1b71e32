"""The figures of several excursions: how the pace goes, slips, kinds of work, whether forecasts were right.

Where there is too little to say anything, the figure says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from tracker.debrief.excursion import Excursion
from tracker.debrief.figures import BLUE, GREY, INK, ORANGE, below, down, empty_figure, ratio_axis, svg
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
from tracker.foundation.text import count, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEAST_STEPS = 8
"""A kind of work with fewer steps gets no box."""
BINS = 10


def trend(every: Sequence[Excursion]) -> str:
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
    axes.set_xlabel("excursions, by their zero, as numbered in the table")
    axes.set_ylabel("actual over planned work time")
    figure.legend(frameon=False, ncols=4, loc="outside lower center")
    return svg(figure, "trend", "Pace through the season")


def slips(every: Sequence[Excursion]) -> str:
    """Draw how much later or earlier than planned everybody was inside, excursion by excursion."""
    found = [one for one, _ in paced(every)]
    minutes = [(one.inside - one.planned_inside) / 60 for one in found if one.inside is not None]
    figure, axes = empty_figure(2.4)
    for at, (one, late) in enumerate(zip(found, minutes, strict=True), 1):
        colour = ORANGE if late > 0 else BLUE
        undone = any(limit.kind == "task" for limit in one.limits)
        axes.bar(at, late, facecolor="white" if undone else colour, edgecolor=colour, width=0.7)
    axes.axhline(0, color=INK, linewidth=1)
    axes.set_xlabel("excursions, as numbered in the table; hollow: must work was left undone")
    axes.set_ylabel("minutes later than planned")
    return svg(figure, "season-slips", "How much later than planned everybody was inside")


def boxes(every: Sequence[Excursion]) -> str:
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
        axes.plot([least, most], [y, y], color=GREY, linewidth=1.2)
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


def right(every: Sequence[Excursion]) -> str:
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
