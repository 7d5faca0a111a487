"""The demo's equations against published formulas and check values.

Where a table is marked "computed", the numbers were worked out from the cited formula outside
this project, before this code was written.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.demo import equations as eq
from optimizer.measure.curve import Direction
from optimizer.measure.geometry import (
    SOUND_SPEED_M_S,
    baffle_shelf,
    path_excess_m,
    piston_directivity,
    travel_factor,
)

# Example driver of the tables: Re 5.8 ohm, Le 0.5 mH, fs 40 Hz, Qms 4.0, Qes 0.40.
EXAMPLE = eq.MovingCoil(
    resistance_ohm=5.8,
    resonance_hz=40.0,
    mechanical_q=4.0,
    electrical_q=0.4,
    moving_mass_kg=0.02,
    diaphragm_m=0.13,
    coil_k=0.5e-3,
    coil_n=1.0,
)


def db(value: object) -> np.ndarray:
    return 20.0 * np.log10(np.abs(np.asarray(value)))


# Formula Zvc = Re + sLe + motional branch: R. H. Small, "Direct-Radiator Loudspeaker System
# Analysis", JAES 20(5), 1972 (equation from memory); values computed, printed to 5 decimals.
@pytest.mark.parametrize(
    ("frequency", "modulus", "phase"),
    [
        (10, 7.19339, 32.6509),
        (20, 11.99702, 52.1123),
        (30, 25.76834, 54.9460),
        (40, 63.80012, 0.1129),
        (60, 18.99924, -56.1281),
        (100, 9.26673, -44.4911),
        (200, 6.41637, -21.8145),
        (400, 5.84063, -2.0318),
        (1000, 6.34546, 23.8004),
        (2000, 8.34109, 45.9308),
        (5000, 16.63586, 69.5947),
        (10000, 31.88981, 79.5208),
        (20000, 63.07011, 84.7235),
    ],
)
def test_impedance_of_the_example_driver(frequency: float, modulus: float, phase: float) -> None:
    """With n = 1 the impedance is that of Small's circuit with an ideal inductance."""
    impedance = eq.compute_impedance(np.array([float(frequency)]), EXAMPLE)[0]
    assert abs(impedance) == pytest.approx(modulus, abs=6e-6)
    assert np.degrees(np.angle(impedance)) == pytest.approx(phase, abs=6e-5)


def test_impedance_peak_gives_back_the_q_values() -> None:
    """|Z| = Re sqrt(r0) at the two frequencies of the root-r0 method (common practice)."""
    frequency = np.array([26.718146, 59.884394])  # computed for fs 40, Qms 4, Qes 0.4
    impedance = 5.8 + eq.compute_motional_impedance(frequency, 5.8, 40.0, 4.0, 0.4)
    assert np.abs(impedance) == pytest.approx(5.8 * np.sqrt(11.0), rel=1e-6)


# Form K (jw)^n: W. M. Leach, "Loudspeaker Voice-Coil Inductance Losses", JAES 50(6), June 2002;
# values computed for K = 0.02, n = 0.68.
@pytest.mark.parametrize(
    ("frequency", "modulus", "parallel_ohm", "parallel_mh"),
    [(1e3, 7.652306, 15.884270, 1.389813), (1e4, 36.626237, 76.026898, 0.665206)],
)
def test_lossy_inductance(
    frequency: float, modulus: float, parallel_ohm: float, parallel_mh: float
) -> None:
    """Leach's inductance has a constant phase and the stated parallel resistor and coil."""
    impedance = eq.compute_coil_impedance(np.array([frequency]), 0.02, 0.68)[0]
    assert abs(impedance) == pytest.approx(modulus, abs=6e-7)
    assert np.degrees(np.angle(impedance)) == pytest.approx(61.2, abs=1e-9)
    admittance = 1.0 / impedance
    assert 1.0 / admittance.real == pytest.approx(parallel_ohm, abs=6e-7)
    henry = -1.0 / (2.0 * np.pi * frequency * admittance.imag)
    assert henry * 1e3 == pytest.approx(parallel_mh, abs=6e-7)


# R. H. Small, "Closed-Box Loudspeaker Systems", JAES 1972/73 (formula from memory); computed.
# The first 0.7071 row stands for 1/sqrt(2).
@pytest.mark.parametrize(
    ("total_q", "half", "at", "double", "minus_3_db", "peak"),
    [
        (0.5, -13.9794, -6.0206, -1.9382, 1.553774, 0.0),
        (0.5**0.5, -12.3045, -3.0103, -0.2633, 1.0, 0.0),
        (1.0, -11.1394, 0.0, 0.9018, 0.786151, 1.2494),
        (1.2, -10.7106, 1.5836, 1.3306, 0.735815, 2.4118),
    ],
)
def test_closed_box_levels(
    total_q: float, half: float, at: float, double: float, minus_3_db: float, peak: float
) -> None:
    """The closed-box high-pass meets the table of levels, cut-off and peak."""
    levels = db(eq.compute_closed_box(np.array([25.0, 50.0, 100.0]), 50.0, total_q))
    assert levels == pytest.approx([half, at, double], abs=6e-5)
    cut = eq.compute_closed_box(np.array([50.0 * minus_3_db]), 50.0, total_q)[0]
    assert abs(cut) ** 2 == pytest.approx(0.5, abs=2e-6)
    grid = np.geomspace(5.0, 50e4, 200_001)
    assert db(eq.compute_closed_box(grid, 50.0, total_q)).max() == pytest.approx(peak, abs=6e-5)


def test_closed_box_phase() -> None:
    """For Q 1/sqrt(2) the phase leads by 136.69, 90 and 43.31 degrees (computed)."""
    response = eq.compute_closed_box(np.array([25.0, 50.0, 100.0]), 50.0, 0.5**0.5)
    assert np.degrees(np.angle(response)) == pytest.approx([136.69, 90.0, 43.31], abs=5e-3)


def test_box_mounting() -> None:
    """Vas 30 l in 15 l: alpha 2, fc 69.2820 Hz, Qtc 0.629837 (Small; computed)."""
    resonance, mechanical, electrical = eq.mount_in_box(40.0, 4.0, 0.4, 30.0, 15.0)
    assert resonance == pytest.approx(69.2820, abs=6e-5)
    total = mechanical * electrical / (mechanical + electrical)
    assert total == pytest.approx(0.629837, abs=6e-7)


def test_pressure_without_inductance_is_the_closed_box_response() -> None:
    """With K = 0 the pressure is a constant times Small's G(s), in modulus and phase."""
    coil = replace(EXAMPLE, coil_k=0.0)
    frequency = np.geomspace(5.0, 20e3, 50)
    ratio = eq.compute_pressure(frequency, coil) / eq.compute_closed_box(
        frequency, 40.0, coil.total_q
    )
    assert ratio == pytest.approx(ratio[0], rel=1e-9)
    assert abs(ratio[0].imag) < 1e-12 * ratio[0].real


def test_level_agrees_with_the_reference_efficiency() -> None:
    """Level for 1 W is that of n0 = 4 pi^2 fs^3 Vas / (c^3 Qes) (Small 1972, from memory)."""
    fs, qes, vas, diameter, re = 40.0, 0.4, 0.030, 0.13, 5.8
    coil = eq.MovingCoil(
        resistance_ohm=re,
        resonance_hz=fs,
        mechanical_q=4.0,
        electrical_q=qes,
        moving_mass_kg=eq.compute_mass(fs, vas, diameter),
        diaphragm_m=diameter,
        coil_k=0.0,
        coil_n=1.0,
    )
    efficiency = 4.0 * np.pi**2 * fs**3 * vas / (343.2**3 * qes)
    # A source in an infinite baffle spreads its power over a half sphere: 2 pi m2 at 1 m.
    intensity = efficiency * (2.83**2 / re) / (2.0 * np.pi)
    expected = np.sqrt(intensity * 1.204 * 343.2)
    assert abs(eq.compute_pressure(np.array([40e6]), coil)[0]) == pytest.approx(expected, rel=1e-9)


def test_inductance_lowers_pressure_by_what_it_takes_from_the_current() -> None:
    """The force is Bl times the current, so pressure and current fall alike (Ohm's law)."""
    frequency = np.geomspace(20.0, 20e3, 40)
    lossless = replace(EXAMPLE, coil_k=0.0)
    pressure = eq.compute_pressure(frequency, EXAMPLE) / eq.compute_pressure(frequency, lossless)
    current = eq.compute_impedance(frequency, lossless) / eq.compute_impedance(frequency, EXAMPLE)
    assert pressure == pytest.approx(current, rel=1e-12)


# 2 J1(x)/x: T. E. Vigran, "Building Acoustics", eq. 3.51, and Eargle's handbook; dB computed.
@pytest.mark.parametrize(
    ("x", "level"),
    [
        (0.5, -0.272863),
        (1.0, -1.109348),
        (2.0, -4.780627),
        (3.0, -12.916321),
        (5.0, -17.652475),
        (0.950454, -1.0),
        (1.616340, -3.0103),
        (2.215089, -6.0206),
        (2.731379, -10.0),
        (3.419739, -20.0),
    ],
)
def test_piston_levels(x: float, level: float) -> None:
    """The piston's directivity meets the published table."""
    assert db(piston_directivity(np.array([x])))[0] == pytest.approx(level, abs=2e-5)


def test_piston_nulls_and_side_lobe() -> None:
    """Nulls lie at the zeros of J1 (standard tables); the first side lobe is -0.132279."""
    nulls = np.array([3.831706, 7.015587, 10.173468])
    assert np.abs(piston_directivity(nulls)) == pytest.approx(0.0, abs=2e-7)
    assert piston_directivity(np.array([5.135629]))[0] == pytest.approx(-0.132279, abs=6e-7)


def test_piston_is_smooth_through_zero() -> None:
    """The series near 0 meets the Bessel form; the value at 0 is exactly 1."""
    assert piston_directivity(np.array([0.0]))[0] == 1.0
    x = np.array([0.99e-2, 1.01e-2])
    expected = 1.0 - x**2 / 8.0 + x**4 / 192.0
    assert piston_directivity(x) == pytest.approx(expected, abs=1e-14)


def test_piston_example_in_angle() -> None:
    """Radius 64.8204 mm at 2 kHz: ka 2.373420, levels at 15 to 90 degrees (computed)."""
    radius = 64.8204e-3
    ka = 2.0 * np.pi * 2000.0 * radius / 343.2
    assert ka == pytest.approx(2.373420, abs=6e-6)
    angles = np.radians([15.0, 30.0, 45.0, 60.0, 90.0])
    levels = db(piston_directivity(ka * np.sin(angles)))
    assert levels == pytest.approx([-0.4130, -1.5767, -3.2620, -5.0814, -7.0712], abs=6e-5)
    rigid = eq.compute_diaphragm_directivity(
        np.array([2000.0]), 2.0 * radius, np.radians(45.0), stiff_limit=1e6
    )
    assert db(rigid)[0] == pytest.approx(-3.2620, abs=6e-5)


def test_baffle_shelf_spans_6_db() -> None:
    """6.02 dB from full to half space, half of it at 115/W (rule of thumb, no source)."""
    shelf = baffle_shelf(np.array([1e-3, 460.0, 1e9]), 0.25, 0.0, 0.03)
    assert db(shelf) == pytest.approx([-6.0206, -3.0103, 0.0], abs=1e-4)


# Second-order bell, standard textbook form: A = +6 dB, Q 2, 1 kHz; computed.
@pytest.mark.parametrize(
    ("frequency", "level", "phase"),
    [
        (500, 1.133105, 15.192431),
        (800, 4.227541, 17.708576),
        (1000, 6.0, 0.0),
        (1250, 4.227541, -17.708576),
        (2000, 1.133105, -15.192431),
    ],
)
def test_bell(frequency: float, level: float, phase: float) -> None:
    """Peaks are minimum-phase bells, and a dip undoes a peak exactly."""
    at = np.array([float(frequency)])
    peak = eq.compute_bell(at, 1000.0, 6.0, 2.0)[0]
    assert db(peak) == pytest.approx(level, abs=6e-7)
    assert np.degrees(np.angle(peak)) == pytest.approx(phase, abs=6e-7)
    assert peak * eq.compute_bell(at, 1000.0, -6.0, 2.0)[0] == pytest.approx(1.0, abs=1e-12)


# Second-order Butterworth low-pass at 1 kHz (textbook); phases computed.
@pytest.mark.parametrize(
    ("frequency", "phase"),
    [(100, -8.129693), (500, -43.313857), (1000, -90.0), (2000, -136.686143)],
)
def test_low_pass_phase(frequency: float, phase: float) -> None:
    """The end of a range is a Butterworth section at Q 1/sqrt(2)."""
    response = eq.compute_low_pass(np.array([float(frequency)]), 1000.0, 0.5**0.5)[0]
    assert np.degrees(np.angle(response)) == pytest.approx(phase, abs=6e-7)


def test_path_difference_of_10_mm() -> None:
    """10 mm of path are 29.1375 us, 20.979 degrees at 2 kHz (c = 343.2 m/s; computed)."""
    excess = path_excess_m(Direction(), (0.0, 0.0, 0.010))
    factor = travel_factor(np.array([2000.0]), excess)[0]
    assert np.degrees(np.angle(factor)) == pytest.approx(-20.979, abs=6e-4)
    assert excess / SOUND_SPEED_M_S == pytest.approx(29.1375e-6, abs=6e-11)


def test_path_difference_of_a_pair_makes_the_known_lobe() -> None:
    """Two equal sources 150 mm apart cancel at 34.890 degrees at 2 kHz (textbook; computed)."""
    direction = Direction(vertical_deg=34.890)
    paths = [path_excess_m(direction, (up, 0.0, 0.0)) for up in (0.075, -0.075)]
    total = sum(travel_factor(np.array([2000.0]), path)[0] for path in paths)
    assert abs(total) == pytest.approx(0.0, abs=2e-5)


@pytest.mark.parametrize(
    ("direction", "place", "sign"),
    [
        (Direction(vertical_deg=30.0), (-0.4, 0.0, 0.0), 1),
        (Direction(vertical_deg=-30.0), (-0.4, 0.0, 0.0), -1),
        (Direction(horizontal_deg=30.0), (0.0, 0.1, 0.0), -1),
        (Direction(horizontal_deg=-30.0), (0.0, 0.1, 0.0), 1),
        (Direction(horizontal_deg=180.0), (0.0, 0.0, 0.03), -1),
    ],
)
def test_sign_of_path_differences(
    direction: Direction, place: tuple[float, float, float], sign: int
) -> None:
    """A driver is nearer to a listener on its own side, and a set-back one nearer from behind."""
    assert np.sign(path_excess_m(direction, place)) == sign
