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
from optimizer.text.units import say_hz

CORNER_DB = 6.0
"""Drive of a driver at the lowest frequency it is meant to play: the corner of its filter."""

FALL_DB_PER_OCTAVE = 12.0
"""How fast the drive has to fall below that, down to what the goal asks for (common practice: a
second-order filter, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedTops(Prepared):
    """Drivers with a lowest frequency.

    Parameters
    ----------
    tops : tuple of int
        Ways that are watched.
    allowed_db : ndarray, shape (number of watched ways, N)
        Largest drive against that of the driver's own band; infinite where nothing is asked.
    passband : ndarray, shape (number of watched ways, N)
        Share of each point in that drive of the own band; each row sums to 1, or to 0 where the
        amplifier's own voltage stands for it.
    ways : tuple of str
        Names, for reports.
    silent : bool
        True for a lower bound on a part of the grid, which does not tell the drive of a band.
    """

    tops: tuple[int, ...]
    allowed_db: Real
    passband: Real
    ways: tuple[str, ...]
    silent: bool = False


class LowDrive(
    GridGoal,
    name="low_drive",
    family="protection",
    unit="dB rms over",
    sells="more drive below the drivers' ranges",
    buys="less drive below the drivers' ranges",
):
    """Drive of a driver below its lowest frequency, at its resonance and below that.

    It is measured against the drive in the driver's own band, so that a pad does not pass for
    protection. What exceeds the allowed drive counts. The lowest way is left out, which nothing
    passive can keep from its resonance.

    Notes
    -----
    Allowed are -6 dB at the stated lowest frequency, 12 dB less for each octave below it, down to
    what the goal asks for; that holds at the resonance (the highest peak of the impedance below
    3 kHz) and below in any case. The own band's drive is the rms over log frequency from one octave
    above the higher of the two to the driver's highest frequency, four octaves at most.
    """

    down_db: float = option(
        "down", "how far below the drive in the driver's own band", default=12.0, unit="dB",
        least=0.0,
    )  # fmt: skip
    hard: bool = hard_option()
    weight: float = weight_option(0.2)

    def prepare(self, scene: Scene) -> PreparedTops:
        """See `GridGoal.prepare`."""
        f = scene.frequency_hz
        watched = []
        tops = [_top_hz(f, driver) for _, driver in scene.ways]
        lowest = min(tops, default=0.0)
        for way, (top, (_, driver)) in enumerate(zip(tops, scene.ways, strict=True)):
            if top > lowest and top >= f[0]:
                watched.append((way, self._allowed_db(f, driver), _own_band(f, driver, top)))
        if not watched:
            raise self.refuse(
                "the goal needs a second driver with a higher lowest frequency",
                remedy="state the lowest frequency of the tweeter, or remove the goal",
                by_stating=(Subject("driver", part="lowest frequency"),),
            )
        allowed = np.array([row for _, row, _ in watched])
        return PreparedTops(
            goal=self,
            name=self.name,
            index=np.arange(len(f)),
            frequency_hz=f,
            scale=1.0 / np.sqrt(np.count_nonzero(np.isfinite(allowed))),
            tops=tuple(way for way, _, _ in watched),
            allowed_db=allowed,
            passband=np.array([row for _, _, row in watched]),
            ways=scene.way_names,
        )

    def _allowed_db(self, frequency_hz: Real, driver: Driver) -> Real:
        lowest, resonance = (
            driver.limits.lowest_hz,
            find_resonance_hz(frequency_hz, driver.impedance),
        )
        allowed = np.full(len(frequency_hz), np.inf)
        if lowest is not None:
            below = frequency_hz <= lowest * (1.0 + 1e-9)
            fall = CORNER_DB + FALL_DB_PER_OCTAVE * np.log2(lowest / frequency_hz[below])
            allowed[below] = -np.minimum(fall, self.down_db)
        if lowest is None or resonance > frequency_hz[0]:
            allowed[frequency_hz <= resonance * (1.0 + 1e-9)] = -self.down_db
        return allowed

    def thin(self, on: PreparedTops, index: Index, *, bound: bool) -> PreparedTops:
        """See `GridGoal.thin`: the drive of a band is only estimated on a part of the grid."""
        thin: PreparedTops = super().thin(on, index, bound=bound)
        kept = np.isin(on.index, index)
        allowed, passband = on.allowed_db[:, kept], on.passband[:, kept]
        total = passband.sum(axis=1, keepdims=True)
        count = int(np.count_nonzero(np.isfinite(allowed)))
        return replace(
            thin,
            scale=1.0 / np.sqrt(max(1, count)),
            allowed_db=allowed,
            passband=np.divide(passband, total, out=np.zeros_like(passband), where=total > 0.0),
            silent=bound or not count,
        )

    def _excess(self, on: PreparedTops, curves: Curves, row: int) -> Real:
        drive = drive_db(curves, on.tops[row])[..., on.span]
        return np.asarray(drive - own_drive_db(on, curves, row) - on.allowed_db[row])

    def residuals(self, on: PreparedTops, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        if on.silent:
            return np.zeros(1)
        rows = range(len(on.tops))
        return (
            join_terms([np.maximum(self._excess(on, curves, row), 0.0) for row in rows]) * on.scale
        )

    def tangents(self, on: PreparedTops, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        if on.silent:
            return np.zeros((curves.admittance.shape[0], tangents.columns, 1))
        terms = []
        for row, way in enumerate(on.tops):
            slope = drive_db_slope(tangents, way)[..., on.span]
            if on.passband[row].any():
                square = _mean_square(on, curves, row)
                moved = drive_square_slope(tangents, way)[..., on.span] @ on.passband[row]
                slope = slope - (10.0 / np.log(10.0) * moved / square[:, None])[..., None]
            terms.append(slope * (self._excess(on, curves, row) > 0.0)[:, None])
        return join_terms(terms) * on.scale

    def describe(self, on: PreparedTops, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        excess = [self._excess(on, curves, row) for row in range(len(on.tops))]
        worst = int(np.argmax([e.max() for e in excess]))
        at = int(np.argmax(excess[worst]))
        allowed = float(on.allowed_db[worst][at])
        return (
            f"{on.ways[on.tops[worst]]} is driven {excess[worst][at] + allowed:+z.2f} dB against its "
            f"own band at {say_hz(on.frequency_hz[at])}, limit {allowed:+z.2f} dB"
        )


def own_drive_db(on: PreparedTops, curves: Curves, row: int) -> Real:
    """Drive of a watched way in its own band over the amplifier's voltage, in dB, shape (..., 1)."""
    if not on.passband[row].any():
        return np.zeros(1)
    return np.asarray(10.0 * np.log10(_mean_square(on, curves, row))[..., None])


def _mean_square(on: PreparedTops, curves: Curves, row: int) -> Real:
    h = curves.transfer[on.tops[row]][..., on.span]
    return np.asarray(np.maximum((h.real**2 + h.imag**2) @ on.passband[row], 1e-30))


def _top_hz(frequency_hz: Real, driver: Driver) -> float:
    """Highest frequency at which a driver's drive is limited."""
    resonance = find_resonance_hz(frequency_hz, driver.impedance)
    return max(driver.limits.lowest_hz or 0.0, resonance)


def _own_band(frequency_hz: Real, driver: Driver, top_hz: float) -> Real:
    """Share of each point in the drive of a driver's own band, see `LowDrive`."""
    high = min(driver.limits.highest_hz or np.inf, 32.0 * top_hz)
    inside = (frequency_hz >= 2.0 * top_hz) & (frequency_hz <= high)
    if np.count_nonzero(inside) < 3:
        inside = frequency_hz > top_hz
    return np.asarray(inside / max(1, int(np.count_nonzero(inside))))


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
