"""Equivalent peak dissipation resistance against the published table and a direct simulation.

E. Benjamin, "Audio Power Amplifiers for Loudspeaker Loads", J. Audio Eng. Soc. 42(9), 1994;
K. Howard, "Heavy Load", 2007, computes it from modulus and phase alone. The ratios below are the
numeric maximum of the instantaneous dissipation over four million points of a cycle, and equal to
the closed form derived from that source to the digits printed.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.channels import epdr_db, impedance_phase_rad
from optimizer.acoustics.curves import Curves, Field
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance

RATIOS = {
    0: 1.00000,
    5: 0.86395,
    10: 0.75333,
    15: 0.66242,
    20: 0.58700,
    25: 0.52389,
    30: 0.47066,
    35: 0.42545,
    40: 0.38679,
    45: 0.35355,
    50: 0.32482,
    55: 0.29985,
    60: 0.27807,
    65: 0.25898,
    70: 0.24221,
    75: 0.22741,
    80: 0.21433,
    85: 0.20274,
    90: 0.19245,
}
"""EPDR over modulus by phase in degrees."""

EXAMPLES = [
    (4.0, -45.0, 1.41421),
    (3.2, -45.0, 1.13137),
    (6.0, -30.0, 2.82396),
    (8.0, 60.0, 2.22453),
    (10.0, -60.0, 2.78066),
]

# Whole network of the worked example: frequency, modulus and phase of the input, EPDR.
NETWORK = [
    (20, 12.54938, 50.4779, 4.04438),
    (50, 27.92331, -55.1242, 8.35668),
    (300, 5.99191, 3.2387, 5.44442),
    (5000, 6.80038, -40.5385, 2.60435),
]


def channel(impedance: complex) -> Curves:
    field = Field(["on_axis"], np.ones((1, 1, 1), dtype=np.complex128), np.ones((1, 1)))
    return Curves(field, [np.ones(1, dtype=np.complex128)], np.array([1.0 / impedance]))


@pytest.mark.parametrize(("degrees", "ratio"), RATIOS.items())
def test_ratio_at_phase(degrees: int, ratio: float) -> None:
    """The ratio of EPDR to modulus at each tabulated phase, to either side."""
    for sign in (1.0, -1.0):
        z = np.array([7.0 * np.exp(1j * np.radians(sign * degrees))])
        assert equivalent_peak_dissipation_resistance(z)[0] / 7.0 == pytest.approx(
            ratio, abs=5.1e-6
        )


@pytest.mark.parametrize(("ohm", "degrees", "expected"), EXAMPLES)
def test_examples(ohm: float, degrees: float, expected: float) -> None:
    """Worked loads, through the curve that the goal looks at."""
    curves = channel(ohm * np.exp(1j * np.radians(degrees)))
    assert 10.0 ** (float(epdr_db(curves)[0]) / 20.0) == pytest.approx(expected, abs=5.1e-6)
    assert np.degrees(impedance_phase_rad(curves)[0]) == pytest.approx(degrees)


@pytest.mark.parametrize(("hz", "ohm", "degrees", "expected"), NETWORK)
def test_worked_network(hz: int, ohm: float, degrees: float, expected: float) -> None:
    """Points of a worked two-way network, whose impedance a circuit simulator confirmed."""
    curves = channel(ohm * np.exp(1j * np.radians(degrees)))
    assert 10.0 ** (float(epdr_db(curves)[0]) / 20.0) == pytest.approx(expected, abs=2e-5)


@pytest.mark.parametrize("degrees", [0.0, 17.0, 45.0, 72.0])
def test_against_the_output_stage(degrees: float) -> None:
    """The peak of (rail - v) i over a cycle in a class-B stage at full swing, sampled finely, is
    that of a resistor of the EPDR, whose own peak is V^2 / (4 R)."""
    phi, modulus, rail = np.radians(degrees), 5.0, 30.0
    x = np.linspace(0.0, 2.0 * np.pi, 400_001)
    current = rail / modulus * np.sin(x - phi)
    peak = np.max(np.where(current > 0.0, (rail - rail * np.sin(x)) * current, 0.0))
    z = np.array([modulus * np.exp(1j * phi)])
    assert rail**2 / (4.0 * peak) == pytest.approx(
        equivalent_peak_dissipation_resistance(z)[0], rel=1e-8
    )
