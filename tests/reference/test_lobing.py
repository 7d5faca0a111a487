"""Lobes of two point sources by geometry, and pistons: what estimated directions are made of.

Null angles: sin t = (m + 1/2) wavelength / distance; tilt of a quadrature pair: asin(wavelength /
(4 distance)) (S. H. Linkwitz, J. Audio Eng. Soc. 24(1), 1976, for the effect; the numbers are
geometry). Piston levels: 2 J1(x)/x, T. E. Vigran, "Building Acoustics", eq. 3.51.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.averages import direction_averages
from optimizer.acoustics.curves import Curves, Field
from optimizer.acoustics.field import cabinet_shade, estimate_directions, estimate_pressure
from optimizer.arrays import Real
from optimizer.errors import InputError
from optimizer.goals import LobeDepth, LobeSymmetry, Scene
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.driver import Driver
from optimizer.measure.geometry import SOUND_SPEED_M_S, path_excess_m, piston_directivity

CROSSOVER_HZ = 2000.0
WAVE_M = SOUND_SPEED_M_S / CROSSOVER_HZ


def make_driver(
    name: str,
    up_m: float,
    *,
    back_m: float = 0.0,
    diaphragm_m: float | None = 1e-6,
    frequency_hz: Real | None = None,
) -> Driver:
    """A driver so small that it does not beam, flat on the axis."""
    f = np.array([CROSSOVER_HZ]) if frequency_hz is None else frequency_hz
    k = 2 * np.pi * f / SOUND_SPEED_M_S
    return Driver(
        name=name,
        frequency_hz=f,
        directions=(ON_AXIS,),
        pressure=np.exp(-1j * k * back_m)[None],
        diaphragm_m=diaphragm_m,
        impedance=np.full(len(f), 8.0 + 0j),
        place_m=(up_m, 0.0, back_m),
    )


def pair_level_db(spacing_m: float, angle_deg: float, turn: complex = 1.0) -> float:
    """Level of two equal drivers, the upper one turned in phase, re one of them doubled."""
    up = Direction(vertical_deg=angle_deg)
    upper, lower = (
        estimate_pressure(make_driver("d", s * spacing_m / 2), up, 1e-6) for s in (1, -1)
    )
    total = abs(upper[0] * turn + lower[0]) / 2.0
    return float(20.0 * np.log10(max(total, 1e-12)))


# spacing over wavelength: angles of -3.01 dB, -6.02 dB and the first null
LOBES = {
    0.5: (30.000, 41.810, 90.0),
    0.75: (19.471, 26.388, 41.810),
    1.0: (14.478, 19.471, 30.0),
    1.25: (11.537, 15.466, 23.578),
    1.5: (9.594, 12.840, 19.471),
    2.0: (7.181, 9.594, 14.478),
}


@pytest.mark.parametrize("ratio", LOBES)
def test_lobe_of_two_drivers(ratio: float) -> None:
    """Two drivers in phase, a given distance apart: -3, -6 dB and null at the known angles. With
    one wavelength between them the nulls fall at plus and minus 30 degrees."""
    spacing = ratio * WAVE_M
    half, quarter, null = LOBES[ratio]
    for sign in (1.0, -1.0):
        assert pair_level_db(spacing, sign * half) == pytest.approx(-3.0103, abs=0.002)
        assert pair_level_db(spacing, sign * quarter) == pytest.approx(-6.0206, abs=0.003)
        assert pair_level_db(spacing, sign * null) < -60.0


@pytest.mark.parametrize(
    ("hz", "spacing_m", "null"),
    [(2000.0, 0.150, 34.890), (2500.0, 0.140, 29.359), (3000.0, 0.170, 19.662)],
)
def test_null_of_usual_spacings(hz: float, spacing_m: float, null: float) -> None:
    """First null of drivers 14 to 17 cm apart, c = 343.2 m/s."""
    f = np.array([hz])
    pair = [make_driver("d", s * spacing_m / 2, frequency_hz=f) for s in (1, -1)]
    upper, lower = (estimate_pressure(d, Direction(vertical_deg=null), 1e-6) for d in pair)
    assert abs(upper[0] + lower[0]) < 1e-4


@pytest.mark.parametrize(("ratio", "tilt"), [(0.5, 30.0), (1.0, 14.478), (1.5, 9.594)])
def test_quadrature_tilts_the_lobe(ratio: float, tilt: float) -> None:
    """Drivers 90 degrees apart (odd-order Butterworth) point their lobe at asin(lambda / 4 d)."""
    spacing = ratio * WAVE_M
    assert pair_level_db(spacing, tilt, turn=-1j) == pytest.approx(0.0, abs=1e-5)
    assert pair_level_db(spacing, -tilt, turn=-1j) < -60.0


def test_path_differences() -> None:
    """Above the axis the upper driver is nearer by its height times the sine, a driver set back
    loses its lag to the side, straight behind front and back change places."""
    assert path_excess_m(Direction(vertical_deg=30.0), (0.2, 0.0, 0.0)) == pytest.approx(-0.1)
    assert path_excess_m(Direction(horizontal_deg=30.0), (0.0, 0.2, 0.0)) == pytest.approx(-0.1)
    assert path_excess_m(ON_AXIS, (0.2, 0.1, 0.03)) == pytest.approx(0.03)
    assert path_excess_m(Direction(horizontal_deg=90.0), (0.0, 0.0, 0.03)) == pytest.approx(0.0)
    assert path_excess_m(Direction(horizontal_deg=180.0), (0.0, 0.0, 0.03)) == pytest.approx(-0.03)


# level dB at x = ka sin t
PISTON = [
    (0.5, -0.272863),
    (1.0, -1.109348),
    (2.0, -4.780627),
    (3.0, -12.916321),
    (5.0, -17.652475),
]


def test_piston_levels() -> None:
    """Levels of the rigid piston at tabulated arguments; its nulls at the zeros of J1."""
    for x, level in PISTON:
        assert 20 * np.log10(abs(piston_directivity(np.array(x)))) == pytest.approx(level, abs=1e-6)
    for x, level in (
        (0.950454, -1.0),
        (1.616340, -3.0103),
        (2.215089, -6.0206),
        (2.731379, -10.0),
        (3.419739, -20.0),
    ):
        assert 20 * np.log10(abs(piston_directivity(np.array(x)))) == pytest.approx(level, abs=1e-4)
    zeros = np.array([3.831706, 7.015587, 10.173468])
    assert np.abs(piston_directivity(zeros)).max() < 1e-6
    assert piston_directivity(np.array(5.135629)) == pytest.approx(-0.132279, abs=1e-6)
    assert piston_directivity(np.array([0.0, 1e-3])) == pytest.approx([1.0, 1.0], abs=1e-6)


@pytest.mark.parametrize(
    ("angle", "level"),
    [(15.0, -0.4130), (30.0, -1.5767), (45.0, -3.2620), (60.0, -5.0814), (90.0, -7.0712)],
)
def test_estimated_woofer_beams_like_its_diaphragm(angle: float, level: float) -> None:
    """A diaphragm of 132 cm^2 (a = 64.8204 mm) at 2 kHz, the cabinet's shade taken out."""
    driver = make_driver("woofer", 0.0, diaphragm_m=2 * 64.8204e-3)
    estimated = estimate_pressure(driver, Direction(horizontal_deg=angle), 0.2)
    shade = cabinet_shade(np.array([CROSSOVER_HZ]), 0.2, np.radians(angle))
    assert 20 * np.log10(abs(estimated[0] / shade[0])) == pytest.approx(level, abs=1e-4)


def test_rear_rule() -> None:
    """The stated rule: low frequencies go round the cabinet, high ones fall to half the pressure
    at the side and a tenth behind; the axis stays as measured."""
    f = np.array([1.0, 1e6])
    for degrees, expected in ((0.0, 1.0), (90.0, 0.5), (180.0, 0.1)):
        shade = np.abs(cabinet_shade(f, 0.2, np.radians(degrees)))
        assert shade[0] == pytest.approx(1.0, abs=1e-4)
        assert shade[1] == pytest.approx(expected, abs=1e-3)


def test_estimated_directions_are_said_and_marked() -> None:
    """All 70 standard directions are filled in, marked on the driver and said in the notes."""
    drivers, notes = estimate_directions([make_driver("w", -0.1), make_driver("t", 0.1)])
    assert len(drivers[0].directions) == 70
    assert len(drivers[0].estimated) == 69
    assert drivers[0].pressure.shape == (70, 1)
    assert all(note.startswith("estimated") for note in notes)
    assert "no width is stated" in notes[0]
    np.testing.assert_allclose(drivers[0].pressure[0], make_driver("w", -0.1).pressure[0])


def test_measured_directions_are_not_mixed_with_estimated_ones() -> None:
    """With directions off the axis nothing is estimated from geometry, and that is said."""
    one = make_driver("w", 0.0)
    directions = (ON_AXIS, Direction(horizontal_deg=30.0), Direction(horizontal_deg=60.0))
    measured = Driver(
        name="w",
        frequency_hz=one.frequency_hz,
        directions=directions,
        diaphragm_m=0.1,
        pressure=np.full((3, 1), 5.0 + 0j),
        impedance=one.impedance,
    )
    (driver,), notes = estimate_directions([measured])
    assert driver is measured
    assert "completed from the directions that were measured" in notes[0]


def test_estimate_needs_the_diaphragm() -> None:
    """Without a diaphragm there is nothing to estimate from, and the message says where."""
    with pytest.raises(InputError, match=r"driver w, diaphragm.*effective diameter"):
        estimate_directions([make_driver("w", 0.0, diaphragm_m=None)])


# --- goals -----------------------------------------------------------------------------------


def lobe_figures(corner_hz: float, spacing_m: float) -> tuple[float, float]:
    """Symmetry and depth figures of two small drivers with Linkwitz-Riley filters."""
    f = np.geomspace(300.0, 10_000.0, 120)
    drivers, _ = estimate_directions(
        [make_driver("w", -spacing_m, frequency_hz=f), make_driver("t", 0.0, frequency_hz=f)],
        baffle_m=1e-6,
    )
    s = 1j * f / corner_hz
    denominator = (s**2 + np.sqrt(2.0) * s + 1.0) ** 2
    averages = direction_averages(drivers[0].directions)
    averages["on_axis"] = averages["at 0"]
    ways = [(d.name, d) for d in drivers]
    field = Field(
        list(averages),
        np.stack([d.pressure for d in drivers]),
        np.stack([a.weights for a in averages.values()]),
    )
    curves = Curves(
        field, [1.0 / denominator, s**4 / denominator], np.ones(len(f), dtype=np.complex128)
    )
    out = []
    scene = Scene(frequency_hz=f, curves=list(averages), ways=ways)
    for asked in (LobeSymmetry(angle_deg=20.0), LobeDepth(angle_deg=20.0, allowed_db=0.0)):
        goal = asked.prepare(scene)
        out.append(float(np.linalg.norm(goal.residuals(curves))))
    return out[0], out[1]


def test_in_phase_ways_have_a_symmetric_lobe() -> None:
    """Linkwitz-Riley ways are in phase, so up and down are alike; the depth is the geometry's."""
    symmetry, depth = lobe_figures(2000.0, 0.15)
    assert symmetry < 1e-6
    assert depth > 0.2


def test_lower_crossover_widens_the_vertical_window() -> None:
    """Lowering the crossover between two drivers a given distance apart widens the vertical
    window (common practice, no source; here it follows from the geometry)."""
    depths = [lobe_figures(corner, 0.17)[1] for corner in (2500.0, 1800.0, 1200.0)]
    assert depths == sorted(depths, reverse=True)
    assert depths[-1] < 0.5 * depths[0]
