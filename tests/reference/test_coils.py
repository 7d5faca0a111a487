"""Air-core coils against worked numbers.

The worked numbers come from two independent computations outside this package: filament
integration with Maxwell's mutual-inductance formula for coaxial loops (elliptic integrals, given
by A. C. M. de Queiroz), repeated here, and the winding geometry of the Brooks coil worked by
hand. Wheeler's formula (1928, as quoted on pupman.com, April 1998) is a third witness.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.stock.coil import (
    BROOKS_H_PER_M,
    air_coil_dcr,
    list_wire_gauges,
    overall_diameter_m,
    wind_air_coil,
)

# inductance H, bare mm, overall mm, packing -> c mm, turns, wire m, ohm at 20 C, copper g
WORKED = [
    (1e-3, 1.0, 1.062, "square", 13.792, 168.7, 21.92, 0.4812, 154),
    (1e-3, 1.0, 1.062, "hexagonal", 13.021, 173.6, 21.30, 0.4676, None),
    (1e-3, 1.0, 1.000, "square", 13.144, 172.8, 21.40, 0.4698, 151),
    (1e-3, 1.0, 1.000, "hexagonal", 12.409, 177.8, 20.80, 0.4565, None),
    (0.33e-3, 0.71, 0.77, "square", 8.543, 123.1, 9.91, 0.4316, 35),
    (0.33e-3, 0.71, 0.77, "hexagonal", 8.066, 126.7, 9.63, 0.4194, None),
    (0.33e-3, 1.0, 1.062, "square", 11.049, 108.2, 11.27, 0.2474, 79),
    (2.2e-3, 1.4, 1.47, "square", 20.944, 203.0, 40.07, 0.4488, 553),
    (2.2e-3, 1.4, 1.47, "hexagonal", 19.773, 208.9, 38.93, 0.4361, None),
    # The wire length was worked with rounded turns: 87.275 m here against 87.28 m.
    (10e-3, 1.0, 1.062, "square", 21.859, 423.6, 87.28, 1.9159, 614),
]


@pytest.mark.parametrize("row", WORKED)
def test_worked_coils(row: tuple) -> None:
    """Size, turns, wire, resistance and copper mass agree with the worked table, as printed."""
    inductance, bare, overall, packing, side, turns, wire, ohm, gram = row
    coil = wind_air_coil(inductance, bare * 1e-3, overall_m=overall * 1e-3, packing=packing)
    assert float(coil.side_m) * 1e3 == pytest.approx(side, abs=0.6e-3)
    assert float(coil.turns) == pytest.approx(turns, abs=0.06)
    assert float(coil.wire_length_m) == pytest.approx(wire, abs=0.006)
    assert float(coil.dcr_ohm) == pytest.approx(ohm, abs=0.6e-4)
    if gram is not None:
        assert float(coil.copper_kg) * 1e3 == pytest.approx(gram, abs=0.6)


def mutual_inductance(r1: np.ndarray, r2: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Maxwell's formula for two coaxial circular filaments (de Queiroz; SciPy's m = k^2)."""
    from scipy.special import ellipe, ellipk

    m = 4 * r1 * r2 / ((r1 + r2) ** 2 + distance**2)
    k = np.sqrt(m)
    return 4e-7 * np.pi * np.sqrt(r1 * r2) * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))


def test_brooks_constant_by_filament_integration() -> None:
    """L / (c N^2) of a square section on inner radius c is 2.549e-6 H/m, within 0.05 %."""
    cells = 20
    centre = (np.arange(cells) + 0.5) / cells
    radius, height = (x.ravel() for x in np.meshgrid(1 + centre, centre))
    gap = np.abs(height[:, None] - height[None, :])
    # A filament on itself: geometric mean distance 0.44705 of the side of a square (Maxwell).
    np.fill_diagonal(gap, 0.44705 / cells)
    total = mutual_inductance(radius[:, None], radius[None, :], gap).mean()
    assert total == pytest.approx(BROOKS_H_PER_M, rel=5e-4)


def test_wheeler_and_grover_agree() -> None:
    """Wheeler is 0.71 % low for this shape, Grover's 0.016994 a N^2 uH (a in cm) hits it."""
    c, turns = 0.0138, 169.0
    inch = 0.0254
    a, b = 1.5 * c / inch, c / inch
    wheeler = 0.8 * a**2 * turns**2 / (6 * a + 9 * b + 10 * b) * 1e-6
    exact = BROOKS_H_PER_M * c * turns**2
    assert wheeler / exact - 1 == pytest.approx(-0.0071, abs=1e-4)
    assert 0.016994e-6 * (150 * c) * turns**2 == pytest.approx(exact, rel=1e-4)


def test_resistance_grows_as_the_power_three_fifths() -> None:
    """At one wire, 32 times the inductance takes 8 times the resistance."""
    low, high = air_coil_dcr(np.array([0.1e-3, 3.2e-3]), 0.8e-3)
    assert high / low == pytest.approx(8.0, rel=1e-12)


def test_warm_copper() -> None:
    """Copper at 60 deg C has 1.1572 times its resistance at 20 deg C (0.00393 per kelvin)."""
    ratio = air_coil_dcr(1e-3, temperature_c=60.0) / air_coil_dcr(1e-3)
    assert float(ratio) == pytest.approx(1.1572, abs=1e-10)


def test_ordinary_one_millihenry_coil() -> None:
    """1 mH of 1 mm wire has 0.45 to 0.60 ohm, whatever the enamel and the packing."""
    for packing in ("square", "hexagonal"):
        assert 0.45 < float(air_coil_dcr(1e-3, 1e-3, packing=packing)) < 0.60


@pytest.mark.parametrize(
    ("awg", "mm", "mm2", "ohm_per_km"),
    [
        (12, 2.0525, 3.3088, 5.211),
        (14, 1.6277, 2.0809, 8.285),
        (15, 1.4495, 1.6502, 10.448),
        (16, 1.2908, 1.3087, 13.174),
        (18, 1.0237, 0.8230, 20.948),
        (20, 0.8118, 0.5176, 33.308),
        (22, 0.6438, 0.3255, 52.962),
    ],
)
def test_wire_gauges(awg: int, mm: float, mm2: float, ohm_per_km: float) -> None:
    """Diameter, section and resistance per length follow ASTM B 258 and 100 % IACS copper."""
    gauge = list_wire_gauges((awg,))[0]
    assert gauge.diameter_m * 1e3 == pytest.approx(mm, abs=0.6e-4)
    assert gauge.area_m2 * 1e6 == pytest.approx(mm2, abs=0.6e-4)
    assert gauge.ohm_per_m * 1e3 == pytest.approx(ohm_per_km, abs=0.6e-3)


@pytest.mark.parametrize(("bare", "overall"), [(0.71, 0.77), (1.0, 1.062), (1.4, 1.47)])
def test_enamel(bare: float, overall: float) -> None:
    """The assumed enamel lies within 5 um of usual winding wire."""
    assert float(overall_diameter_m(bare * 1e-3)) * 1e3 == pytest.approx(overall, abs=0.005)


def test_impossible_coils_are_refused() -> None:
    """No coil has a negative inductance, no wire, or insulation thinner than nothing."""
    for arguments in ((-1e-3, 1e-3, None), (1e-3, 0.0, None), (1e-3, 1e-3, 0.9e-3)):
        with pytest.raises(InputError):
            wind_air_coil(arguments[0], arguments[1], overall_m=arguments[2])
