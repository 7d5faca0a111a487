"""Goals on how the sound off the axis resembles the direct sound."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.acoustics.averages import direction_curve
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Complex, Index, Real
from optimizer.errors import InputError
from optimizer.goals.goal import BandGoal, Prepared
from optimizer.goals.options import band_option, option, weight_option
from optimizer.goals.prepared import Scene, Ways, join_terms
from optimizer.goals.response import Line
from optimizer.measure.curve import Direction
from optimizer.measure.geometry import SOUND_SPEED_M_S
from optimizer.text.units import DB_PER_NEPER, say_hz


class IndexLine(Line, family="reflections", sells="of steps in directivity"):
    """A directivity index against the straight line that fits it best."""

    band_hz: tuple[float, float] = band_option(200.0, 10000.0)


class Directivity(IndexLine, name="directivity", buys="smoother directivity"):
    """Evenness of the directivity index: no steps between drivers.

    The index is the listening window less sound power; its slope is free.
    """

    curves = ("listening_window", "sound_power")


class EarlyReflectionsIndex(IndexLine, name="early_reflections_index", buys="smoother directivity"):
    """Evenness of listening window less early reflections; the slope is free."""

    curves = ("listening_window", "early_reflections")


class Monotony(
    BandGoal,
    name="monotony",
    family="reflections",
    unit="dB rms fallen",
    hears=True,
    sells="of fall in directivity",
    buys="less fall in directivity",
):
    """How far the directivity index falls back below a value it had lower down.

    It shows a flare of the upper driver at a crossover.
    """

    curves = ("listening_window", "sound_power")
    band_hz: tuple[float, float] = band_option(300.0, 8000.0)

    def _index_db(self, on: Prepared, source: Curves | CurveTangents) -> Real:
        first, second = on.curve_names
        return source.level_db(first)[..., on.span] - source.level_db(second)[..., on.span]

    def residuals(self, on: Prepared, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        value = self._index_db(on, curves)
        return np.asarray((np.maximum.accumulate(value, axis=-1) - value) * on.scale)

    def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        value = self._index_db(on, curves)
        peak = np.maximum.accumulate(value, axis=-1)
        # Index of the point that holds the running maximum.
        holder = np.maximum.accumulate(
            np.where(value >= peak, np.arange(value.shape[-1]), 0), axis=-1
        )
        slope = self._index_db(on, tangents)
        return np.asarray(
            (np.take_along_axis(slope, holder[:, None, :], axis=-1) - slope) * on.scale
        )

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        fallen = self.residuals(on, curves) / on.scale
        at = int(np.argmax(fallen))
        if fallen[at] < 0.05:
            return "the index never falls"
        return f"falls back by {fallen[at]:.1f} dB at {say_hz(on.frequency_hz[at])}"


class SingleDirections(BandGoal, family="reflections", hears=True):
    """A goal that looks at single directions, not at averages of them."""

    angle_deg: float = option(
        "angle", "vertical directions up to this many degrees", default=15.0, least=0.0
    )

    def _need_directions(self, what: str) -> InputError:
        return self.refuse_directions(f"{what} directions up to {self.angle_deg:g} degrees")

    def _differences(self, on: Prepared, source: Curves | CurveTangents) -> list[Real]:
        """Differences of levels in dB, or of their slopes, one for each direction that counts."""
        raise NotImplementedError

    def residuals(self, on: Any, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return np.asarray(join_terms(self._differences(on, curves)) * on.scale)

    def tangents(self, on: Any, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        return np.asarray(join_terms(self._differences(on, tangents)) * on.scale)

    def _find_worst(self, on: Prepared, curves: Curves) -> tuple[int, float, str]:
        """Find which difference is the largest, how large it is in dB, and where."""
        parts = self._differences(on, curves)
        worst = int(np.argmax([np.abs(p).max() for p in parts]))
        at = int(np.argmax(np.abs(parts[worst])))
        return worst, float(parts[worst][at]), say_hz(on.frequency_hz[at])


class Similarity(
    SingleDirections,
    name="similarity",
    unit="dB rms",
    sells="of unlikeness off the axis",
    buys="more alike off the axis",
):
    """How far single directions depart from the direct sound.

    A steady fall with frequency is free, dips and flares are not.

    Notes
    -----
    A loudspeaker beams more the higher the frequency: each direction less the axis is taken less
    the straight line over octaves that fits it best.
    """

    angle_deg: float = option(
        "angle", "directions up to this many degrees off the axis", default=60.0, least=0.0
    )
    band_hz: tuple[float, float] = band_option(300.0, 10000.0)

    def prepare(self, scene: Scene) -> Prepared:
        """See `GridGoal.prepare`; the axis comes first, then the directions."""
        directions = scene.directions(self.angle_deg)
        if not directions:
            raise self._need_directions("off-axis")
        curves = ("on_axis", *(direction_curve(d) for d in directions))
        return Prepared(**self.place(scene, curves, len(directions)))

    def _differences(self, on: Prepared, source: Curves | CurveTangents) -> list[Real]:
        axis = source.level_db(on.curve_names[0])[..., on.span]
        return [
            self._detrended(on, source.level_db(name)[..., on.span] - axis)
            for name in on.curve_names[1:]
        ]

    def _detrended(self, on: Prepared, value: Real) -> Real:
        count = len(on.frequency_hz)
        if count < 3:  # a line runs through two points
            return value * 0.0
        x = np.log2(on.frequency_hz)
        x -= x.mean()
        slope = (value @ x) / (x @ x)
        level = value @ np.full(count, 1.0 / count)
        return np.asarray(value - level[..., None] - slope[..., None] * x)

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        worst, level, at = self._find_worst(on, curves)
        return f"worst {on.curve_names[1 + worst]}: {level:+z.1f} dB at {at} against the axis"


class LobeSymmetry(
    SingleDirections,
    name="lobe_symmetry",
    unit="dB rms",
    sells="of tilt of the vertical lobe",
    buys="less tilt of the vertical lobe",
):
    """Difference between up and down near the axis: a tilted lobe at a crossover.

    Needs vertical directions.

    Notes
    -----
    Away from a crossover one driver alone plays and equal angles up and down are alike; where two
    drivers overlap, a tilted lobe shows as a difference.
    """

    weight: float = weight_option(0.5)

    def prepare(self, scene: Scene) -> Prepared:
        """See `GridGoal.prepare`; the curves come in pairs, up before down."""
        angles = {d.vertical_deg for d in scene.directions(self.angle_deg, vertical=True)}
        both = sorted(a for a in angles if a > 0.0 and -a in angles)
        if not both:
            raise self._need_directions("equal upward and downward")
        curves = tuple(
            direction_curve(Direction(vertical_deg=s * a)) for a in both for s in (1, -1)
        )
        return Prepared(**self.place(scene, curves, len(both)))

    def _differences(self, on: Prepared, source: Curves | CurveTangents) -> list[Real]:
        names = on.curve_names
        return [
            source.level_db(up)[..., on.span] - source.level_db(down)[..., on.span]
            for up, down in zip(names[::2], names[1::2], strict=True)
        ]

    def describe(self, on: Prepared, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        worst, level, at = self._find_worst(on, curves)
        up, down = on.curve_names[2 * worst : 2 * worst + 2]
        return f"{up} is {level:+z.1f} dB against {down}, at {at}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedLobes(Prepared):
    """Vertical directions, measured or told from how high the drivers sit.

    Parameters
    ----------
    names : tuple of str
        What the directions are called.
    turned : ndarray, shape (directions, W, N), complex, or None
        Pressure of each raw driver in each direction where none was measured: that on the axis,
        earlier or later by its way.
    """

    names: tuple[str, ...]
    turned: Complex | None = None


class LobeDepth(
    SingleDirections,
    name="lobe_depth",
    unit="dB rms below",
    sells="of vertical cancellation",
    buys="less vertical cancellation",
):
    """How far the sound falls when one stands up or sits low.

    Drivers far apart that cross high cancel there. Needs vertical directions, or how high each
    driver sits.
    """

    allowed_db: float = option(
        "allow", "a fall that does not count", default=1.0, unit="dB", least=0.0
    )
    weight: float = weight_option(0.5)

    def prepare(self, scene: Scene) -> PreparedLobes:
        """See `GridGoal.prepare`; the axis comes first, then the directions."""
        directions = scene.directions(self.angle_deg, vertical=True)
        names = tuple(direction_curve(d) for d in directions)
        if directions:
            place = self.place(scene, ("on_axis", *names), len(directions))
            return PreparedLobes(**place, names=names)
        angles = (self.angle_deg, -self.angle_deg)
        turned = [turn_upwards(scene.ways, scene.frequency_hz, angle) for angle in angles]
        if self.angle_deg == 0.0 or any(one is None for one in turned):
            raise self._need_directions("vertical")
        place = self.place(scene, ("on_axis",), len(angles))
        return PreparedLobes(
            **place,
            names=tuple(direction_curve(Direction(vertical_deg=angle)) for angle in angles),
            turned=np.array(turned)[..., place["index"]],
        )

    def thin(self, on: PreparedLobes, index: Index, *, bound: bool) -> PreparedLobes:
        """See `GridGoal.thin`."""
        thin: PreparedLobes = super().thin(on, index, bound=bound)
        if on.turned is None:
            return thin
        return replace(thin, turned=on.turned[..., np.isin(on.index, index)])

    def _falls(self, on: PreparedLobes, curves: Curves) -> list[Real]:
        axis = curves.level_db("on_axis")[..., on.span]
        if on.turned is None:
            return [axis - curves.level_db(name)[..., on.span] for name in on.names]
        return [axis - DB_PER_NEPER * np.log(np.abs(s)) for s in self._sums(on, curves)]

    def _sums(self, on: PreparedLobes, curves: Curves) -> list[Complex]:
        """Pressure in each direction that is told from places, shape (..., N)."""
        assert on.turned is not None
        drives = [h[..., on.span] for h in curves.transfer]
        sums = []
        for rows in on.turned:
            total = drives[0] * rows[0]
            for drive, row in zip(drives[1:], rows[1:], strict=True):
                total = total + drive * row
            sums.append(total + 1e-12)
        return sums

    def _slopes(self, on: PreparedLobes, curves: Curves, tangents: CurveTangents) -> list[Real]:
        axis = tangents.level_db("on_axis")[..., on.span]
        if on.turned is None:
            return [axis - tangents.level_db(name)[..., on.span] for name in on.names]
        found = []
        for rows, total in zip(on.turned, self._sums(on, curves), strict=True):
            slope: Real = np.zeros(())
            for way, row in enumerate(rows):
                # d ln|S| = Re(dH p / S)
                whole = np.zeros((*total.shape[:-1], curves.admittance.shape[-1]), dtype=complex)
                whole[..., on.span] = row / total
                ratio = tangents.transfer[way] * whole[:, None]
                slope = slope + tangents.of_way(way, DB_PER_NEPER * ratio.real)[..., on.span]
            found.append(axis - slope)
        return found

    def residuals(self, on: PreparedLobes, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        falls = join_terms(self._falls(on, curves))
        return np.asarray(np.maximum(falls - self.allowed_db, 0.0) * on.scale)

    def tangents(self, on: PreparedLobes, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        counts = join_terms(self._falls(on, curves)) > self.allowed_db
        slopes = join_terms(self._slopes(on, curves, tangents))
        return np.asarray(slopes * counts[:, None, :] * on.scale)

    def describe(self, on: PreparedLobes, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        falls = self._falls(on, curves)
        worst = int(np.argmax([f.max() for f in falls]))
        at = int(np.argmax(falls[worst]))
        return (
            f"deepest {on.names[worst]}: {-falls[worst][at]:+z.1f} dB re axis at "
            f"{say_hz(on.frequency_hz[at])}"
        )


def turn_upwards(ways: Ways, frequency_hz: Real, angle_deg: float) -> Complex | None:
    """Estimate the raw drivers' pressure above or below the axis from how high each of them sits.

    Parameters
    ----------
    ways : sequence of (str, Driver)
        Their places are heights above the reference axis.
    frequency_hz : ndarray, shape (F,)
        Grid.
    angle_deg : float
        Up, negative down.

    Returns
    -------
    ndarray, shape (W, F), complex, or None
        That on the axis, earlier by height times the sine of the angle; None where all sit at one
        height, or nothing is known of it. Beaming is left out.
    """
    up = np.array([driver.place_m[0] for _, driver in ways])
    if len(up) < 2 or np.ptp(up) == 0.0:
        return None
    ahead_s = up * np.sin(np.radians(angle_deg)) / SOUND_SPEED_M_S
    turn = np.exp(2j * np.pi * ahead_s[:, None] * frequency_hz)
    return np.asarray(np.array([driver.pressure[0] for _, driver in ways]) * turn)
