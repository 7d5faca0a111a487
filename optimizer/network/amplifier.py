"""What an amplifier makes of a load."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.arrays import Complex, Real


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """The amplifier that ratings are computed for.

    Parameters
    ----------
    watts : float
        Its continuous sine power in W.
    ohm : float
        The resistance that power is stated for.
    stated : bool
        False when nobody stated it and the default was taken.
    """

    watts: float = 50.0
    ohm: float = 8.0
    stated: bool = False

    @property
    def volts(self) -> float:
        """Effective output voltage at that power."""
        return float(np.sqrt(self.watts * self.ohm))


def equivalent_peak_dissipation_resistance(
    impedance: Complex,
) -> Real:
    """Resistance that would heat a class-B output stage as much at its peak as this load does.

    Parameters
    ----------
    impedance : ndarray, shape (..., F), complex
        Load in ohm.

    Returns
    -------
    ndarray, shape (..., F)
        EPDR in ohm, ``|Z| / (8 sin^3(30 deg + |phi|/3))``.

    Notes
    -----
    Meaningful for class B and AB; not for class A, doubtful for class D.

    References
    ----------
    E. Benjamin, "Audio Power Amplifiers for Loudspeaker Loads", J. Audio Eng. Soc. 42(9), 1994.
    """
    angle = np.pi / 6.0 + np.abs(np.angle(impedance)) / 3.0
    return np.asarray(np.abs(impedance) / (8.0 * np.sin(angle) ** 3))
