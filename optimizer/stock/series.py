"""Preferred-value series: the nominal values that shops keep."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from optimizer.arrays import Real
from optimizer.errors import InputError

RELATIVE_EPS = 1e-9
"""Values this close (relative) to the end of a range still lie inside it."""

_E24 = (
    "1.0",
    "1.1",
    "1.2",
    "1.3",
    "1.5",
    "1.6",
    "1.8",
    "2.0",
    "2.2",
    "2.4",
    "2.7",
    "3.0",
    "3.3",
    "3.6",
    "3.9",
    "4.3",
    "4.7",
    "5.1",
    "5.6",
    "6.2",
    "6.8",
    "7.5",
    "8.2",
    "9.1",
)


def _geometric(steps: int) -> tuple[str, ...]:
    # E48 and E96 follow the formula without exception; E24 and coarser do not.
    return tuple(f"{10 ** (i / steps):.2f}" for i in range(steps))


MANTISSAS: dict[str, tuple[str, ...]] = {
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _geometric(48),
    "E96": _geometric(96),
}
"""Mantissas of one decade as printed, IEC 60063:2015; texts, so that 4.7e-6 is exact."""


def series_values(name: str, low: float, high: float) -> Real:
    """Return the preferred values between two limits.

    Parameters
    ----------
    name : str
        "E6", "E12", "E24", "E48" or "E96"; case does not matter.
    low, high : float
        Limits in SI units, positive, both included.

    Returns
    -------
    ndarray, shape (N,)
        Increasing values, read-only; empty when none lies in the range.

    Raises
    ------
    InputError
        If the series is unknown or the limits are not positive and finite.

    References
    ----------
    IEC 60063:2015, preferred number series for resistors and capacitors.
    """
    return _series_values(check_series(name), float(low), float(high))


def check_series(name: str) -> str:
    """Return the series name in its usual spelling, or raise `InputError`."""
    spelled = str(name).strip().upper()
    if spelled not in MANTISSAS:
        raise InputError(
            f"the preferred-value series must be one of {', '.join(MANTISSAS)}",
            value=repr(name),
            remedy="choose one of them (E12 is the usual stock of parts for crossovers)",
        )
    return spelled


@lru_cache(maxsize=1024)
def _series_values(name: str, low: float, high: float) -> Real:
    if not (0 < low < math.inf and 0 < high < math.inf):
        raise InputError(
            "the limits of a range must be positive and finite", value=f"{low:g} to {high:g}"
        )
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    values = np.array(
        [
            float(f"{mantissa}e{decade}")
            for decade in range(first, last + 1)
            for mantissa in MANTISSAS[name]
        ]
    )
    inside = (values >= low * (1 - RELATIVE_EPS)) & (values <= high * (1 + RELATIVE_EPS))
    values = values[inside]
    values.flags.writeable = False
    return values
