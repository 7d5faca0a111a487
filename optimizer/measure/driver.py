"""A driver: one response per direction and one impedance on one shared grid."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import Direction
from optimizer.text.brief import clip


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Where a curve on the grid is measured and how it continues outside.

    Parameters
    ----------
    source : str
        File the curve came from.
    low_hz, high_hz : float
        First and last measured frequency.
    slope_low_db_per_octave, slope_high_db_per_octave : float
        Level slope used below `low_hz` and above `high_hz` (0 where the grid is covered).
    gate_s : float or None
        Time window of the curve in s, where one limits it: below its inverse nothing is resolved.
    """

    source: str
    low_hz: float
    high_hz: float
    slope_low_db_per_octave: float = 0.0
    slope_high_db_per_octave: float = 0.0
    gate_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a driver stands.

    Parameters
    ----------
    watts : float or None
        Rated programme-noise power in W.
    lowest_hz : float or None
        Lowest frequency it should be asked to play, in Hz.
    highest_hz : float or None
        Highest frequency it should be asked to play, in Hz.
    excursion_m : float or None
        Excursion to one side that it stands, in m (peak).
    force_factor_tm : float or None
        Force factor Bl in T m, for estimates of excursion.
    resistance_ohm : float or None
        Resistance of the voice coil at direct current, for the same.
    """

    watts: float | None = None
    lowest_hz: float | None = None
    highest_hz: float | None = None
    excursion_m: float | None = None
    force_factor_tm: float | None = None
    resistance_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """A driver mounted in its cabinet, raw, on the grid of the problem.

    Parameters
    ----------
    name : str
        The user's name for it ("woofer").
    frequency_hz : ndarray, shape (F,)
        The shared grid in Hz.
    directions : tuple of Direction, length A
        Directions of the rows of `pressure`; the reference axis comes first.
    pressure : ndarray, shape (A, F), complex
        Pressure at 1 m for 2.83 V at the terminals, re 20 uPa.
    impedance : ndarray, shape (F,), complex
        Impedance in ohm.
    place_m : tuple of float
        (up, right, back) from the reference axis in m.
    diaphragm_m : float or None
        Effective diameter in m.
    limits : Limits
        What it stands.
    coverage : tuple of Coverage
        One for each response, then one for the impedance.
    notes : tuple of str
        Everything assumed on the way ("phase from minimum phase").
    estimated : tuple of Direction
        Directions that were not measured but estimated from geometry.
    """

    name: str
    frequency_hz: Real
    directions: tuple[Direction, ...]
    pressure: Complex
    impedance: Complex
    place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    diaphragm_m: float | None = None
    limits: Limits = Limits()
    coverage: tuple[Coverage, ...] = ()
    notes: tuple[str, ...] = ()
    estimated: tuple[Direction, ...] = ()

    def __repr__(self) -> str:
        low, high = self.frequency_hz[0], self.frequency_hz[-1]
        return clip(
            f"<Driver {self.name}: {len(self.directions)} directions at "
            f"{len(self.frequency_hz)} frequencies, {low:.4g} to {high:.4g} Hz>"
        )
