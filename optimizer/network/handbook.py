"""Handbook dividing networks: element values for a resistive load and an amplifier of zero ohm.

They are starting points and check values. A real driver is no resistor and has a response of its
own, so a handbook network on a real driver is rarely what the handbook promises.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import polynomial

from optimizer.arrays import Real
from optimizer.errors import InputError
from optimizer.network.ladder import Place

Alignment = Literal["butterworth", "linkwitz-riley"]

HIGHEST_ORDER = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class HandbookElement:
    """One element of a handbook ladder.

    Parameters
    ----------
    place : {"series", "shunt"}
        In the line or across it.
    kind : {"inductor", "capacitor"}
        What it is.
    value : float
        In H or F.
    """

    place: Place
    kind: Literal["inductor", "capacitor"]
    value: float


def handbook_lowpass(
    alignment: Alignment, order: int, frequency_hz: float, load_ohm: float
) -> tuple[HandbookElement, ...]:
    """Return the low-pass ladder of an alignment, source first.

    Parameters
    ----------
    alignment : {"butterworth", "linkwitz-riley"}
        Butterworth of order 1 to 8: -3.01 dB at the frequency. Linkwitz-Riley of order 2, 4, 6 or
        8: a Butterworth of half the order twice, -6.02 dB at the frequency.
    order : int
        Number of elements.
    frequency_hz : float
        Crossover frequency in Hz; positive.
    load_ohm : float
        Resistance of the load in ohm; positive.

    Returns
    -------
    tuple of HandbookElement
        A series inductor first, then in turn.

    Raises
    ------
    InputError
        When the alignment does not exist in that order, or a number is not positive.

    Notes
    -----
    With even part M and odd part N of the denominator, the load sees the lossless ladder (source
    shorted) as the admittance M/N; its continued fraction lists the elements from the load to the
    source. Singly terminated, so not the doubly terminated tables of radio handbooks.

    References
    ----------
    Method: textbook synthesis of singly terminated ladders (from memory; values checked by
    analysis). S. H. Linkwitz, "Active crossover networks for noncoincident drivers", J. Audio
    Eng. Soc. 24(1), 1976.
    """
    radian = _radian(frequency_hz, load_ohm)
    elements: list[HandbookElement] = []
    for i, g in enumerate(_prototype(alignment, order)):
        if i % 2 == 0:
            elements.append(
                HandbookElement(place="series", kind="inductor", value=g * load_ohm / radian)
            )
        else:
            elements.append(
                HandbookElement(place="shunt", kind="capacitor", value=g / (radian * load_ohm))
            )
    return tuple(elements)


def handbook_highpass(
    alignment: Alignment, order: int, frequency_hz: float, load_ohm: float
) -> tuple[HandbookElement, ...]:
    """Return the high-pass ladder of an alignment, source first.

    Parameters
    ----------
    alignment, order, frequency_hz, load_ohm
        As in `handbook_lowpass`.

    Returns
    -------
    tuple of HandbookElement
        A series capacitor first, then in turn.

    Raises
    ------
    InputError
        As `handbook_lowpass`.

    Notes
    -----
    The low-pass with s replaced by 1/s: every element g becomes its dual kind with 1/g.
    """
    radian = _radian(frequency_hz, load_ohm)
    elements: list[HandbookElement] = []
    for i, g in enumerate(_prototype(alignment, order)):
        if i % 2 == 0:
            value = 1.0 / (g * radian * load_ohm)
            elements.append(HandbookElement(place="series", kind="capacitor", value=value))
        else:
            value = load_ohm / (g * radian)
            elements.append(HandbookElement(place="shunt", kind="inductor", value=value))
    return tuple(elements)


def handbook_series(
    frequency_hz: float, load_ohm: float
) -> tuple[HandbookElement, HandbookElement]:
    """Return the series crossover of first order: two drivers in series, each with one part across.

    Parameters
    ----------
    frequency_hz : float
        Crossover frequency in Hz, where both are 3.01 dB down; positive.
    load_ohm : float
        Resistance of each driver in ohm; positive.

    Returns
    -------
    capacitor, inductor : HandbookElement
        Across the lower driver, and across the upper one.

    Raises
    ------
    InputError
        When a number is not positive.

    Notes
    -----
    R beside C is R/(1 + s), R beside L is R s/(1 + s), with s in units of the crossover: what the
    amplifier sees is R at every frequency, and both voltages add up to its own, whatever the
    drivers are (textbook identity).
    """
    radian = _radian(frequency_hz, load_ohm)
    return (
        HandbookElement(place="shunt", kind="capacitor", value=1.0 / (radian * load_ohm)),
        HandbookElement(place="shunt", kind="inductor", value=load_ohm / radian),
    )


def handbook_two_and_a_half(
    frequency_hz: float, load_ohm: float, *, octaves: float = 1.0
) -> tuple[HandbookElement, HandbookElement, HandbookElement]:
    """Return first-order starting values of 2.5 ways: two equal woofers, of which one ends earlier.

    Parameters
    ----------
    frequency_hz : float
        Crossover to the tweeter in Hz; positive.
    load_ohm : float
        Resistance of each driver in ohm; positive.
    octaves : float
        How much earlier the lower woofer ends; positive (an octave or so: common practice, no
        source; the step of the front decides).

    Returns
    -------
    lower, upper, tweeter : HandbookElement
        A coil in the line of each woofer and a capacitor in that of the tweeter; each is 3.01 dB
        down at its own frequency.

    Raises
    ------
    InputError
        When a number is not positive.
    """
    if not (np.isfinite(octaves) and octaves > 0.0):
        raise InputError("the lower woofer of 2.5 ways ends earlier", value=f"{octaves} octaves")
    (upper,) = handbook_lowpass("butterworth", 1, frequency_hz, load_ohm)
    (lower,) = handbook_lowpass("butterworth", 1, frequency_hz / 2.0**octaves, load_ohm)
    (tweeter,) = handbook_highpass("butterworth", 1, frequency_hz, load_ohm)
    return lower, upper, tweeter


def _radian(frequency_hz: float, load_ohm: float) -> float:
    for name, value in (("crossover frequency", frequency_hz), ("load resistance", load_ohm)):
        if not (np.isfinite(value) and value > 0.0):
            raise InputError(f"a {name} is positive", value=value)
    return 2.0 * np.pi * frequency_hz


def _prototype(alignment: str, order: int) -> list[float]:
    """Return the low-pass elements for 1 ohm and 1 rad/s, source first."""
    if alignment == "butterworth" and 1 <= order <= HIGHEST_ORDER:
        denominator = _butterworth(order)
    elif alignment == "linkwitz-riley" and 2 <= order <= HIGHEST_ORDER and order % 2 == 0:
        half = _butterworth(order // 2)
        denominator = np.asarray(polynomial.polymul(half, half), dtype=np.float64)
    else:
        raise InputError(
            "handbook ladders exist as butterworth of order 1 to 8 and linkwitz-riley of "
            "order 2, 4, 6 and 8",
            value=f"{alignment} of order {order}",
        )
    even, odd = denominator.copy(), denominator.copy()
    even[1::2] = 0.0
    odd[0::2] = 0.0
    upper, lower = (even, odd) if order % 2 == 0 else (odd, even)
    from_load: list[float] = []
    for degree in range(order, 0, -1):
        g = upper[degree] / lower[degree - 1]
        from_load.append(float(g))
        remainder = upper.copy()
        remainder[1:] -= g * lower[:-1]
        # What cancels exactly in theory must not come back as rounding noise.
        remainder[degree:] = 0.0
        upper, lower = lower, remainder
    return from_load[::-1]


def _butterworth(order: int) -> Real:
    """Return the denominator, ascending powers, for 1 rad/s."""
    k = np.arange(1, order + 1)
    poles = np.exp(1j * np.pi * (2 * k + order - 1) / (2 * order))
    return np.asarray(polynomial.polyfromroots(poles).real, dtype=np.float64)
