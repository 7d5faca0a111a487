"""Goals on how neighbouring ways meet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import reduce
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from optimizer.acoustics.channels import (
    DEGREES,
    drive_db_slope,
    way_level_db,
    way_phase_difference_rad,
    way_phase_difference_slope,
)
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Flags, Index, Real
from optimizer.errors import Subject
from optimizer.goals.goal import BandGoal, GridGoal, Prepared
from optimizer.goals.options import band_option, hard_option, option, weight_option
from optimizer.goals.prepared import CrossoverRange, Scene, join_terms
from optimizer.text.units import say_hz

_Scalar = TypeVar("_Scalar", bound=np.generic)

DEEPEST_NULL_DB = 60.0
"""A deeper null than this cannot be measured in a room and is not asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedPairs(Prepared):
    """A goal on neighbouring ways.

    Parameters
    ----------
    pairs : tuple of (int, int)
        Neighbouring ways, lower first.
    ways : tuple of str
        Names, for reports.
    silent : bool
        True for a lower bound on a part of the grid, where a crossing cannot be found.
    """

    pairs: tuple[tuple[int, int], ...]
    ways: tuple[str, ...]
    silent: bool = False


class PairGoal(BandGoal, family="crossover", hears=True):
    """A goal on each pair of neighbouring ways, as they sound on the axis."""

    curves = ("on_axis",)
    band_hz: tuple[float, float] = band_option(100.0, 10000.0)

    def prepare(self, scene: Scene) -> PreparedPairs:
        """See `GridGoal.prepare`."""
        pairs = scene.neighbours()
        if not pairs:
            raise self.refuse(
                "the goal needs at least two ways",
                value=len(scene.ways),
                remedy="remove the goal",
            )
        return PreparedPairs(
            **self.place(scene, self.curves, len(pairs)), pairs=pairs, ways=scene.way_names
        )


class PhaseTracking(
    PairGoal,
    name="phase_tracking",
    unit="deg rms",
    sells="of phase between the ways",
    buys="closer phase between the ways",
):
    """Phase between neighbouring ways where both are heard.

    In-phase ways add fully and keep the lobe level.

    Notes
    -----
    A pair counts fully where both ways are as loud as the loudest, less and less below that, and
    not at all where one is `overlap_db` down: so the figure has no steps.
    """

    overlap_db: float = option(
        "overlap",
        "a way this far below the loudest no longer counts",
        default=12.0,
        unit="dB",
        least=1.0,
    )
    weight: float = weight_option(0.02)

    def _overlaps(self, on: PreparedPairs, curves: Curves) -> list[Real]:
        """How far each pair counts, 0 to 1, shape (..., N) each."""
        levels = [way_level_db(curves, w)[..., on.span] for w in range(curves.field.ways)]
        loudest = reduce(np.maximum, levels)
        return [
            np.clip(
                1.0 - (loudest - np.minimum(levels[first], levels[second])) / self.overlap_db,
                0.0,
                1.0,
            )
            for first, second in on.pairs
        ]

    def _terms(self, on: PreparedPairs, curves: Curves) -> list[Real]:
        return [
            overlap * self._phase(on, curves, pair)
            for overlap, pair in zip(self._overlaps(on, curves), on.pairs, strict=True)
        ]

    def _phase(self, on: PreparedPairs, curves: Curves, pair: tuple[int, int]) -> Real:
        return np.asarray(DEGREES * way_phase_difference_rad(curves, *pair)[..., on.span])

    def residuals(self, on: PreparedPairs, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return join_terms(self._terms(on, curves)) * on.scale

    def tangents(self, on: PreparedPairs, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        ways = range(curves.field.ways)
        levels = [way_level_db(curves, w)[..., on.span] for w in ways]
        slopes = [drive_db_slope(tangents, w)[..., on.span] for w in ways]
        loudest, above = slopes[0], levels[0]
        for level, slope in zip(levels[1:], slopes[1:], strict=True):
            loudest = np.where((level > above)[:, None], slope, loudest)
            above = np.maximum(level, above)
        terms = []
        for (first, second), overlap in zip(on.pairs, self._overlaps(on, curves), strict=True):
            lower = np.where(
                (levels[first] <= levels[second])[:, None], slopes[first], slopes[second]
            )
            moving = ((overlap > 0.0) & (overlap < 1.0))[:, None]
            d_overlap = np.where(moving, (lower - loudest) / self.overlap_db, 0.0)
            d_phase = DEGREES * way_phase_difference_slope(tangents, first, second)[..., on.span]
            terms.append(
                overlap[:, None] * d_phase
                + d_overlap * self._phase(on, curves, (first, second))[:, None]
            )
        return join_terms(terms) * on.scale

    def describe(self, on: PreparedPairs, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        terms = self._terms(on, curves)
        worst = int(np.argmax([np.abs(t).max() for t in terms]))
        at = int(np.argmax(np.abs(terms[worst])))
        first, second = on.pairs[worst]
        phase = float(self._phase(on, curves, on.pairs[worst])[at])
        return (
            f"{on.ways[second]} and {on.ways[first]} are {abs(phase):.0f} degrees apart at "
            f"{say_hz(on.frequency_hz[at])}"
        )


class InvertedNull(
    PairGoal,
    name="inverted_null",
    unit="dB short",
    sells="of depth of the inverted null",
    buys="deeper with one way turned round",
):
    """Depth of the null when one of two neighbouring ways is turned round.

    A deep null proves that they add in phase, and is easy to measure.

    Notes
    -----
    At the frequency where both are equally loud the sum over the difference is
    1 / |tan(phase / 2)|: in-phase ways null completely, ways 90 degrees apart not at all. The
    phase is interpolated at that frequency, so the figure does not depend on the grid.
    """

    wanted_db: float = option(
        "depth", "depth of the null that is asked for", default=20.0, unit="dB", least=0.0
    )
    weight: float = weight_option(0.05)

    def prepare(self, scene: Scene) -> PreparedPairs:
        """See `GridGoal.prepare`; each pair has one null, so the mean runs over pairs."""
        prepared = super().prepare(scene)
        return replace(prepared, scale=1.0 / np.sqrt(len(prepared.pairs)))

    def thin(self, on: PreparedPairs, index: Index, *, bound: bool) -> PreparedPairs:
        """See `GridGoal.thin`: a part of the grid gives no bound but 0."""
        thin: PreparedPairs = super().thin(on, index, bound=bound)
        return replace(thin, scale=on.scale, silent=bound or len(thin.index) < 2)

    def _crossing(self, on: PreparedPairs, curves: Curves, pair: tuple[int, int]) -> _Crossing:
        key = ("crossing", on.span.start, on.span.stop, pair)
        if key not in curves.derived:
            curves.derived[key] = _find_crossing(on, curves, pair)
        return cast(_Crossing, curves.derived[key])

    def depth_db(self, on: PreparedPairs, curves: Curves, pair: tuple[int, int]) -> Real:
        """Depth of the null of one pair in dB, 0 without a crossing, shape (...)."""
        crossing = self._crossing(on, curves, pair)
        return np.asarray(np.where(crossing.found, null_depth_db(crossing.phase_rad), 0.0))

    def residuals(self, on: PreparedPairs, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        if on.silent:
            return np.zeros(len(on.pairs))
        short = [
            np.maximum(self.wanted_db - self.depth_db(on, curves, p), 0.0)[..., None]
            for p in on.pairs
        ]
        return join_terms(short) * on.scale

    def tangents(self, on: PreparedPairs, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        p, s = curves.admittance.shape[0], tangents.columns
        if on.silent:
            return np.zeros((p, s, len(on.pairs)))
        terms = []
        for pair in on.pairs:
            c, depth = self._crossing(on, curves, pair), self.depth_db(on, curves, pair)
            counts = c.found & (depth < self.wanted_db) & (depth < DEEPEST_NULL_DB)
            level = (drive_db_slope(tangents, pair[0]) - drive_db_slope(tangents, pair[1]))[
                ..., on.span
            ]
            phase = way_phase_difference_slope(tangents, *pair)[..., on.span]
            every = np.arange(p)
            here, there = level[every, :, c.at], level[every, :, c.at + 1]
            # t = x / (x - y), so dt = (x dy - y dx) / (x - y)^2
            d_share = (c.here[:, None] * there - c.there[:, None] * here) / c.gap[:, None] ** 2
            d_phase = (
                (1.0 - c.share)[:, None] * phase[every, :, c.at]
                + c.share[:, None] * phase[every, :, c.at + 1]
                + c.step_rad[:, None] * d_share
            )
            # d(-20 log10|tan(phi/2)|) = -(20/ln 10) dphi / sin(phi)
            sine = np.where(counts, np.sin(c.phase_rad), 1.0)
            lever = np.where(counts, 20.0 / np.log(10.0) / sine, 0.0)
            terms.append((lever[:, None] * d_phase)[..., None])
        return join_terms(terms) * on.scale

    def describe(self, on: PreparedPairs, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        said = [
            f"{on.ways[second]} against {on.ways[first]} "
            f"{float(self.depth_db(on, curves, (first, second))):.0f} dB"
            for first, second in on.pairs
        ]
        return f"depth with one way turned round: {', '.join(said)}"


def null_depth_db(phase_rad: Real) -> Real:
    """Sum over difference of two equally loud ways, in dB, from the phase between them.

    Notes
    -----
    1 / |tan(phase / 2)|, `DEEPEST_NULL_DB` at most: in-phase ways null completely, ways 90 degrees
    apart not at all.
    """
    least = 10.0 ** (-DEEPEST_NULL_DB / 20.0)
    return np.asarray(-20.0 * np.log10(np.maximum(np.abs(np.tan(0.5 * phase_rad)), least)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Crossing:
    """Where two levels meet, between points `at` and `at` + 1; each field of shape (...)."""

    at: Index
    found: Flags
    here: Real
    there: Real
    gap: Real
    share: Real
    step_rad: Real
    phase_rad: Real


def _find_crossing(on: PreparedPairs, curves: Curves, pair: tuple[int, int]) -> _Crossing:
    first = way_level_db(curves, pair[0])[..., on.span]
    second = way_level_db(curves, pair[1])[..., on.span]
    difference = first - second
    change = (difference[..., :-1] > 0.0) & (difference[..., 1:] <= 0.0)
    level = np.where(change, np.minimum(first, second)[..., :-1], -np.inf)
    at = np.argmax(level, axis=-1)
    found = _pick(change, at)
    here, there = _pick(difference, at), _pick(difference, at + 1)
    gap = np.where(found, here - there, 1.0)
    share = np.where(found, here / gap, 0.0)
    phase = way_phase_difference_rad(curves, *pair)[..., on.span]
    start = _pick(phase, at)
    step = _pick(phase, at + 1) - start
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


def _pick(values: NDArray[_Scalar], at: Index) -> NDArray[_Scalar]:
    """Take one value along the last axis for each member, shape (...).

    `numpy.take_along_axis` does it with six times the overhead, and this is asked very often.
    """
    points = values.shape[-1]
    flat = np.broadcast_to(values, (*at.shape, points)).reshape(-1, points)
    return flat[np.arange(len(flat)), at.ravel()].reshape(at.shape)


INSIDE_OCTAVES = 1.0 / 24.0
"""A crossover is asked to lie this far inside its range: what a measurement resolves there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedMeetings(Prepared):
    """Ranges of crossovers.

    Parameters
    ----------
    pairs : tuple of (int, int)
        Ways that meet, lower first; one row for each end of a range.
    side : ndarray, shape (number of rows, N)
        +1 times the scale where the lower way has to be the louder one, -1 times it where the upper
        way has to, 0 elsewhere.
    ranges : tuple of CrossoverRange
        For reports.
    ways : tuple of str
        Names, for reports.
    """

    pairs: tuple[tuple[int, int], ...]
    side: Real
    ranges: tuple[CrossoverRange, ...]
    ways: tuple[str, ...]


class Crossing(
    GridGoal,
    name="crossing",
    family="crossover",
    unit="dB rms over",
    sells="more of crossovers outside their ranges",
    buys="crossovers further inside their ranges",
):
    """Where neighbouring ways meet, against the range that is stated for it.

    Below its range the lower way has to be the louder one, above it the upper way. Without a stated
    range the limits of both drivers give it.

    Notes
    -----
    Root of the sum, over the ends of all ranges, of the mean square over the octave outside that
    end of what the wrong way is the louder by. The ends lie `INSIDE_OCTAVES` within the range.
    """

    curves = ("on_axis",)
    hard: bool = hard_option(what="range")
    weight: float = weight_option(1.0)

    def prepare(self, scene: Scene) -> PreparedMeetings:
        """See `GridGoal.prepare`."""
        f = scene.frequency_hz
        names = scene.way_names
        ranges = tuple(r for r in scene.meetings() if (r.low_hz, r.high_hz) != (None, None))
        rows = [
            ((names.index(r.lower), names.index(r.upper)), side)
            for r in ranges
            for side in _sides(f, r)
            if side.any()
        ]
        if not rows:
            raise self.refuse(
                "the goal needs a range in which two ways may meet",
                remedy="state where they may meet, or a lowest or highest frequency of a driver",
                by_stating=(Subject("driver", part="lowest frequency"),),
            )
        used = np.flatnonzero(np.any([side != 0.0 for _, side in rows], axis=0))
        index = np.arange(used[0], used[-1] + 1)
        return PreparedMeetings(
            goal=self,
            name=self.name,
            index=index,
            frequency_hz=f[index],
            scale=1.0,
            curve_names=self.curves,
            pairs=tuple(pair for pair, _ in rows),
            side=np.array([side[index] for _, side in rows]),
            ranges=ranges,
            ways=names,
        )

    def thin(self, on: PreparedMeetings, index: Index, *, bound: bool) -> PreparedMeetings:
        """See `GridGoal.thin`."""
        thin: PreparedMeetings = super().thin(on, index, bound=bound)
        side = np.ascontiguousarray(on.side[:, np.isin(on.index, index)])
        if not bound:
            before, after = np.count_nonzero(on.side, axis=1), np.count_nonzero(side, axis=1)
            side *= np.sqrt(before / np.maximum(after, 1))[:, None]
        return replace(thin, scale=1.0, side=side)

    def _wrong_db(self, on: PreparedMeetings, curves: Curves) -> list[Real]:
        """By how much the wrong way is the louder one, times the scale; negative where none is."""
        return [
            (way_level_db(curves, upper) - way_level_db(curves, lower))[..., on.span] * side
            for (lower, upper), side in zip(on.pairs, on.side, strict=True)
        ]

    def residuals(self, on: PreparedMeetings, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return join_terms([np.maximum(wrong, 0.0) for wrong in self._wrong_db(on, curves)])

    def tangents(self, on: PreparedMeetings, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        terms = []
        for (lower, upper), side, wrong in zip(
            on.pairs, on.side, self._wrong_db(on, curves), strict=True
        ):
            slope = (drive_db_slope(tangents, upper) - drive_db_slope(tangents, lower))[
                ..., on.span
            ]
            terms.append(slope * side * (wrong > 0.0)[:, None])
        return join_terms(terms)

    def describe(self, on: PreparedMeetings, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        wrong = [w / max(float(np.abs(s).max()), 1e-30) for w, s in
                 zip(self._wrong_db(on, curves), on.side, strict=True)]  # fmt: skip
        worst = int(np.argmax([w.max() for w in wrong]))
        at = int(np.argmax(wrong[worst]))
        if wrong[worst][at] <= 0.0:
            return f"{len(on.ranges)} of {len(on.ranges)} ranges are kept"
        lower, upper = (on.ways[w] for w in on.pairs[worst])
        loud, soft = (upper, lower) if on.side[worst][at] > 0.0 else (lower, upper)
        return (
            f"{loud} is {wrong[worst][at]:.1f} dB louder than {soft} at "
            f"{say_hz(on.frequency_hz[at])}"
        )


def _sides(frequency_hz: Real, ends: CrossoverRange) -> Iterator[Real]:
    """Rows of `PreparedMeetings.side`: the octave below a range, and the one above it."""
    low, high = ends.low_hz, ends.high_hz
    inside = INSIDE_OCTAVES
    if low is not None and high is not None:
        inside = min(inside, 0.25 * float(np.log2(high / low)))
    for end, sign in ((low, 1.0), (high, -1.0)):
        if end is None:
            continue
        octaves = sign * (np.log2(frequency_hz / end) - sign * inside)
        counts = (octaves <= 1e-9) & (octaves >= -1.0)
        yield np.asarray(sign * counts / np.sqrt(max(1, int(np.count_nonzero(counts)))))


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedRanges(Prepared):
    """Drivers with a highest frequency.

    Parameters
    ----------
    starts : tuple of (int, int)
        Way and the first point of the band that lies above its range.
    ways : tuple of str
        Names, for reports.
    """

    starts: tuple[tuple[int, int], ...]
    ways: tuple[str, ...]


class BreakUp(
    GridGoal,
    name="break_up",
    family="crossover",
    unit="dB rms over",
    sells="more of the drivers above their ranges",
    buys="less of the drivers above their ranges",
):
    """Output of a driver above its stated highest frequency against the sum.

    It keeps resonances of the cone out of the sound.

    Notes
    -----
    All that counts lies above a driver's range, where no gate of a measurement reaches.
    """

    down_db: float = option(
        "down", "how far below the sum it must be", default=20.0, unit="dB", least=0.0
    )
    hard: bool = hard_option()
    weight: float = weight_option(0.1)

    def prepare(self, scene: Scene) -> PreparedRanges:
        """See `GridGoal.prepare`."""
        f = scene.frequency_hz
        limited = [
            (w, d.limits.highest_hz)
            for w, (_, d) in enumerate(scene.ways)
            if d.limits.highest_hz is not None and d.limits.highest_hz < f[-1]
        ]
        if not limited:
            raise self.refuse(
                "the goal needs a driver whose highest frequency is stated",
                remedy="state the highest frequency of a driver, or remove the goal",
                by_stating=(Subject("driver", part="highest frequency"),),
            )
        index = np.flatnonzero(f > min(hz for _, hz in limited))
        starts = tuple((w, int(np.count_nonzero(f[index] <= hz))) for w, hz in limited)
        points = sum(len(index) - start for _, start in starts)
        return PreparedRanges(
            goal=self,
            name=self.name,
            index=index,
            frequency_hz=f[index],
            scale=1.0 / np.sqrt(max(1, points)),
            curve_names=("on_axis",),
            starts=starts,
            ways=scene.way_names,
        )

    def thin(self, on: PreparedRanges, index: Index, *, bound: bool) -> PreparedRanges:
        """See `GridGoal.thin`."""
        thin: PreparedRanges = super().thin(on, index, bound=bound)
        first = [(w, float(on.frequency_hz[k])) for w, k in on.starts]
        return replace(
            thin, starts=tuple((w, int(np.searchsorted(thin.frequency_hz, hz))) for w, hz in first)
        )

    def _excess(self, on: PreparedRanges, curves: Curves, way: int, start: int) -> Real:
        band = on.span
        above = slice(band.start + start, band.stop)
        return np.asarray(
            way_level_db(curves, way)[..., above]
            - curves.level_db("on_axis")[..., above]
            + self.down_db
        )

    def residuals(self, on: PreparedRanges, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return (
            join_terms([np.maximum(self._excess(on, curves, *s), 0.0) for s in on.starts])
            * on.scale
        )

    def tangents(self, on: PreparedRanges, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        terms = []
        for way, start in on.starts:
            above = slice(on.span.start + start, on.span.stop)
            slope = (drive_db_slope(tangents, way) - tangents.level_db("on_axis"))[..., above]
            terms.append(slope * (self._excess(on, curves, way, start) > 0.0)[:, None])
        return join_terms(terms) * on.scale

    def describe(self, on: PreparedRanges, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        parts = [self._excess(on, curves, *s) for s in on.starts]
        worst = int(np.argmax([p.max() for p in parts]))
        way, start = on.starts[worst]
        at = int(np.argmax(parts[worst]))
        below = self.down_db - float(parts[worst][at])
        return (
            f"{on.ways[way]} is only {below:.0f} dB below the sum at "
            f"{say_hz(on.frequency_hz[start + at])}"
            if below < self.down_db
            else f"every driver is at least {self.down_db:g} dB below the sum above its range"
        )
