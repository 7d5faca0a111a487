"""Goals that keep drivers whole: drive below their range, programme power, excursion.

Estimates for a design, not a promise: a driver's own data sheet and a first listening at low level
come before any number here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from optimizer.acoustics.channels import drive_db, drive_db_slope, drive_square_slope
from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.acoustics.programme import CREST, programme_weights
from optimizer.arrays import Complex, Index, Real
from optimizer.errors import Subject
from optimizer.goals.goal import GridGoal, Prepared
from optimizer.goals.options import hard_option, option, weight_option
from optimizer.goals.prepared import Scene, join_terms
from optimizer.measure.driver import Driver
from optimizer.text.units import format_quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedTops(Prepared):
    """Drivers with a lowest frequency.

    Parameters
    ----------
    tops : tuple of (int, float)
        Way and the frequency in Hz, up to which it is protected.
    ways : tuple of str
        Names, for reports.
    """

    tops: tuple[tuple[int, float], ...]
    ways: tuple[str, ...]


class LowDrive(
    GridGoal,
    name="low_drive",
    family="protection",
    unit="dB rms over",
    sells="more drive below the drivers' ranges",
    buys="less drive below the drivers' ranges",
):
    """Voltage at a driver at and below its stated lowest frequency (or its resonance).

    What exceeds the allowed voltage counts: it keeps tweeters from their resonance. The lowest way
    is left out, which nothing passive can keep from its resonance.
    """

    down_db: float = option(
        "down", "how far below the amplifier's voltage", default=12.0, unit="dB", least=0.0
    )
    hard: bool = hard_option()
    weight: float = weight_option(0.2)

    def prepare(self, scene: Scene) -> PreparedTops:
        """See `GridGoal.prepare`."""
        f = scene.frequency_hz
        tops = [d.limits.lowest_hz or find_resonance_hz(f, d.impedance) for _, d in scene.ways]
        lowest = min(tops, default=0.0)
        guarded = tuple((w, top) for w, top in enumerate(tops) if top > lowest and top >= f[0])
        if not guarded:
            raise self.refuse(
                "the goal needs a second driver with a higher lowest frequency",
                remedy="state the lowest frequency of the tweeter, or remove the goal",
                by_stating=(Subject("driver", part="lowest frequency"),),
            )
        highest = max(top for _, top in guarded)
        index = np.flatnonzero(f <= highest * (1.0 + 1e-9))
        points = sum(int(np.count_nonzero(f <= top * (1.0 + 1e-9))) for _, top in guarded)
        return PreparedTops(
            goal=self,
            name=self.name,
            index=index,
            frequency_hz=f[index],
            scale=1.0 / np.sqrt(points),
            tops=guarded,
            ways=scene.way_names,
        )

    def _below(self, on: PreparedTops, top_hz: float) -> slice:
        stop = int(np.searchsorted(on.frequency_hz, top_hz * (1.0 + 1e-9)))
        return slice(on.span.start, on.span.start + stop)

    def _excess(self, on: PreparedTops, curves: Curves, way: int, top_hz: float) -> Real:
        return np.asarray(drive_db(curves, way)[..., self._below(on, top_hz)] + self.down_db)

    def residuals(self, on: PreparedTops, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return (
            join_terms([np.maximum(self._excess(on, curves, *t), 0.0) for t in on.tops]) * on.scale
        )

    def tangents(self, on: PreparedTops, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        return (
            join_terms(
                [
                    drive_db_slope(tangents, way)[..., self._below(on, top)]
                    * (self._excess(on, curves, way, top) > 0.0)[:, None]
                    for way, top in on.tops
                ]
            )
            * on.scale
        )

    def describe(self, on: PreparedTops, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        parts = [self._excess(on, curves, *t) for t in on.tops]
        worst = int(np.argmax([p.max() for p in parts]))
        at = int(np.argmax(parts[worst]))
        return (
            f"{on.ways[on.tops[worst][0]]} is driven "
            f"{parts[worst][at] - self.down_db:+.1f} dB at "
            f"{format_quantity(on.frequency_hz[at], 'Hz')}, limit {-self.down_db:g} dB"
        )


@dataclass(frozen=True, slots=True)
class StressWords:
    """Words for the stress of one way: the stress over the limit to a power, times the limit."""

    what: str
    limit: float
    unit: str
    power: float

    def say(self, ratio: float) -> str:
        """Say how much of the limit a stress over the limit is."""
        return f"{self.what} {self.limit * ratio**self.power:.1f} of {self.limit:g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedStress(Prepared):
    """Drivers with what they stand.

    Parameters
    ----------
    wayside : tuple of int
        Ways that are watched.
    stress : ndarray, shape (number of watched ways, N)
        Stress over limit that each grid point adds for a drive of 1 (voltage ratio), all positive:
        watt over rated watt, or mean-square excursion over the square of the allowed rms.
    words : tuple of StressWords
        For each watched way.
    """

    wayside: tuple[int, ...]
    stress: Real
    words: tuple[StressWords, ...]


class Stress(GridGoal, family="protection", unit="dB over"):
    """A mean square over programme noise against what a driver stands, in dB over the limit."""

    limits: ClassVar[tuple[str, ...]] = ()
    """What a driver must state."""

    amplifier_w: float = option(
        "amplifier", "power of the amplifier into rated", default=50.0, unit="W", least=0.0
    )
    rated_ohm: float = option(
        "rated", "resistance that power is stated for", default=8.0, unit="ohm", above=0.0
    )
    hard: bool = hard_option()
    weight: float = weight_option(0.2)

    def stress_of(
        self, name: str, driver: Driver, frequency_hz: Real
    ) -> tuple[Real, StressWords] | None:
        """Stress of one way as in `PreparedStress`; None when the driver does not state limits."""
        raise NotImplementedError

    def prepare(self, scene: Scene) -> PreparedStress:
        """See `GridGoal.prepare`; on every way whose driver states what it takes."""
        f = scene.frequency_hz
        found = [
            (way, stress)
            for way, (name, driver) in enumerate(scene.ways)
            if (stress := self.stress_of(name, driver, f)) is not None
        ]
        if not found:
            raise self.refuse(
                "the goal needs a driver whose limits are stated",
                remedy=f"state {', '.join(self.limits)} of a driver, or remove the goal",
                by_stating=tuple(Subject("driver", part=part) for part in self.limits),
            )
        return PreparedStress(
            goal=self,
            name=self.name,
            index=np.arange(len(f)),
            frequency_hz=f,
            scale=1.0 / np.sqrt(len(found)),
            wayside=tuple(way for way, _ in found),
            stress=np.array([row for _, (row, _) in found]),
            words=tuple(words for _, (_, words) in found),
        )

    def thin(self, on: PreparedStress, index: Index, *, bound: bool) -> PreparedStress:
        """See `GridGoal.thin`: a part of a sum of positive terms is a bound as it is."""
        chosen = np.isin(on.index, index)
        kept = int(np.count_nonzero(chosen))
        # Without a bound the points left stand for their neighbours too.
        factor = 1.0 if bound else len(on.index) / max(1, kept)
        return replace(
            on,
            index=np.searchsorted(index, on.index[chosen]),
            frequency_hz=on.frequency_hz[chosen],
            stress=np.ascontiguousarray(on.stress[:, chosen]) * factor,
        )

    def _ratios(self, on: PreparedStress, curves: Curves) -> list[Real]:
        out = []
        for way, stress in zip(on.wayside, on.stress, strict=True):
            h = curves.transfer[way][..., on.span]
            out.append(np.asarray((h.real**2 + h.imag**2) @ stress[:, None]))
        return out

    def residuals(self, on: PreparedStress, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return (
            join_terms([10.0 * np.log10(np.maximum(r, 1.0)) for r in self._ratios(on, curves)])
            * on.scale
        )

    def tangents(self, on: PreparedStress, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        terms = []
        for way, stress, ratio in zip(on.wayside, on.stress, self._ratios(on, curves), strict=True):
            slope = drive_square_slope(tangents, way)[..., on.span] @ stress[:, None]
            lever = np.where(ratio > 1.0, 10.0 / np.log(10.0) / np.maximum(ratio, 1.0), 0.0)
            terms.append(slope * lever[:, None])
        return join_terms(terms) * on.scale

    def describe(self, on: PreparedStress, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        ratios = self._ratios(on, curves)
        return "; ".join(w.say(float(r[0])) for w, r in zip(on.words, ratios, strict=True))


class Power(
    Stress,
    name="power",
    sells="more power over the drivers' limits",
    buys="less power over the drivers' limits",
):
    """Power of programme noise (IEC 60268-1) in a driver beyond the power it takes.

    The amplifier works at the stated power.

    Notes
    -----
    E^2 sum_f s(f) |H|^2 Re(1/Z), s the share of the noise at each point and E the voltage of the
    amplifier's stated power.
    """

    limits = ("power",)

    def stress_of(
        self, name: str, driver: Driver, frequency_hz: Real
    ) -> tuple[Real, StressWords] | None:
        """See `Stress.stress_of`."""
        limit = driver.limits.watts
        if limit is None:
            return None
        share = programme_weights(frequency_hz)
        volts_squared = self.amplifier_w * self.rated_ohm
        watts = volts_squared * share * np.maximum((1.0 / driver.impedance).real, 0.0)
        return watts / limit, StressWords(f"{name} takes", limit, "W", 1.0)


class Excursion(
    Stress,
    name="excursion",
    sells="more excursion over the drivers' limits",
    buys="less excursion over the drivers' limits",
):
    """Estimated peak excursion on programme noise (IEC 60268-1) beyond the stated limit.

    Needs force factor and resistance of the driver. An estimate: the driver's own limits come first.

    Notes
    -----
    The sum of `Power` with the square of the excursion per volt; the peak is taken as `CREST` times
    the rms.
    """

    limits = ("excursion", "force factor", "resistance")

    def stress_of(
        self, name: str, driver: Driver, frequency_hz: Real
    ) -> tuple[Real, StressWords] | None:
        """See `Stress.stress_of`."""
        limits = driver.limits
        if (
            limits.excursion_m is None
            or limits.force_factor_tm is None
            or limits.resistance_ohm is None
        ):
            return None
        share = programme_weights(frequency_hz)
        volts_squared = self.amplifier_w * self.rated_ohm
        metres = excursion_per_volt(
            frequency_hz, driver.impedance, limits.resistance_ohm, limits.force_factor_tm
        )
        peak = CREST**2 * volts_squared * share * metres**2
        words = StressWords(f"{name} moves", 1e3 * limits.excursion_m, "mm", 0.5)
        return peak / limits.excursion_m**2, words


def excursion_per_volt(
    frequency_hz: Real, impedance: Complex, resistance_ohm: float, force_factor_tm: float
) -> Real:
    """Estimate the excursion of a voice coil for one volt at the terminals.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    impedance : ndarray, shape (F,), complex
        Measured impedance of the driver in its box, in ohm.
    resistance_ohm : float
        Resistance of the voice coil at direct current.
    force_factor_tm : float
        Force factor Bl in T m.

    Returns
    -------
    ndarray, shape (F,)
        Same kind of amplitude (peak, rms) as the volt, in m.

    Notes
    -----
    The coil's motion is what makes the impedance differ from its resistance: the back voltage is
    E (1 - Re/Z), the velocity that over Bl. The box is thereby in the measurement. The coil's
    inductance is left out, which counts from some times the resonance on, where excursion is small
    and then overestimated.
    """
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(np.abs(1.0 - resistance_ohm / impedance) / (force_factor_tm * omega))


def find_resonance_hz(frequency_hz: Real, impedance: Complex) -> float:
    """Find the resonance of a driver: the highest peak of its impedance below 3 kHz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (F,)
        Frequencies in Hz.
    impedance : ndarray, shape (F,), complex
        Impedance in ohm.

    Returns
    -------
    float
        In Hz. The rise of the coil's inductance is no peak: only points higher than both
        neighbours count, else the lowest frequency is returned.
    """
    modulus = np.abs(impedance)
    inner = (modulus[1:-1] > modulus[:-2]) & (modulus[1:-1] >= modulus[2:])
    inner &= frequency_hz[1:-1] < 3000.0
    if not inner.any():
        return float(frequency_hz[0])
    peaks = np.flatnonzero(inner) + 1
    return float(frequency_hz[peaks[np.argmax(modulus[peaks])]])
