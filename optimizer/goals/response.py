"""Goals on the shape of a curve: a named curve, or a difference of two, against a straight line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.goals.base import BandGoal, Goal, span_of


@dataclass(frozen=True, slots=True, kw_only=True)
class LineGoal:
    """Deviation of a curve from a straight line in dB over octaves.

    Parameters
    ----------
    name : str
        Name of the goal.
    curve_names : tuple of str
        One curve, or two: the first minus the second (a directivity index).
    index : ndarray of int, shape (N,)
        Grid points of the band.
    octaves : ndarray, shape (N,)
        log2 of frequency over 1 kHz at those points.
    weight : float
        Cost of one dB rms.
    tilt_db_per_octave : float or None
        Slope of the line; None fits it.
    level_db : tuple of float or None
        Limits of the line's level at 1 kHz; None leaves it free.
    shelf : tuple of float or None
        (dB, Hz): a smooth step of the target below a frequency.
    scale : float
        1/sqrt(number of points that the mean runs over).
    """

    name: str
    curve_names: tuple[str, ...]
    index: Index
    octaves: Real
    weight: float
    tilt_db_per_octave: float | None
    level_db: tuple[float, float] | None
    scale: float
    shelf: tuple[float, float] | None = None
    unit: str = "dB rms"
    hard: bool = False

    def _curve(self, source: Curves | CurveTangents) -> Real:
        value = source.level_db(self.curve_names[0])[..., self.span]
        if len(self.curve_names) == 2:
            value = value - source.level_db(self.curve_names[1])[..., self.span]
        return value

    def _departure(self, curves: Curves) -> Real:
        """Curve less the fixed shape of its target."""
        value = self._curve(curves)
        return value if self.shelf is None else value - self._shape_db(self.octaves)

    def _shape_db(self, octaves: Real) -> Real:
        assert self.shelf is not None
        depth_db, middle_hz = self.shelf
        return np.asarray(depth_db / (1.0 + (1000.0 / middle_hz * 2.0**octaves) ** 2))

    def target_db(self, curves: Curves, frequency_hz: Real) -> Real:
        """Level of the target that fits one network best, shape (F,)."""
        octaves = np.log2(frequency_hz / 1000.0)
        level, slope = self.line(curves)
        target = level + slope * octaves
        return np.asarray(target if self.shelf is None else target + self._shape_db(octaves))

    def line(self, curves: Curves) -> tuple[Real, Real]:
        """Level at 1 kHz and slope of the target line that fits best.

        Returns
        -------
        level_db, slope_db_per_octave : ndarray, shape (...)
        """
        return self._fit(self._departure(curves))

    @property
    def span(self) -> slice:
        """The band as a slice of the grid: a view where an index would copy."""
        return span_of(self.index)

    def _fit(self, value: Real) -> tuple[Real, Real]:
        x = self.octaves
        count = len(x)
        if self.tilt_db_per_octave is None:
            centred = x - x.mean()
            slope = (value @ centred) / (centred @ centred)
        else:
            slope = np.asarray(self.tilt_db_per_octave)
        level = value @ np.full(count, 1.0 / count) - slope * x.mean()
        if self.level_db is not None:
            wanted, level = level, np.clip(level, *self.level_db)
            if self.tilt_db_per_octave is None:
                # On a limit the best slope is the one for that level.
                refitted = ((value - level[..., None]) @ x) / (x @ x)
                slope = np.where(level == wanted, slope, refitted)
        return level, slope

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        value = self._departure(curves)
        if len(self.octaves) < 3:  # a part of the grid may hold next to nothing of a narrow band
            return value * 0.0
        level, slope = self._fit(value)
        if slope.ndim == 0:
            out: Real = value - (slope * self.octaves)
        else:
            out = value - slope[..., None] * self.octaves
        out -= level[..., None]
        out *= self.scale
        return out

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        slope = self._curve(tangents)
        if len(self.octaves) < 3:
            return slope * 0.0
        x = self.octaves
        centred = x - x.mean()
        moved = slope - slope.mean(axis=-1, keepdims=True)
        if self.tilt_db_per_octave is None:
            moved -= ((slope @ centred) / (centred @ centred))[..., None] * centred
        if self.level_db is not None:
            # A level that rests on a limit does not move with the curve.
            level, _ = self._fit(self._departure(curves))
            resting = (level <= self.level_db[0]) | (level >= self.level_db[1])
            held = slope
            if self.tilt_db_per_octave is None:
                held = slope - ((slope @ x) / (x @ x))[..., None] * x
            moved = np.where(resting[:, None, None], held, moved)
        return np.asarray(moved * self.scale)

    def thinned(self, index: Index, *, bound: bool) -> Goal:
        """See `Goal.thinned`."""
        chosen = np.isin(self.index, index)
        kept = int(np.count_nonzero(chosen))
        return replace(
            self,
            index=np.searchsorted(index, self.index[chosen]),
            octaves=self.octaves[chosen],
            scale=self.scale if bound else 1.0 / np.sqrt(max(1, kept)),
        )

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        deviation = self.residuals(curves) / self.scale
        at = int(np.argmax(np.abs(deviation)))
        hz = 1000.0 * 2.0 ** self.octaves[at]
        level, slope = self.line(curves)
        line = f"line {float(level):.1f} dB at 1 kHz, {float(slope):+.2f} dB/octave"
        return f"worst {deviation[at]:+.1f} dB at {hz:.0f} Hz; {line}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityGoal(BandGoal):
    """Shortfall of the mean level on the axis below a floor, in dB.

    Parameters
    ----------
    floor_db : float
        Smallest mean level at 1 m for 2.83 V.
    silent : bool
        True for a lower bound on a part of the grid: a part says nothing of the mean.
    """

    floor_db: float
    silent: bool = False

    def thinned(self, index: Index, *, bound: bool) -> SensitivityGoal:
        """See `Goal.thinned`."""
        thin = BandGoal.thinned(self, index, bound=bound)
        return replace(thin, scale=1.0, silent=bound or not len(thin.index))

    def _mean(self, source: Curves | CurveTangents) -> Real:
        count = len(self.frequency_hz)
        return np.asarray(
            source.level_db("on_axis")[..., self.span] @ np.full((count, 1), 1.0 / count)
        )

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        if self.silent:
            return np.zeros(1)
        return np.maximum(self.floor_db - self._mean(curves), 0.0)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        if self.silent:
            return np.zeros((curves.admittance.shape[0], tangents.columns, 1))
        below = self._mean(curves) < self.floor_db
        return np.asarray(-self._mean(tangents) * below[:, None, :])

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        return f"mean {float(self._mean(curves)[0]):.1f} dB, floor {self.floor_db:g} dB"
