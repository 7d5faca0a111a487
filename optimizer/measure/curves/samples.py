"""The numbers of a curve alone, as a key under which what follows from them can be kept.

Fits to curves take most of the time of a survey. A survey that is made again after a file was
added, and a design whose timing was just found by a survey, ask for the same ones once more.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from optimizer.measure.curve import MeasuredCurve, Quantity


class Samples(NamedTuple):
    """A curve without its names: two files that hold the same numbers have equal ones.

    Parameters
    ----------
    frequency_hz, value : bytes
        The arrays of the curve.
    quantity : {"pressure", "impedance"}
    has_phase : bool
    """

    frequency_hz: bytes
    value: bytes
    quantity: Quantity
    has_phase: bool

    @classmethod
    def of(cls, curve: MeasuredCurve) -> Samples:
        """Take the numbers of a curve."""
        return cls(
            frequency_hz=np.asarray(curve.frequency_hz, dtype=np.float64).tobytes(),
            value=np.asarray(curve.value, dtype=np.complex128).tobytes(),
            quantity=curve.quantity,
            has_phase=curve.has_phase,
        )

    def curve(self) -> MeasuredCurve:
        """Make a curve of them again, of nameless origin; its arrays cannot be written to."""
        return MeasuredCurve(
            frequency_hz=np.frombuffer(self.frequency_hz, dtype=np.float64),
            value=np.frombuffer(self.value, dtype=np.complex128),
            quantity=self.quantity,
            has_phase=self.has_phase,
        )
