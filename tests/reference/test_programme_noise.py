"""Simulated programme and what it does to drivers.

Power shares: arithmetic on the third-octave table of IEC 60268-1:1985, clause 7, Table II, bands
at exact base-10 centres, brick-wall splits linear in log frequency between band edges.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.acoustics.curves import Curves, Field
from optimizer.acoustics.programme import (
    PROGRAMME_BAND_DB,
    PROGRAMME_BAND_HZ,
    programme_share_below,
    programme_weights,
)
from optimizer.arrays import Complex, Real
from optimizer.goals import Excursion, LowDrive, Power, Scene
from optimizer.goals.protection import excursion_per_volt, find_resonance_hz
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver, Limits

# crossover Hz: brick-wall low-pass, Linkwitz-Riley 4 low-pass, Linkwitz-Riley 4 high-pass
SHARES = {
    200: (0.3075, 0.2532, 0.6322),
    300: (0.4046, 0.3461, 0.5351),
    500: (0.5278, 0.4677, 0.4127),
    800: (0.6410, 0.5806, 0.3025),
    1000: (0.6942, 0.6338, 0.2526),
    1600: (0.7992, 0.7416, 0.1579),
    2000: (0.8439, 0.7891, 0.1197),
    2500: (0.8839, 0.8330, 0.0871),
    3000: (0.9123, 0.8654, 0.0649),
    4000: (0.9474, 0.9091, 0.0381),
    5000: (0.9672, 0.9361, 0.0236),
}


def linkwitz_riley(f: Real, corner: float) -> tuple[Complex, Complex]:
    s = 1j * f / corner
    denominator = (s**2 + np.sqrt(2.0) * s + 1.0) ** 2
    return 1.0 / denominator, s**4 / denominator


def grid(per_octave: int = 24) -> Real:
    return np.geomspace(17.0, 23_000.0, int(per_octave * np.log2(23_000 / 17)) + 1)


def test_table_sums_to_twelve_and_a_half_db() -> None:
    """The clause says that the bands sum to about 12.5 dB re the plateau; they give 12.558."""
    total = 10.0 * np.log10(np.sum(10.0 ** (np.array(PROGRAMME_BAND_DB) / 10.0)))
    assert total == pytest.approx(12.558, abs=5e-4)
    assert PROGRAMME_BAND_HZ[0] == pytest.approx(19.9526, abs=1e-4)
    assert PROGRAMME_BAND_HZ[17] == pytest.approx(1000.0)
    assert PROGRAMME_BAND_HZ[-1] == pytest.approx(19952.62, abs=1e-2)


@pytest.mark.parametrize("corner", SHARES)
def test_brick_wall_shares(corner: int) -> None:
    """Share of the power below each crossover frequency, to the four decimals printed."""
    assert float(programme_share_below(np.array(float(corner)))) == pytest.approx(
        SHARES[corner][0], abs=5.1e-5
    )


@pytest.mark.parametrize("corner", SHARES)
def test_filtered_shares(corner: int) -> None:
    """Power that Linkwitz-Riley sections pass, summed over a grid of 24 points per octave instead
    of 31 bands: the same within half a percentage point, the coarseness of third octaves."""
    f = grid()
    low, high = linkwitz_riley(f, float(corner))
    weights = programme_weights(f)
    assert float(weights @ np.abs(low) ** 2) == pytest.approx(SHARES[corner][1], abs=5e-3)
    assert float(weights @ np.abs(high) ** 2) == pytest.approx(SHARES[corner][2], abs=5e-3)


def test_grid_weights_are_the_whole_programme() -> None:
    """On a grid that spans the programme the weights sum to 1, on a shorter one to its part."""
    assert programme_weights(grid()).sum() == pytest.approx(1.0, abs=1e-12)
    f = np.geomspace(100.0, 1000.0, 40)
    half = 0.5 * np.log(f[1] / f[0])
    part = programme_share_below(np.array([100.0 * np.exp(-half), 1000.0 * np.exp(half)]))
    assert programme_weights(f).sum() == pytest.approx(float(part[1] - part[0]))


# --- drivers ---------------------------------------------------------------------------------

RE_OHM, FS_HZ, QMS, QES = 5.8, 40.0, 4.0, 0.40


def moving_coil(f: Real, *, resonance: float = FS_HZ) -> Complex:
    """Impedance of a moving-coil driver without inductance: Re and a parallel resonance, with
    Res = Re Qms / Qes (Small 1972)."""
    s = 1j * f / resonance
    return RE_OHM + RE_OHM * QMS / QES * (s / QMS) / (s**2 + s / QMS + 1.0)


def make_driver(name: str, f: Real, impedance: Complex, **limits: float) -> Driver:
    return Driver(
        name=name,
        frequency_hz=f,
        directions=(ON_AXIS,),
        pressure=np.ones((1, len(f)), dtype=np.complex128),
        impedance=impedance,
        limits=Limits(**limits),
    )


def with_drives(f: Real, drives: list[Complex]) -> Curves:
    field = Field(
        ["on_axis"], np.ones((len(drives), 1, len(f)), dtype=np.complex128), np.ones((1, 1))
    )
    return Curves(field, drives, np.ones(len(f), dtype=np.complex128))


def scene(f: Real, ways: list[tuple[str, Driver]]) -> Scene:
    return Scene(frequency_hz=f, curves=(), ways=ways)


def test_power_in_a_resistive_tweeter() -> None:
    """A resistive 8 ohm tweeter above a 2 kHz brick wall takes its share of the amplifier's power:
    15.6 % of 50 W is 7.8 W, 1.93 dB over a rating of 5 W."""
    f = grid(96)
    tweeter = make_driver("tweeter", f, np.full(len(f), 8.0 + 0j), watts=5.0)
    goal = Power(amplifier_w=50.0).prepare(scene(f, [("tweeter", tweeter)]))
    curves = with_drives(f, [(f > 2000.0).astype(complex)])
    watts = 50.0 * (1.0 - SHARES[2000][0])
    over = float(goal.residuals(curves)[0])
    assert over == pytest.approx(10.0 * np.log10(watts / 5.0), abs=0.03)
    assert "of 5 W" in goal.describe(curves)


def test_power_counts_the_real_part_only() -> None:
    """Power in a reactive load is |V|^2 Re(1/Z): a 45 degree load of the same modulus takes 3 dB
    less than a resistor."""
    f = grid()
    plain = make_driver("a", f, np.full(len(f), 4.0 + 0j), watts=1.0)
    turned = make_driver("b", f, np.full(len(f), 4.0 * np.exp(1j * np.pi / 4)), watts=1.0)
    spec = Power(amplifier_w=50.0)
    over = [
        float(
            spec.prepare(scene(f, [(d.name, d)])).residuals(
                with_drives(f, [np.ones(len(f), dtype=complex)])
            )[0]
        )
        for d in (plain, turned)
    ]
    assert over[0] - over[1] == pytest.approx(10.0 * np.log10(np.sqrt(2.0)), abs=1e-9)


def test_excursion_equals_the_mechanical_closed_form() -> None:
    """Excursion from impedance, resistance and force factor is that of a driven mass on a spring:
    x/E = Bl / (Re k) / |1 - (f/fs)^2 + j f/(Qts fs)|, k from Qes = w M Re / Bl^2 (Small 1972)."""
    f = np.geomspace(5.0, 500.0, 60)
    bl = 7.0
    mass = QES * bl**2 / (RE_OHM * 2 * np.pi * FS_HZ)
    stiffness = mass * (2 * np.pi * FS_HZ) ** 2
    qts = QMS * QES / (QMS + QES)
    closed = bl / (RE_OHM * stiffness) / np.abs(1 - (f / FS_HZ) ** 2 + 1j * f / (qts * FS_HZ))
    np.testing.assert_allclose(
        excursion_per_volt(f, moving_coil(f), RE_OHM, bl), closed, rtol=1e-12
    )


def test_excursion_goal_sums_programme() -> None:
    """The goal's excursion is twice the rms over programme at the amplifier's voltage."""
    f = grid(48)
    z = moving_coil(f)
    woofer = make_driver(
        "woofer", f, z, excursion_m=1e-3, force_factor_tm=7.0, resistance_ohm=RE_OHM
    )
    goal = Excursion(amplifier_w=50.0).prepare(scene(f, [("woofer", woofer)]))
    rms = np.sqrt(400.0 * programme_weights(f) @ excursion_per_volt(f, z, RE_OHM, 7.0) ** 2)
    curves = with_drives(f, [np.ones(len(f), dtype=complex)])
    assert float(goal.residuals(curves)[0]) == pytest.approx(20 * np.log10(2.0 * rms / 1e-3))
    assert f"moves {2e3 * rms:.1f} of 1 mm" in goal.describe(curves)


def test_resonance_is_found_in_the_impedance() -> None:
    """The resonance is where the impedance peaks, and a plain inductance has none."""
    f = np.geomspace(20.0, 20_000.0, 480)
    assert find_resonance_hz(f, moving_coil(f, resonance=750.0)) == pytest.approx(750.0, rel=0.02)
    assert find_resonance_hz(f, 6.0 + 2j * np.pi * f * 5e-4) == f[0]


def test_low_drive_guards_all_but_the_lowest_driver() -> None:
    """The drive at and below the tweeter's resonance counts against the limit; the woofer's own
    resonance, which nothing passive can keep away, does not."""
    f = np.geomspace(20.0, 20_000.0, 200)
    ways = [
        ("woofer", make_driver("woofer", f, moving_coil(f))),
        ("tweeter", make_driver("tweeter", f, moving_coil(f, resonance=900.0))),
    ]
    goal = LowDrive(down_db=20.0).prepare(scene(f, ways))
    assert goal.tops == (1,)
    full = with_drives(f, [np.ones(len(f), dtype=complex)] * 2)
    assert np.linalg.norm(goal.residuals(full)) == pytest.approx(20.0)
    padded = with_drives(f, [np.ones(len(f), dtype=complex), np.full(len(f), 0.3 + 0j)])
    assert np.linalg.norm(goal.residuals(padded)) == pytest.approx(20.0), "a pad is no protection"
    low, high = linkwitz_riley(f, 3000.0)
    met = with_drives(f, [low, high])
    # Two octaves below its corner a 24 dB/octave filter is 42 dB down.
    assert np.all(goal.residuals(met) == 0.0)


def test_low_drive_falls_from_the_lowest_frequency_to_the_resonance() -> None:
    """6 dB at the lowest frequency that is stated, 12 dB per octave below it down to the limit, which
    holds at the resonance and below whatever was stated."""
    f = np.geomspace(20.0, 20_000.0, 400)
    resonance = moving_coil(f, resonance=900.0)
    for lowest, at_hz, wanted in ((1800.0, 1800.0, 6.0), (1800.0, 1272.8, 12.0), (1800.0, 900.0, 15.0),
                                  (700.0, 850.0, 15.0), (1800.0, 2000.0, 0.0)):  # fmt: skip
        ways = [
            ("woofer", make_driver("woofer", f, moving_coil(f))),
            ("tweeter", make_driver("tweeter", f, resonance, lowest_hz=lowest)),
        ]
        goal = LowDrive(down_db=15.0).prepare(scene(f, ways))
        full = with_drives(f, [np.ones(len(f), dtype=complex)] * 2)
        excess = np.ravel(goal.residuals(full)) / goal.scale
        k = int(np.searchsorted(f, at_hz * (1 + 1e-9))) - 1
        assert excess.shape[-1] == len(f)
        assert excess[k] == pytest.approx(wanted, abs=0.4), (lowest, at_hz)
