"""Fills the rows of durations, one remaining step at a time, from the state in every scenario."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from tracker.forecast import evidence
from tracker.forecast.draws import Row, normals, truncated
from tracker.forecast.pace import Belief, Layout
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.state import Scenarios

if TYPE_CHECKING:
    from tracker.forecast.durations import Ask

BIN_S = 900.0
"""The drift is a walk over stretches of the planned clock this long."""


class Painter:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(self, uuid: str, prior: PacePrior, layout: Layout, belief: Belief, drawn: Scenarios) -> None:
        self._uuid, self._prior, self._layout, self._drawn = uuid, prior, layout, drawn
        self._now_h = belief.hours
        self._size = drawn.sigma.shape[0]
        self._first_bin = math.floor(belief.hours * 3600.0 / BIN_S)
        past_middle = np.float32(belief.hours - layout.middle_h)
        self._level: list[Row] = [drawn.state[0] + drawn.state[1] * past_middle]
        self._effects: dict[tuple[tuple[str, ...], str], Row] = {}

    def paint(self, ask: Ask, row: Row) -> None:
        """Fill `row` with what remains of the step."""
        if ask.fixed:
            median, elapsed = self._fixed(ask)
            row[:] = np.float32(max(median - elapsed, 0.0))
            return
        median, noise, elapsed = ask.shape(self._prior.sigma)
        median *= math.exp(evidence.offset(self._prior, ask.crew, ((ask.work, 1.0),)))
        if elapsed > 0:
            self._beyond(ask, median, noise, elapsed, row)
        else:
            self._whole(ask, median, noise, f"step:{ask.step}", row)
        rest = ask.rest(self._prior.sigma)
        if rest is not None:
            more = np.empty_like(row)
            factor = math.exp(evidence.offset(self._prior, ask.crew, ((ask.work, 1.0),)))
            self._whole(ask, rest[0] * factor, rest[1], f"rest:{ask.step}", more)
            row += more

    @staticmethod
    def _fixed(ask: Ask) -> tuple[float, float]:
        """Return planned time and work time of a step that no crew can hurry."""
        if ask.left_s is not None:
            return ask.left_s, max(ask.worked_s - ask.left_worked_s, 0.0)
        return ask.likely, ask.worked_s if ask.begun else 0.0

    def _whole(self, ask: Ask, median: float, noise: float, key: str, row: Row) -> None:
        """Fill `row` with whole durations."""
        np.multiply(normals(self._uuid, key, self._size), self._drawn.sigma, out=row)
        if noise != 1.0:
            row *= np.float32(math.sqrt(noise))
        row += self._walk(ask.clock_s)
        row += self._effect(ask.crew, ask.work)
        np.exp(row, out=row)
        row *= np.float32(median)

    def _beyond(self, ask: Ask, median: float, noise: float, elapsed: float, row: Row) -> None:
        """Fill `row` with what remains of a step that has taken `elapsed` so far."""
        centre = (self._walk(ask.clock_s) + self._effect(ask.crew, ask.work)).astype(np.float64)
        spread = math.sqrt(noise) * self._drawn.sigma.astype(np.float64)
        if self._prior.sigma <= 0 or noise <= 0 or median <= 0:
            row[:] = np.maximum(median * np.exp(centre) - elapsed, 0.0)
            return
        lower = (math.log(elapsed / median) - centre) / spread
        own = truncated(lower, normals(self._uuid, f"step:{ask.step}", self._size))
        row[:] = np.maximum(median * np.exp(centre + spread * own) - elapsed, 0.0)

    def _walk(self, clock_s: float) -> Row:
        """Return the level at a place of the planned clock; places behind the present have the present's."""
        ahead = math.floor(clock_s / BIN_S) - self._first_bin
        while len(self._level) <= ahead:
            number = self._first_bin + len(self._level)
            before = self._now_h if len(self._level) == 1 else (number - 0.5) * BIN_S / 3600.0
            hours = np.float32((number + 0.5) * BIN_S / 3600.0 - before)
            step = normals(self._uuid, f"drift:{number}", self._size) * self._drawn.drift
            step *= np.sqrt(hours)
            step += self._drawn.state[1] * hours
            step += self._level[-1]
            self._level.append(step)
        return self._level[max(ahead, 0)]

    def _effect(self, crew: tuple[str, ...], work: str) -> Row:
        """Return crew and work effects together."""
        if (crew, work) not in self._effects:
            share = self._layout.row(crew, ((work, 1.0),), 0.0)[2:].astype(np.float32)
            row: Row = share @ self._drawn.state[2:]
            self._effects[crew, work] = row
        return self._effects[crew, work]
