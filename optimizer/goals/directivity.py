"""Goals on how the sound off the axis resembles the direct sound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Real
from optimizer.goals.base import BandGoal, join_terms
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class SimilarityGoal(BandGoal):
    """Deviation of single directions from the axis, each less a straight line of its own.

    A loudspeaker beams more the higher the frequency; a straight fall over octaves is therefore
    free, and what counts is what the direct sound does not do: dips, steps, flares.
    `curve_names` holds the axis first, then the directions.
    """

    def _differences(self, source: Curves | CurveTangents) -> list[Real]:
        axis = source.level_db(self.curve_names[0])[..., self.span]
        return [
            self._detrended(source.level_db(name)[..., self.span] - axis)
            for name in self.curve_names[1:]
        ]

    def _detrended(self, value: Real) -> Real:
        count = len(self.frequency_hz)
        if count < 3:  # a line runs through two points
            return value * 0.0
        x = np.log2(self.frequency_hz)
        x -= x.mean()
        slope = (value @ x) / (x @ x)
        level = value @ np.full(count, 1.0 / count)
        return np.asarray(value - level[..., None] - slope[..., None] * x)

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return join_terms(self._differences(curves)) * self.scale

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        return join_terms(self._differences(tangents)) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        parts = self._differences(curves)
        worst = int(np.argmax([np.abs(p).max() for p in parts]))
        at = int(np.argmax(np.abs(parts[worst])))
        return (
            f"worst {self.curve_names[1 + worst]}: {parts[worst][at]:+.1f} dB at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')} against the axis"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MonotonyGoal(BandGoal):
    """How far a directivity index falls back below a value it had at a lower frequency.

    `curve_names` holds the curve in front and the curve subtracted.
    """

    def _index_db(self, source: Curves | CurveTangents) -> Real:
        first, second = self.curve_names
        return source.level_db(first)[..., self.span] - source.level_db(second)[..., self.span]

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        value = self._index_db(curves)
        return np.asarray((np.maximum.accumulate(value, axis=-1) - value) * self.scale)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        value = self._index_db(curves)
        peak = np.maximum.accumulate(value, axis=-1)
        # Index of the point that holds the running maximum.
        holder = np.maximum.accumulate(
            np.where(value >= peak, np.arange(value.shape[-1]), 0), axis=-1
        )
        slope = self._index_db(tangents)
        return np.asarray(
            (np.take_along_axis(slope, holder[:, None, :], axis=-1) - slope) * self.scale
        )

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        fallen = self.residuals(curves) / self.scale
        at = int(np.argmax(fallen))
        if fallen[at] < 0.05:
            return "the index never falls"
        return (
            f"falls back by {fallen[at]:.1f} dB at {format_quantity(self.frequency_hz[at], 'Hz')}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LobeSymmetryGoal(BandGoal):
    """Difference between sound upwards and downwards at the same angle.

    Away from a crossover one driver alone plays and both are alike; where two drivers overlap,
    a tilted lobe shows as a difference. `curve_names` holds pairs, up before down.
    """

    def _differences(self, source: Curves | CurveTangents) -> list[Real]:
        names = self.curve_names
        return [
            source.level_db(up)[..., self.span] - source.level_db(down)[..., self.span]
            for up, down in zip(names[::2], names[1::2], strict=True)
        ]

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return join_terms(self._differences(curves)) * self.scale

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        return join_terms(self._differences(tangents)) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        parts = self._differences(curves)
        worst = int(np.argmax([np.abs(p).max() for p in parts]))
        at = int(np.argmax(np.abs(parts[worst])))
        return (
            f"{self.curve_names[2 * worst]} is {parts[worst][at]:+.1f} dB against "
            f"{self.curve_names[2 * worst + 1]}, at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LobeDepthGoal(BandGoal):
    """How far near vertical directions fall below the axis, beyond what is allowed.

    `curve_names` holds the axis first, then the directions.

    Parameters
    ----------
    allowed_db : float
        A fall that does not count.
    """

    allowed_db: float

    def _falls(self, source: Curves | CurveTangents) -> list[Real]:
        axis = source.level_db(self.curve_names[0])[..., self.span]
        return [axis - source.level_db(name)[..., self.span] for name in self.curve_names[1:]]

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        falls = join_terms(self._falls(curves))
        return np.asarray(np.maximum(falls - self.allowed_db, 0.0) * self.scale)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        counts = join_terms(self._falls(curves)) > self.allowed_db
        return np.asarray(join_terms(self._falls(tangents)) * counts[:, None, :] * self.scale)

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        falls = self._falls(curves)
        worst = int(np.argmax([f.max() for f in falls]))
        at = int(np.argmax(falls[worst]))
        return (
            f"deepest {self.curve_names[1 + worst]}: {-falls[worst][at]:+.1f} dB re axis at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')}"
        )
