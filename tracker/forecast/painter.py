"""Fills the rows of durations, one remaining step at a time, from the state in every scenario."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tracker.forecast import evidence
from tracker.forecast.ask import Ask
from tracker.forecast.draws import Row, running_on, truncated
from tracker.forecast.noise import noise_of
from tracker.forecast.pace import Belief, Layout
from tracker.forecast.pace_file import PacePrior
from tracker.forecast.state import Scenarios

_Who = tuple[tuple[str, ...], str]
"""A crew and a kind of work."""

BIN_S = 900.0
"""The drift is a walk over stretches of the planned clock this long."""
SURE = 1000.0
"""So many steps behind the noise of a pace file, and it is taken at its word also where a step runs on."""


class _Effect(NamedTuple):
    """What crew and work make of a step's time."""

    log: Row
    factor: Row
    usual: float
    """The factor that the prior expects of them."""


class Painter:
    """Fills the rows of durations; shares what steps have in common."""

    def __init__(self, uuid: str, prior: PacePrior, layout: Layout, belief: Belief, drawn: Scenarios) -> None:
        self._noise = noise_of(uuid, drawn.sigma)
        self._normals = self._noise.normals
        self._prior, self._layout, self._drawn = prior, layout, drawn
        self._now_h = belief.hours
        self._first_bin = math.floor(belief.hours * 3600.0 / BIN_S)
        past_middle = np.float32(belief.hours - layout.middle_h)
        self._level: list[Row] = [drawn.state[0] + drawn.state[1] * past_middle]
        self._stretches: dict[float, tuple[Row, Row]] = {}
        self._effects: dict[_Who, _Effect] = {}
        self._factors: dict[int, Row] = {}

    def fill(self, asks: Sequence[Ask], wanted: Sequence[int], rows: NDArray[np.float32]) -> None:
        """Fill each wanted row with what remains of its step.

        Steps with the same level and effects come together: their product is made once and stays close by.
        """
        alike: dict[tuple[int, tuple[str, ...], str], list[int]] = {}
        for i in wanted:
            ask = asks[i]
            ahead = max(int(ask.clock_s // BIN_S) - self._first_bin, 0)
            alike.setdefault((ahead, ask.crew, ask.work), []).append(i)
        pace = np.empty(self._drawn.sigma.shape[0], dtype=np.float32)
        for (ahead, _, _), places in alike.items():
            effect = self._effect(asks[places[0]])
            np.multiply(self._factor(ahead), effect.factor, pace)
            for i in places:
                self._paint(asks[i], ahead, effect, pace, rows[i])

    def _paint(self, ask: Ask, ahead: int, effect: _Effect, pace: Row, row: Row) -> None:
        """Fill `row` with what remains of the step; `pace` is what its level and effects come to."""
        if ask.fixed:
            median, elapsed = self._fixed(ask)
            row[:] = np.float32(max(median - elapsed, 0.0))
            return
        if ask.all_counted:
            row[:] = 0.0
            return
        median, noise, elapsed = ask.shape(self._prior.sigma)
        median *= effect.usual
        if elapsed > 0:
            self._beyond(f"step:{ask.step}", self._walk(ahead) + effect.log, (median, noise, elapsed), row)
        else:
            self._noise.fill(f"step:{ask.step}", (median, noise), pace, row)
        if ask.counted and (rest := ask.rest(self._prior.sigma)) is not None:
            more = np.empty_like(row)
            self._noise.fill(f"rest:{ask.step}", (rest[0] * effect.usual, rest[1]), pace, more)
            row += more

    @staticmethod
    def _fixed(ask: Ask) -> tuple[float, float]:
        """Return planned time and work time of a step that no crew can hurry."""
        if ask.left_s is not None:
            return ask.left_s, max(ask.worked_s - ask.left_worked_s, 0.0)
        return ask.likely, ask.worked_s if ask.begun else 0.0

    def _beyond(self, key: str, centre: Row, shape: tuple[float, float, float], row: Row) -> None:
        """Fill `row` with what remains of a step; `shape`: median, noise, what it has taken so far."""
        median, noise, elapsed = shape
        middle = centre.astype(np.float64)
        spread = math.sqrt(noise) * self._drawn.sigma.astype(np.float64)
        if self._prior.sigma <= 0 or noise <= 0 or median <= 0:
            row[:] = np.maximum(median * np.exp(middle) - elapsed, 0.0)
            return
        lower = (math.log(elapsed / median) - middle) / spread
        longer = truncated if self._prior.sigma_weight >= SURE else running_on
        own = longer(lower, self._normals.above(key))
        row[:] = np.maximum(median * np.exp(middle + spread * own) - elapsed, 0.0)

    def _walk(self, ahead: int) -> Row:
        """Return the level so many stretches of the planned clock ahead.

        Places behind the present have the level of the present, none ahead.
        """
        while len(self._level) <= ahead:
            number = self._first_bin + len(self._level)
            before = self._now_h if len(self._level) == 1 else (number - 0.5) * BIN_S / 3600.0
            walk, slope = self._stretch((number + 0.5) * BIN_S / 3600.0 - before)
            step = self._normals(f"drift:{number}") * walk
            step += slope
            step += self._level[-1]
            self._level.append(step)
        return self._level[ahead]

    def _factor(self, ahead: int) -> Row:
        """Return what the level so far ahead makes of every time."""
        if ahead not in self._factors:
            self._factors[ahead] = np.exp(self._walk(ahead))
        return self._factors[ahead]

    def _stretch(self, hours: float) -> tuple[Row, Row]:
        """Return spread and mean of the walk over so long a stretch; all but the first are alike."""
        key = round(hours, 9)
        if key not in self._stretches:
            walk = self._drawn.drift * np.sqrt(np.float32(hours))
            self._stretches[key] = walk, self._drawn.state[1] * np.float32(hours)
        return self._stretches[key]

    def _effect(self, ask: Ask) -> _Effect:
        """Return crew and work effects together."""
        who = ask.crew, ask.work
        if who not in self._effects:
            work = ((ask.work, 1.0),)
            share = self._layout.row(ask.crew, work, 0.0)[2:].astype(np.float32)
            usual = math.exp(evidence.offset(self._prior, ask.crew, work))
            log = np.einsum("i,ij->j", share, self._drawn.state[2:])
            self._effects[who] = _Effect(log, np.exp(log), usual)
        return self._effects[who]
