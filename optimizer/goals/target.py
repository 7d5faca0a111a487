"""The shape a curve is wanted to have: drawn by points, or the balance of another speaker."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import InputError
from optimizer.text.brief import clip
from optimizer.text.units import parse_quantity, say_hz

REFERENCE_HZ = 1000.0
"""Where a target is 0 dB: its level is free, so only its shape counts."""


@dataclass(frozen=True, slots=True, repr=False)
class TargetCurve:
    """A shape in dB over the logarithm of frequency, straight between its points.

    Parameters
    ----------
    frequency_hz, shape_db : tuple of float, equally long
        Points, rising in frequency. The level at 1 kHz, or at the end nearest to it, is taken as 0 dB.
    source : str
        What it was made of, for reports.

    Raises
    ------
    InputError
        Fewer than two points, frequencies that do not rise, or numbers beyond all sense.
    """

    frequency_hz: tuple[float, ...]
    shape_db: tuple[float, ...]
    source: str = "points"

    def __post_init__(self) -> None:
        f, shape = np.array(self.frequency_hz), np.array(self.shape_db)
        if len(f) < 2 or len(f) != len(shape):
            raise InputError("a target needs at least two points", value=len(f))
        if not (f[0] > 0.0 and (np.diff(f) > 0.0).all()):
            raise InputError("the frequencies of a target are positive and rise")
        if not (np.isfinite(shape).all() and np.ptp(shape) <= 120.0):
            raise InputError(
                "the levels of a target lie within 120 dB", value=f"{np.ptp(shape):g} dB"
            )
        object.__setattr__(self, "shape_db", tuple((shape - _at(f, shape, REFERENCE_HZ)).tolist()))

    @classmethod
    def read(cls, value: Any) -> TargetCurve:
        """Read a target from Python: ready, or levels by frequency, each as text or in Hz and dB."""
        if isinstance(value, cls):
            return value
        if not isinstance(value, Mapping):
            raise InputError("a target is a curve, or levels by frequency", value=repr(value))
        return cls.through(
            (parse_quantity(f, "Hz"), parse_quantity(x, "dB")) for f, x in value.items()
        )

    @classmethod
    def through(cls, points: Iterable[tuple[float, float]]) -> TargetCurve:
        """Draw a target through points in any order."""
        rising = sorted(points)
        return cls(tuple(f for f, _ in rising), tuple(level for _, level in rising))

    @property
    def band_hz(self) -> tuple[float, float]:
        """Where it says anything."""
        return self.frequency_hz[0], self.frequency_hz[-1]

    def at(self, frequency_hz: Real) -> Real:
        """Return its shape in dB; beyond its ends it stays what it is there.

        Parameters
        ----------
        frequency_hz : ndarray, shape (F,)
        """
        return _at(np.array(self.frequency_hz), np.array(self.shape_db), frequency_hz)

    def __str__(self) -> str:
        low, high = (say_hz(f) for f in self.band_hz)
        return f"{self.source}, {low} .. {high}"

    def __repr__(self) -> str:
        return clip(f"<TargetCurve {self}>")


def _at(f: Real, shape: Real, frequency_hz: Real | float) -> Real:
    return np.asarray(np.interp(np.log(frequency_hz), np.log(f), shape))
