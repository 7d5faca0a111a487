"""Goals on the shape of a curve: against a straight line, or against a floor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.goals.goal import BandGoal, Prepared
from optimizer.goals.options import (
    band_option,
    fixed,
    hard_option,
    option,
    target_option,
    weight_option,
)
from optimizer.goals.prepared import Scene
from optimizer.goals.target import TargetCurve
from optimizer.text.units import say_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedLine(Prepared):
    """A `Line` with its band.

    Parameters
    ----------
    octaves : ndarray, shape (N,)
        log2 of frequency over 1 kHz at the points of the band.
    """

    octaves: Real


class Line(BandGoal, unit="dB rms", hears=True):
    """A curve against a straight line in dB over octaves: the figure is the rms deviation.

    `curves` names one curve, or two: the first minus the second (a directivity index). The line's
    level at 1 kHz is fitted within `level_db`; its slope is `tilt_db_per_octave`, or fitted as well
    when that is None. A smooth step of `shelf_db` moves the target below `shelf_hz`. A `target` gives
    it a shape, on top of which a slope counts only where one is given; the band ends where it does.
    """

    replaces: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "target": ("tilt_db_per_octave", "shelf_db", "shelf_hz")
    }

    tilt_db_per_octave: float | None = fixed(None)
    level_db: tuple[float, float] | None = fixed(None)
    shelf_db: float = fixed(0.0)
    shelf_hz: float = fixed(300.0)
    target: TargetCurve | None = fixed(None)

    @property
    def tilt(self) -> float | None:
        """Slope of the target line in dB/octave; None where it is fitted."""
        return 0.0 if self.target and self.tilt_db_per_octave is None else self.tilt_db_per_octave

    def _find_band(self, frequency_hz: Real, points: int = 3) -> Index:
        if self.target is None:
            return super()._find_band(frequency_hz, points)
        (low, high), (first, last) = self.band_hz, self.target.band_hz
        within = replace(self, band_hz=(max(low, first), min(high, last)), target=None)
        return within._find_band(frequency_hz, points)

    def prepare(self, scene: Scene) -> PreparedLine:
        """See `GridGoal.prepare`."""
        shared = self.place(scene, self.curves)
        return PreparedLine(**shared, octaves=np.log2(shared["frequency_hz"] / 1000.0))

    def _curve(self, on: PreparedLine, source: Curves | CurveTangents) -> Real:
        value = source.level_db(on.curve_names[0])[..., on.span]
        if len(on.curve_names) == 2:
            value = value - source.level_db(on.curve_names[1])[..., on.span]
        return value

    def _departure(self, on: PreparedLine, curves: Curves) -> Real:
        """Curve less the fixed shape of its target."""
        value = self._curve(on, curves)
        return value if self._straight else value - self._shape_db(on.octaves)

    @property
    def _straight(self) -> bool:
        return not self.shelf_db and self.target is None

    def _shape_db(self, octaves: Real) -> Real:
        shape = self.shelf_db / (1.0 + (1000.0 / self.shelf_hz * 2.0**octaves) ** 2)
        return np.asarray(
            shape if self.target is None else shape + self.target.at(1000.0 * 2.0**octaves)
        )

    def target_db(self, on: PreparedLine, curves: Curves, frequency_hz: Real) -> Real:
        """Level of the target that fits one network best, shape (F,)."""
        octaves = np.log2(frequency_hz / 1000.0)
        level, slope = self.fit(on, self._departure(on, curves))
        target = level + slope * octaves
        return np.asarray(target if self._straight else target + self._shape_db(octaves))

    def fit(self, on: PreparedLine, value: Real) -> tuple[Real, Real]:
        """Fit the line to a curve.

        Parameters
        ----------
        on : PreparedLine
            This goal on its grid.
        value : ndarray, shape (..., N)
            In dB.

        Returns
        -------
        level_db, slope_db_per_octave : ndarray, shape (...)
            Level at 1 kHz and slope.
        """
        x = on.octaves
        count = len(x)
        if self.tilt is None:
            centred = x - x.mean()
            slope = (value @ centred) / (centred @ centred)
        else:
            slope = np.asarray(self.tilt)
        level = value @ np.full(count, 1.0 / count) - slope * x.mean()
        if self.level_db is not None:
            wanted, level = level, np.clip(level, *self.level_db)
            if self.tilt is None:
                # On a limit the best slope is the one for that level.
                refitted = ((value - level[..., None]) @ x) / (x @ x)
                slope = np.where(level == wanted, slope, refitted)
        return level, slope

    def residuals(self, on: PreparedLine, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        value = self._departure(on, curves)
        if len(on.octaves) < 3:  # a part of the grid may hold next to nothing of a narrow band
            return value * 0.0
        level, slope = self.fit(on, value)
        if slope.ndim == 0:
            out: Real = value - (slope * on.octaves)
        else:
            out = value - slope[..., None] * on.octaves
        out -= level[..., None]
        out *= on.scale
        return out

    def tangents(self, on: PreparedLine, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        slope = self._curve(on, tangents)
        if len(on.octaves) < 3:
            return slope * 0.0
        x = on.octaves
        centred = x - x.mean()
        moved = slope - slope.mean(axis=-1, keepdims=True)
        if self.tilt is None:
            moved -= ((slope @ centred) / (centred @ centred))[..., None] * centred
        if self.level_db is not None:
            # A level that rests on a limit does not move with the curve.
            level, _ = self.fit(on, self._departure(on, curves))
            resting = (level <= self.level_db[0]) | (level >= self.level_db[1])
            held = slope
            if self.tilt is None:
                held = slope - ((slope @ x) / (x @ x))[..., None] * x
            moved = np.where(resting[:, None, None], held, moved)
        return np.asarray(moved * on.scale)

    def thin(self, on: PreparedLine, index: Index, *, bound: bool) -> PreparedLine:
        """See `GridGoal.thin`."""
        chosen = np.isin(on.index, index)
        kept = int(np.count_nonzero(chosen))
        return replace(
            on,
            index=np.searchsorted(index, on.index[chosen]),
            frequency_hz=on.frequency_hz[chosen],
            octaves=on.octaves[chosen],
            scale=on.scale if bound else 1.0 / np.sqrt(max(1, kept)),
        )

    def describe(self, on: PreparedLine, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        deviation = self.residuals(on, curves) / on.scale
        at = int(np.argmax(np.abs(deviation)))
        hz = 1000.0 * 2.0 ** on.octaves[at]
        level, slope = self.fit(on, self._departure(on, curves))
        what = "line" if self.target is None else f"target of {self.target.source},"
        line = f"{what} {float(level):.1f} dB at 1 kHz, {float(slope):+z.2f} dB/octave"
        return f"worst {deviation[at]:+z.1f} dB at {say_hz(hz)}; {line}"


def _tilt(default: float | None) -> Any:
    return option(
        "tilt", "slope of the target line, or free", default=default, unit="dB/oct", free=True
    )


def _level() -> Any:
    return option(
        "level",
        "level of the target line at 1 kHz, or free",
        default=None,
        unit="dB",
        form="range",
        free=True,
    )


class ShapedLine(Line, family="response"):
    """A curve whose target has a slope of its own and may have a step in the bass."""

    tilt_db_per_octave: float | None = _tilt(0.0)
    level_db: tuple[float, float] | None = _level()
    shelf_db: float = option("shelf", "the target's bass against the line", default=0.0, unit="dB")
    shelf_hz: float = option("shelf_at", "middle of that step", default=300.0, unit="Hz", least=1.0)
    target: TargetCurve | None = target_option()


class SmoothLine(Line, family="response"):
    """A curve that must be even: its target has the slope that fits best unless one is given."""

    tilt_db_per_octave: float | None = _tilt(None)
    level_db: tuple[float, float] | None = _level()
    target: TargetCurve | None = target_option()


class OnAxis(ShapedLine, name="on_axis", sells="of ripple on the axis", buys="flatter on the axis"):
    """Direct sound on the reference axis: rms deviation from a straight line over octaves.

    The line's level is fitted, its slope is given.
    """

    curves = ("on_axis",)


class ListeningWindow(
    ShapedLine,
    name="listening_window",
    sells="of ripple in the listening window",
    buys="flatter in the listening window",
):
    """Mean over where listeners sit: 30 degrees aside, 10 up and down.

    The figure is the rms deviation from a straight line over octaves, whose level is fitted and
    whose slope is given.
    """

    curves = ("listening_window",)


class EarlyReflections(
    SmoothLine,
    name="early_reflections",
    sells="of unevenness in the early reflections",
    buys="smoother early reflections",
):
    """Sound that reaches the ear by one bounce off floor, ceiling and walls.

    The figure is the rms deviation from a straight line over octaves, whose level is fitted; with a
    free slope it asks for evenness alone.
    """

    curves = ("early_reflections",)


class SoundPower(
    SmoothLine,
    name="sound_power",
    sells="of unevenness in sound power",
    buys="smoother sound power",
):
    """Everything the speaker radiates, in all directions.

    The figure is the rms deviation from a straight line over octaves, whose level is fitted.
    """

    curves = ("sound_power",)


class InRoom(
    SmoothLine, name="in_room", sells="of unevenness in the room", buys="smoother in the room"
):
    """Estimated response at the ear in a normal room.

    It is 12 % listening window, 44 % early reflections and 44 % sound power; the figure is the rms
    deviation from a straight line over octaves, whose level is fitted.
    """

    curves = ("in_room",)


class OffAxis(
    SmoothLine, name="off_axis", sells="of unevenness off the axis", buys="smoother off the axis"
):
    """Plain mean of all directions in front that are not the axis.

    The figure is the rms deviation from a straight line over octaves, whose level is fitted.
    """

    curves = ("off_axis",)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedMean(Prepared):
    """A mean over a band.

    Parameters
    ----------
    silent : bool
        True for a lower bound on a part of the grid: a part says nothing of the mean.
    """

    silent: bool = False


class Sensitivity(
    BandGoal,
    name="sensitivity",
    family="response",
    unit="dB below",
    hears=True,
    sells="of sensitivity",
    buys="closer to the sensitivity floor",
):
    """Mean level on the axis below a floor."""

    curves = ("on_axis",)
    floor_db: float = option(
        "floor", "smallest mean level at 1 m for 2.83 V", default=84.0, unit="dB"
    )
    band_hz: tuple[float, float] = band_option(300.0, 3000.0)
    hard: bool = hard_option()

    def prepare(self, scene: Scene) -> PreparedMean:
        """See `GridGoal.prepare`."""
        return PreparedMean(**{**self.place(scene, self.curves), "scale": 1.0})

    def _mean(self, on: PreparedMean, source: Curves | CurveTangents) -> Real:
        count = len(on.frequency_hz)
        return np.asarray(
            source.level_db("on_axis")[..., on.span] @ np.full((count, 1), 1.0 / count)
        )

    def residuals(self, on: PreparedMean, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        if on.silent:
            return np.zeros(1)
        return np.maximum(self.floor_db - self._mean(on, curves), 0.0)

    def tangents(self, on: PreparedMean, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        if on.silent:
            return np.zeros((curves.admittance.shape[0], tangents.columns, 1))
        below = self._mean(on, curves) < self.floor_db
        return np.asarray(-self._mean(on, tangents) * below[:, None, :])

    def thin(self, on: PreparedMean, index: Index, *, bound: bool) -> PreparedMean:
        """See `GridGoal.thin`."""
        thin: PreparedMean = super().thin(on, index, bound=bound)
        return replace(thin, scale=1.0, silent=bound or not len(thin.index))

    def describe(self, on: PreparedMean, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        return f"mean {float(self._mean(on, curves)[0]):.1f} dB, floor {self.floor_db:g} dB"


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedLoudness(Prepared):
    """What each driver gives in its own part of the band.

    Parameters
    ----------
    shares : ndarray, shape (number of ways with a part, N)
        Share of each point in the mean of a part; each row sums to 1.
    own_db : ndarray, shape (number of ways with a part,)
        Mean level of the raw driver there.
    wayside : tuple of int
        Those ways.
    ways : tuple of str
        Names, for reports.
    silent : bool
        True for a lower bound on a part of the grid: a part says nothing of a mean.
    """

    shares: Real
    own_db: Real
    wayside: tuple[int, ...]
    ways: tuple[str, ...]
    silent: bool = False


class Loudness(
    BandGoal,
    name="loudness",
    family="response",
    unit="dB given away",
    hears=True,
    sells="of loudness given away",
    buys="less loudness given away",
):
    """Level that every driver could give and the speaker does not.

    Each driver has its own part of the band, from one crossover to the next. How far the speaker
    stays below the raw driver there is what that driver was turned down; the one that was turned
    down least is the one that sets how loud the speaker can be. Its loss is given away.
    """

    curves = ("on_axis",)
    allowed_db: float = option(
        "allow", "a loss that does not count", default=1.0, unit="dB", least=0.0
    )
    band_hz: tuple[float, float] = band_option(100.0, 10000.0)
    weight: float = weight_option(0.3)

    def prepare(self, scene: Scene) -> PreparedLoudness:
        """See `GridGoal.prepare`."""
        place = self.place(scene, self.curves)
        f = place["frequency_hz"]
        rows, own, ways = [], [], []
        for way, (low, high) in scene.own_bands((float(f[0]), float(f[-1]))).items():
            inside = (f >= low * (1.0 - 1e-9)) & (f <= high * (1.0 + 1e-9))
            if np.count_nonzero(inside) < 3:
                continue
            raw = np.abs(scene.ways[way][1].pressure[0][place["index"]])
            rows.append(inside / np.count_nonzero(inside))
            own.append(float(20.0 * np.log10(np.maximum(raw, 1e-15)) @ rows[-1]))
            ways.append(way)
        if not rows:
            raise self.refuse(
                "the goal needs a driver with a part of the band to itself",
                remedy="widen the band or remove the goal",
            )
        return PreparedLoudness(
            **{**place, "scale": 1.0},
            shares=np.array(rows),
            own_db=np.array(own),
            wayside=tuple(ways),
            ways=scene.way_names,
        )

    def losses_db(self, on: PreparedLoudness, curves: Curves) -> Real:
        """How far the speaker stays below each raw driver in its part, shape (..., ways)."""
        return np.asarray(on.own_db - curves.level_db("on_axis")[..., on.span] @ on.shares.T)

    def residuals(self, on: PreparedLoudness, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        if on.silent:
            return np.zeros(1)
        least = self.losses_db(on, curves).min(axis=-1, keepdims=True)
        return np.asarray(np.maximum(least - self.allowed_db, 0.0))

    def tangents(self, on: PreparedLoudness, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        if on.silent:
            return np.zeros((curves.admittance.shape[0], tangents.columns, 1))
        losses = self.losses_db(on, curves)
        least = np.argmin(losses, axis=-1)[:, None, None]
        slopes = -(tangents.level_db("on_axis")[..., on.span] @ on.shares.T)
        counts = losses.min(axis=-1) > self.allowed_db
        return np.asarray(np.take_along_axis(slopes, least, axis=-1) * counts[:, None, None])

    def thin(self, on: PreparedLoudness, index: Index, *, bound: bool) -> PreparedLoudness:
        """See `GridGoal.thin`."""
        thin: PreparedLoudness = super().thin(on, index, bound=bound)
        shares = on.shares[:, np.isin(on.index, index)]
        total = shares.sum(axis=1, keepdims=True)
        whole = bool((total > 0.0).all())
        return replace(
            thin,
            scale=1.0,
            shares=shares / total if whole else shares,
            silent=bound or not whole,
        )

    def describe(self, on: PreparedLoudness, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        losses = self.losses_db(on, curves)
        least = int(np.argmin(losses))
        return (
            f"every driver gives up {losses[least]:.1f} dB or more, "
            f"{on.ways[on.wayside[least]]} the least"
        )
