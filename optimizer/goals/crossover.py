"""Goals on how neighbouring ways meet."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from optimizer.acoustics.channels import (
    DEGREES,
    drive_db_slope,
    way_level_db,
    way_phase_difference_rad,
    way_phase_difference_slope,
)
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Flags, Index, Real
from optimizer.goals.base import BandGoal, join_terms
from optimizer.text.units import format_quantity

DEEPEST_NULL_DB = 60.0
"""A deeper null than this cannot be measured in a room and is not asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseTrackingGoal(BandGoal):
    """Phase between neighbouring ways where both are heard, in degrees.

    A pair counts fully where both ways are as loud as the loudest, less and less below that, and
    not at all where one is `overlap_db` down: so the figure has no steps.

    Parameters
    ----------
    pairs : tuple of (int, int)
        Neighbouring ways, lower first.
    overlap_db : float
        How far down a way is still heard.
    ways : tuple of str
        Names, for reports.
    """

    pairs: tuple[tuple[int, int], ...]
    overlap_db: float
    ways: tuple[str, ...]

    def _overlap(self, curves: Curves, pair: tuple[int, int]) -> Real:
        levels = [way_level_db(curves, w)[..., self.span] for w in range(curves.field.ways)]
        loudest = levels[0]
        for level in levels[1:]:
            loudest = np.maximum(loudest, level)
        lower = np.minimum(levels[pair[0]], levels[pair[1]])
        return np.asarray(np.clip(1.0 - (loudest - lower) / self.overlap_db, 0.0, 1.0))

    def _phase(self, curves: Curves, pair: tuple[int, int]) -> Real:
        return np.asarray(DEGREES * way_phase_difference_rad(curves, *pair)[..., self.span])

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return (
            join_terms([self._overlap(curves, p) * self._phase(curves, p) for p in self.pairs])
            * self.scale
        )

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        ways = range(curves.field.ways)
        levels = np.stack([way_level_db(curves, w)[..., self.span] for w in ways])
        slopes = np.stack([drive_db_slope(tangents, w)[..., self.span] for w in ways])
        holder = np.argmax(levels, axis=0)
        loudest = np.take_along_axis(slopes, holder[None, :, None, :], axis=0)[0]
        terms = []
        for first, second in self.pairs:
            lower = np.where(
                (levels[first] <= levels[second])[:, None], slopes[first], slopes[second]
            )
            overlap = self._overlap(curves, (first, second))
            moving = ((overlap > 0.0) & (overlap < 1.0))[:, None]
            d_overlap = np.where(moving, (lower - loudest) / self.overlap_db, 0.0)
            d_phase = DEGREES * way_phase_difference_slope(tangents, first, second)[..., self.span]
            terms.append(
                overlap[:, None] * d_phase
                + d_overlap * self._phase(curves, (first, second))[:, None]
            )
        return join_terms(terms) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        terms = [self._overlap(curves, p) * self._phase(curves, p) for p in self.pairs]
        worst = int(np.argmax([np.abs(t).max() for t in terms]))
        at = int(np.argmax(np.abs(terms[worst])))
        first, second = self.pairs[worst]
        phase = float(self._phase(curves, self.pairs[worst])[at])
        return (
            f"{self.ways[second]} and {self.ways[first]} are {abs(phase):.0f} degrees apart at "
            f"{format_quantity(self.frequency_hz[at], 'Hz')}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class InvertedNullGoal(BandGoal):
    """Shortfall of the null that appears when one of two neighbouring ways is turned round.

    At the frequency where both are equally loud the sum over the difference is
    1 / |tan(phase / 2)|: in-phase ways null completely, ways 90 degrees apart not at all. The
    phase is interpolated at that frequency, so the figure does not depend on the grid.

    Parameters
    ----------
    pairs : tuple of (int, int)
        Neighbouring ways, lower first.
    wanted_db : float
        Depth that is asked for.
    ways : tuple of str
        Names, for reports.
    silent : bool
        True for a lower bound on a part of the grid, where a crossing cannot be found.
    """

    pairs: tuple[tuple[int, int], ...]
    wanted_db: float
    ways: tuple[str, ...]
    silent: bool = False

    def thinned(self, index: Index, *, bound: bool) -> InvertedNullGoal:
        """See `Goal.thinned`: a part of the grid gives no bound but 0."""
        thin = BandGoal.thinned(self, index, bound=bound)
        return replace(thin, scale=self.scale, silent=bound or len(thin.index) < 2)

    def _crossing(self, curves: Curves, pair: tuple[int, int]) -> _Crossing:
        first = way_level_db(curves, pair[0])[..., self.span]
        second = way_level_db(curves, pair[1])[..., self.span]
        difference = first - second
        shape = np.broadcast_shapes(first.shape, second.shape)
        change = (difference[..., :-1] > 0.0) & (difference[..., 1:] <= 0.0)
        level = np.where(change, np.minimum(first, second)[..., :-1], -np.inf)
        at = np.argmax(level, axis=-1)[..., None]
        found = np.take_along_axis(change, at, axis=-1)[..., 0]
        here = np.take_along_axis(difference, at, axis=-1)[..., 0]
        there = np.take_along_axis(difference, at + 1, axis=-1)[..., 0]
        gap = np.where(found, here - there, 1.0)
        share = np.where(found, here / gap, 0.0)
        phase = np.broadcast_to(way_phase_difference_rad(curves, *pair)[..., self.span], shape)
        start = np.take_along_axis(phase, at, axis=-1)[..., 0]
        step = np.take_along_axis(phase, at + 1, axis=-1)[..., 0] - start
        step = (step + np.pi) % (2.0 * np.pi) - np.pi
        return _Crossing(
            at=at,
            found=found,
            here=here,
            there=there,
            gap=gap,
            share=share,
            step_rad=step,
            phase_rad=start + share * step,
        )

    def depth_db(self, curves: Curves, pair: tuple[int, int]) -> Real:
        """Depth of the null of one pair in dB, 0 without a crossing, shape (...)."""
        crossing = self._crossing(curves, pair)
        ratio = np.maximum(
            np.abs(np.tan(0.5 * crossing.phase_rad)), 10.0 ** (-DEEPEST_NULL_DB / 20.0)
        )
        return np.asarray(np.where(crossing.found, -20.0 * np.log10(ratio), 0.0))

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        if self.silent:
            return np.zeros(len(self.pairs))
        short = [
            np.maximum(self.wanted_db - self.depth_db(curves, p), 0.0)[..., None]
            for p in self.pairs
        ]
        return join_terms(short) * self.scale

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        p, s = curves.admittance.shape[0], tangents.columns
        if self.silent:
            return np.zeros((p, s, len(self.pairs)))
        terms = []
        for pair in self.pairs:
            c = self._crossing(curves, pair)
            depth = self.depth_db(curves, pair)
            counts = c.found & (depth < self.wanted_db) & (depth < DEEPEST_NULL_DB)
            level = (drive_db_slope(tangents, pair[0]) - drive_db_slope(tangents, pair[1]))[
                ..., self.span
            ]
            phase = way_phase_difference_slope(tangents, *pair)[..., self.span]
            at = c.at[:, None]
            here = np.take_along_axis(level, at, axis=-1)[..., 0]
            there = np.take_along_axis(level, at + 1, axis=-1)[..., 0]
            # t = x / (x - y), so dt = (x dy - y dx) / (x - y)^2
            d_share = (c.here[:, None] * there - c.there[:, None] * here) / c.gap[:, None] ** 2
            d_phase = (
                (1.0 - c.share)[:, None] * np.take_along_axis(phase, at, axis=-1)[..., 0]
                + c.share[:, None] * np.take_along_axis(phase, at + 1, axis=-1)[..., 0]
                + c.step_rad[:, None] * d_share
            )
            # d(-20 log10|tan(phi/2)|) = -(20/ln 10) dphi / sin(phi)
            sine = np.where(counts, np.sin(c.phase_rad), 1.0)
            lever = np.where(counts, 20.0 / np.log(10.0) / sine, 0.0)
            terms.append((lever[:, None] * d_phase)[..., None])
        return join_terms(terms) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        said = [
            f"{self.ways[second]} against {self.ways[first]} "
            f"{float(self.depth_db(curves, (first, second))):.0f} dB"
            for first, second in self.pairs
        ]
        return f"depth with one way turned round: {', '.join(said)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crossing:
    """Where two levels meet, each field of shape (...); `at` keeps a last axis of one."""

    at: Index
    found: Flags
    here: Real
    there: Real
    gap: Real
    share: Real
    step_rad: Real
    phase_rad: Real


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakUpGoal(BandGoal):
    """A driver's own output above its range, as far as it is not `down_db` below the sum.

    Parameters
    ----------
    starts : tuple of (int, int)
        Way and the first point of the band that lies above its range.
    down_db : float
        How far below the sum it must be.
    ways : tuple of str
        Names, for reports.
    """

    starts: tuple[tuple[int, int], ...]
    down_db: float
    ways: tuple[str, ...]

    def thinned(self, index: Index, *, bound: bool) -> BreakUpGoal:
        """See `Goal.thinned`."""
        thin = BandGoal.thinned(self, index, bound=bound)
        first = [(w, float(self.frequency_hz[k])) for w, k in self.starts]
        return replace(
            thin, starts=tuple((w, int(np.searchsorted(thin.frequency_hz, hz))) for w, hz in first)
        )

    def _excess(self, curves: Curves, way: int, start: int) -> Real:
        band = self.span
        above = slice(band.start + start, band.stop)
        return np.asarray(
            way_level_db(curves, way)[..., above]
            - curves.level_db("on_axis")[..., above]
            + self.down_db
        )

    def residuals(self, curves: Curves) -> Real:
        """See `Goal.residuals`."""
        return (
            join_terms([np.maximum(self._excess(curves, *s), 0.0) for s in self.starts])
            * self.scale
        )

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `Goal.tangents`."""
        terms = []
        for way, start in self.starts:
            above = slice(self.span.start + start, self.span.stop)
            slope = (drive_db_slope(tangents, way) - tangents.level_db("on_axis"))[..., above]
            terms.append(slope * (self._excess(curves, way, start) > 0.0)[:, None])
        return join_terms(terms) * self.scale

    def describe(self, curves: Curves) -> str:
        """See `Goal.describe`."""
        parts = [self._excess(curves, *s) for s in self.starts]
        worst = int(np.argmax([p.max() for p in parts]))
        way, start = self.starts[worst]
        at = int(np.argmax(parts[worst]))
        below = self.down_db - float(parts[worst][at])
        return (
            f"{self.ways[way]} is only {below:.0f} dB below the sum at "
            f"{format_quantity(self.frequency_hz[start + at], 'Hz')}"
            if below < self.down_db
            else f"every driver is at least {self.down_db:g} dB below the sum above its range"
        )
