"""Wishes as goals: the curve wanted is the present one plus the wished change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Flags, Index, Real
from optimizer.bench.voice.wishes import LARGEST_DB, Band, Wish
from optimizer.errors import InputError, Subject
from optimizer.goals import Impedance, Prepared, PreparedGoal
from optimizer.goals.prepared import join_terms, span_of
from optimizer.problem.candidate import Candidate
from optimizer.problem.problem import Problem
from optimizer.text.units import say_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveLimits:
    """How far what is not wished may move.

    Parameters
    ----------
    hold_db : float
        Every point outside the wished bands, relative to the common level.
    level_db : float
        The common level of everything, unless it is wished for.
    directivity_db : float
        Directivity index.
    impedance : float
        Share of the lowest present impedance that must be left.
    band_hz : tuple of float
        Band in which curves are held.
    """

    hold_db: float = 0.75
    level_db: float = 1.0
    directivity_db: float = 1.0
    impedance: float = 0.95
    band_hz: tuple[float, float] = (50.0, 16000.0)


BEYOND = 10.0
"""Cost of each dB rms beyond a limit: what goes far beyond one is no answer."""

LEVEL_WEIGHT = 0.25
"""1 dB of common level counts as 0.5 dB rms of tone: all of it together is a turn of the volume."""

DIRECTIVITY_WEIGHT = 0.25
"""1 dB rms of directivity counts as 0.25 dB rms of tone even inside its limit."""

FADE_OCTAVES = 0.5
"""Beside a wished band, where the change must fade, nothing is asked for."""


def find_near(frequency_hz: Real, band: Band) -> Flags:
    """Which points lie in a wished band or so near that its change fades there."""
    octaves = np.log2(frequency_hz)
    low, high = np.log2(band.low_hz), np.log2(band.high_hz)
    return np.asarray((octaves > low - FADE_OCTAVES) & (octaves < high + FADE_OCTAVES))


def find_rest(frequency_hz: Real, wishes: Sequence[Wish], limits: MoveLimits) -> Flags:
    """Which points are held: those in the held band where no wished change is, nor fades.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Grid.
    wishes : sequence of Wish
        Their bands, on whichever curve.
    limits : MoveLimits
        The held band.

    Returns
    -------
    ndarray of bool, shape (F,)
    """
    low, high = limits.band_hz
    rest = (frequency_hz >= low) & (frequency_hz <= high)
    for wish in wishes:
        for band in wish.bands:
            rest &= ~find_near(frequency_hz, band)
    return np.asarray(rest)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneGoal:
    """A curve against itself plus a wished change, all of it taken against what is held.

    The common level is the mean change of the held points. The figure is the root of: mean square
    error in the wished bands re that level + mean square drift outside + a share of the square of
    the level + the square of what lies beyond the limits. A change that is crowded into a narrow
    part of a wished band leaves its error almost as it was.

    Parameters
    ----------
    name : str
        Name of the curve.
    index : ndarray of int, shape (N,)
        Grid points from the first to the last that count.
    reference_db : ndarray, shape (N,)
        The present curve plus the wished change.
    weight_of_point : ndarray, shape (N,)
        Weights of squares; 0 where nothing is asked for.
    held : ndarray, shape (N,)
        Weights of what lies beyond the limit; 0 in the wished bands, where there is none.
    level_db : float
        Wished common level, relative to the present.
    reach_db : float
        How far the common level may be from it.
    limit_db : ndarray, shape (N,)
        How far held points may be from their reference and the common level.
    bound : bool
        True on a part of the grid, whose figure must not exceed the full one.
    """

    name: str
    index: Index
    reference_db: Real
    weight_of_point: Real
    held: Real
    level_db: float
    reach_db: float
    limit_db: Real
    bound: bool = False
    weight: float = 1.0
    unit: str = "dB rms"
    hard: bool = False

    @property
    def curve_names(self) -> tuple[str, ...]:
        """See `PreparedGoal.curve_names`."""
        return (self.name,)

    def _error(self, curves: Curves) -> Real:
        return np.asarray(curves.level_db(self.name)[..., span_of(self.index)] - self.reference_db)

    def common_level(self, curves: Curves) -> Real:
        """Return the mean change of the held points, shape (...); the wished level without any."""
        return self._level(self._error(curves))

    @property
    def _weights_of_level(self) -> tuple[Real, float]:
        """Weights of points, summing to one at most, and that of the wished level."""
        w = self.weight_of_point
        if self.bound:
            total = w.sum() + LEVEL_WEIGHT
            return np.asarray(w / total), LEVEL_WEIGHT / total
        rest = np.where(self.held > 0.0, w, 0.0)
        total = rest.sum()
        return (rest / total, 0.0) if total > 0.0 else (rest, 1.0)

    def _level(self, error: Real) -> Real:
        # For a bound the level that makes the figure smallest: no other makes it smaller.
        weights, wished = self._weights_of_level
        return np.asarray(error @ weights + wished * self.level_db)

    def residuals(self, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        error = self._error(curves)
        level = self._level(error)[..., None]
        drift = level - self.level_db
        tone = (error - level) * np.sqrt(self.weight_of_point)
        beyond = np.abs(error - self._middle(level)) - self._reach
        np.maximum(beyond, 0.0, out=beyond)
        beyond *= self._price * self.held
        astray = np.maximum(np.abs(drift) - self.reach_db, 0.0) * (0.0 if self.bound else BEYOND)
        return join_terms([tone, np.sqrt(LEVEL_WEIGHT) * drift, beyond, astray])

    def _middle(self, level: Real) -> Real | float:
        """Around what held points may move."""
        return self.level_db if self.bound else level

    @property
    def _reach(self) -> Real:
        """How far held points may move from there.

        Where the level of the whole curve is not known, it may lie anywhere: y beyond its reach it
        costs y^2 itself, and a point x beyond both limits costs at least (x - y)^2, together never
        less than x^2 / 2.
        """
        return self.limit_db + (self.reach_db if self.bound else 0.0)

    @property
    def _price(self) -> float:
        return BEYOND * math.sqrt(0.5) if self.bound else BEYOND

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        error = self._error(curves)
        slope = np.asarray(tangents.level_db(self.name)[..., span_of(self.index)])
        w = self.weight_of_point
        level = self._level(error)[..., None]
        drift = level - self.level_db
        level_slope = (slope @ self._weights_of_level[0])[..., None]
        moved = slope - level_slope
        over = error - self._middle(level)
        sign = np.sign(over) * (np.abs(over) > self._reach) * self._price * self.held
        astray = np.sign(drift) * (np.abs(drift) > self.reach_db) * (0.0 if self.bound else BEYOND)
        return join_terms(
            [
                moved * np.sqrt(w),
                np.sqrt(LEVEL_WEIGHT) * level_slope,
                (slope if self.bound else moved) * sign[:, None],
                level_slope * astray[:, None],
            ]
        )

    def thinned(self, index: Index, *, bound: bool) -> ToneGoal:
        """See `PreparedGoal.thinned`.

        For a bound the level is the one that makes the figure smallest, so with some of its squares
        left out it can only fall.
        """
        chosen = np.isin(self.index, index)
        scale = 1.0 if bound else len(self.index) / max(1, int(np.count_nonzero(chosen)))
        return replace(
            self,
            index=np.searchsorted(index, self.index[chosen]),
            bound=bound,
            reference_db=self.reference_db[chosen],
            weight_of_point=self.weight_of_point[chosen] * scale,
            held=self.held[chosen] * np.sqrt(scale),
            limit_db=self.limit_db[chosen],
        )

    def error_db(self, curves: Curves) -> float:
        """Return the error of one network in the wished bands, or of all held without any, rms."""
        error = self._error(curves)
        wished = (self.weight_of_point > 0.0) & (self.held == 0.0)
        points = wished if wished.any() else self.weight_of_point > 0.0
        return float(np.sqrt(np.mean((error[points] - self._level(error)) ** 2)))

    def find_worst(self, curves: Curves) -> tuple[float, int]:
        """Return how far one network goes beyond the limits at worst, and at which grid point."""
        error = self._error(curves)
        beyond = np.where(self.held > 0.0, np.abs(error - self._level(error)) - self.limit_db, 0.0)
        at = int(np.argmax(beyond))
        return max(0.0, float(beyond[at])), int(self.index[at])

    def allowed_db(self, point: int, present_db: Real) -> tuple[float, float]:
        """Return how far a grid point may move re the common level, given the present curve."""
        at = int(np.flatnonzero(self.index == point)[0])
        change, limit = float(self.reference_db[at] - present_db[point]), float(self.limit_db[at])
        return change - limit, change + limit

    def describe(self, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        return f"common level {float(self.common_level(curves)):+z.1f} dB"


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectivityHoldGoal:
    """Change of the directivity index, with a limit.

    Parameters
    ----------
    name : str
        Name of the goal.
    index : ndarray of int, shape (N,)
        Grid points of the band.
    reference_db : ndarray, shape (N,)
        The present index.
    limit_db : float
        How far it may move.
    scale : float
        1/sqrt(number of points of the full band).
    curve_names : tuple of str
        The index is the first curve less the second.
    """

    name: str
    index: Index
    reference_db: Real
    limit_db: float
    scale: float
    curve_names: tuple[str, str] = ("listening_window", "sound_power")
    weight: float = 1.0
    unit: str = "dB rms"
    hard: bool = False

    def _index(self, source: Curves | CurveTangents) -> Real:
        span = span_of(self.index)
        first, second = self.curve_names
        return np.asarray(source.level_db(first)[..., span] - source.level_db(second)[..., span])

    def residuals(self, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        moved = self._index(curves) - self.reference_db
        beyond = np.maximum(np.abs(moved) - self.limit_db, 0.0)
        return join_terms(
            [moved * (DIRECTIVITY_WEIGHT * self.scale), beyond * (BEYOND * self.scale)]
        )

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        moved = self._index(curves) - self.reference_db
        slope = self._index(tangents)
        sign = np.sign(moved) * (np.abs(moved) > self.limit_db)
        return join_terms(
            [
                slope * (DIRECTIVITY_WEIGHT * self.scale),
                slope * sign[:, None] * (BEYOND * self.scale),
            ]
        )

    def thinned(self, index: Index, *, bound: bool) -> DirectivityHoldGoal:
        """See `PreparedGoal.thinned`."""
        chosen = np.isin(self.index, index)
        kept = max(1, int(np.count_nonzero(chosen)))
        factor = 1.0 if bound else float(np.sqrt(len(self.index) / kept))
        return replace(
            self,
            index=np.searchsorted(index, self.index[chosen]),
            reference_db=self.reference_db[chosen],
            scale=self.scale * factor,
        )

    def describe(self, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        moved = self._index(curves) - self.reference_db
        at = int(np.argmax(np.abs(moved)))
        return f"largest change {float(moved[at]):+z.1f} dB"

    def find_worst(self, curves: Curves) -> tuple[float, int, float]:
        """Return the excess over the limit at worst, its grid point, and the change there."""
        moved = self._index(curves) - self.reference_db
        at = int(np.argmax(np.abs(moved)))
        over = max(0.0, abs(float(moved[at])) - self.limit_db)
        return over, int(self.index[at]), float(moved[at])


def prepare_wishes(
    problem: Problem, present: Candidate, wishes: Sequence[Wish], limits: MoveLimits
) -> tuple[PreparedGoal, ...]:
    """Turn wishes into goals, with everything else held.

    Parameters
    ----------
    problem : Problem
        Drivers and directions.
    present : Candidate
        The network as it stands, with its curves.
    wishes : sequence of Wish
        May be empty: then everything is held.
    limits : MoveLimits
        How far the rest may move.

    Returns
    -------
    tuple of PreparedGoal
        One for each curve that is wished about, the curve on axis always; directivity where
        directions exist; the lowest impedance; and the design's hard limits that are met now.

    Raises
    ------
    InputError
        When a wish is about a curve that cannot be computed, or a band without data.
    """
    shift = find_wanted_level(present, wishes)
    curves = list(dict.fromkeys(["on_axis", *(w.curve for w in wishes if w.bands)]))
    goals: list[PreparedGoal] = [
        _prepare_tone(problem, present, name, wishes, limits, shift) for name in curves
    ]
    f = problem.frequency_hz
    inside = np.flatnonzero((f >= limits.band_hz[0]) & (f <= limits.band_hz[1]))
    named = present.curves.named_db
    if "sound_power" in named and "listening_window" in named:
        goals.append(
            DirectivityHoldGoal(
                name="directivity",
                index=inside,
                limit_db=limits.directivity_db,
                reference_db=(named["listening_window"] - named["sound_power"])[inside],
                scale=1.0 / math.sqrt(len(inside)),
            )
        )
    goals.append(
        _floor_goal(
            "impedance",
            f,
            limits.impedance * present.impedance_min_ohm,
            (float(f[0]), float(f[-1])),
        )
    )
    for number, wish in enumerate(wishes, 1):
        if wish.floor_ohm is not None:
            band = wish.floor_band_hz
            if not ((f >= band[0]) & (f <= band[1])).any():
                raise InputError(
                    f"the band of a wish must lie on the grid, {_say_grid(f)}",
                    subject=Subject("wish"),
                    value=repr(wish.text),
                    remedy="change the band",
                )
            goals.append(_floor_goal(f"impedance wish {number}", f, wish.floor_ohm, band))
    met = {g.name for g in present.goals if g.met}
    goals += [g for g in problem.evaluator.goals if g.hard and g.name in met]
    return tuple(goals)


def find_wanted_level(present: Candidate, wishes: Sequence[Wish]) -> float | None:
    """Return the wished change of level, dB; None when none is wished."""
    wished = [w for w in wishes if w.level_change_db is not None or w.level_db is not None]
    if not wished:
        return None
    if len(wished) > 1:
        raise InputError(
            "one level can be wished",
            subject=Subject("wish"),
            value=repr(wished[1].text),
            remedy="keep one wish about sensitivity",
        )
    wish, shift = wished[0], wished[0].level_change_db
    if wish.level_db is not None:
        shift = wish.level_db - present.sensitivity_db
        if abs(shift) > LARGEST_DB:
            raise InputError(
                f"a wished sensitivity lies within {LARGEST_DB:g} dB of the present "
                f"{present.sensitivity_db:.1f} dB",
                subject=Subject("wish"),
                value=repr(wish.text),
                remedy="set a goal in the design and fit anew",
            )
    return shift


def _say_grid(f: Real) -> str:
    ends = (say_hz(float(hz)) for hz in (f[0], f[-1]))
    return f"which runs from {' to '.join(ends)}"


def _floor_goal(name: str, f: Real, floor_ohm: float, band_hz: tuple[float, float]) -> Prepared:
    inside = np.flatnonzero((f >= band_hz[0]) & (f <= band_hz[1]))
    return Prepared(
        goal=Impedance(floor_ohm=floor_ohm, hard=False, weight=BEYOND),
        name=name,
        index=inside,
        frequency_hz=f[inside],
        # 1 dB below over one octave counts as 1 dB: load peaks are narrow.
        scale=math.sqrt(float(np.log2(f[1] / f[0]))),
    )


def _prepare_tone(
    problem: Problem,
    present: Candidate,
    curve: str,
    wishes: Sequence[Wish],
    limits: MoveLimits,
    shift: float | None,
) -> ToneGoal:
    if curve not in present.curves.named_db:
        raise InputError(
            f"the wish needs the curve {curve.replace('_', ' ')}, for which no off-axis "
            "responses were measured",
            subject=Subject("wish"),
            value=repr(curve),
            remedy="wish on axis, add directions, or let them be estimated",
            by_stating=(Subject("drivers", part="estimated directions"),),
        )
    f = problem.frequency_hz
    change, limit = np.zeros_like(f), np.full(len(f), limits.hold_db)
    wished = np.zeros(len(f), dtype=bool)
    bands = [(wish, band) for wish in wishes for band in wish.bands]
    for _, band in bands:
        near = find_near(f, band)
        # Anything from no change to the full one, and the limit to either side of that.
        change[near] = 0.5 * band.change_db
        limit[near] = limits.hold_db + 0.5 * abs(band.change_db)
    for wish, band in bands:
        if wish.curve != curve:
            continue
        inside = band.holds(f)
        if np.count_nonzero(inside) < 3:
            raise InputError(
                f"a wished band must hold at least 3 points of the grid, {_say_grid(f)}",
                subject=Subject("wish"),
                value=repr(wish.text),
                remedy="widen the band",
            )
        if (change[inside & wished] != band.change_db).any():
            raise InputError(
                "wishes must not ask for two changes of one band",
                subject=Subject("wish"),
                value=repr(wish.text),
                remedy="let the bands adjoin, or keep one",
            )
        change[inside] = band.change_db
        wished |= inside
    held = (f >= limits.band_hz[0]) & (f <= limits.band_hz[1]) & ~wished
    counts = np.flatnonzero(held | wished)
    index = np.arange(counts[0], counts[-1] + 1)
    weight = np.zeros(len(f))
    for points in (wished, find_rest(f, wishes, limits)):
        if points.any():
            weight[points] = 1.0 / int(np.count_nonzero(points))
    return ToneGoal(
        name=curve,
        index=index,
        reference_db=(present.curves.named_db[curve] + change)[index],
        weight_of_point=weight[index],
        held=held[index] / math.sqrt(max(1, int(np.count_nonzero(held)))),
        level_db=shift or 0.0,
        # A wished level must be met; one that is not may drift a little.
        reach_db=limits.level_db if shift is None else 0.25,
        limit_db=limit[index],
    )
