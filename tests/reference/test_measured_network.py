"""A first-order two-way network measured in a laboratory, with documented part values.

Generator of 50 ohm; low-pass 10.20 mH with 40.9 ohm on 560.8 ohm; high-pass 26.10 nF with 37.27 ohm
on 559.93 ohm; both branches in parallel at the generator. Amplitudes only: the phase columns
keep a systematic error of 4 degrees.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.arrays import Real
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part

GENERATOR_OHM = 50.0
INDUCTANCE, COIL_OHM, LOW_OHM = 10.20e-3, 40.9, 560.8
CAPACITANCE, ADDED_OHM, HIGH_OHM = 26.10e-9, 37.27, 559.93

Sweeps = tuple[Real, Real]


@pytest.fixture(scope="module", params=["wide", "narrow"])
def sweeps(request: pytest.FixtureRequest, measured_data: Path) -> Sweeps:
    """Hz and volt of the low-pass and the high-pass, each (N, 2)."""
    folder = measured_data / "network-measured"
    low, high = (
        np.loadtxt(folder / f"{way}_amplitude_{request.param}.txt", usecols=(0, 1))
        for way in ("lp", "hp")
    )
    return low, high


def residual_db(sweeps: Sweeps, inductance: float, capacitance: float) -> Real:
    """Measured over predicted level for 1 V at the generator, low-pass points first."""
    network = Network(
        ways=(
            FittedWay(
                name="low",
                driver="low",
                polarity=1,
                slots=(
                    FittedSlot(
                        name="L1",
                        place="series",
                        form="inductor",
                        parts=(Part(kind="inductor", value=inductance, loss_ohm=COIL_OHM),),
                    ),
                ),
            ),
            FittedWay(
                name="high",
                driver="high",
                polarity=1,
                slots=(
                    FittedSlot(
                        name="C1",
                        place="series",
                        form="capacitor",
                        parts=(Part(kind="capacitor", value=capacitance, loss_ohm=ADDED_OHM),),
                    ),
                ),
            ),
        )
    )
    out = []
    for way, sweep in enumerate(sweeps):
        f = sweep[:, 0]
        solved = solve_network(
            network,
            f,
            {
                "low": np.full(f.shape, LOW_OHM, dtype=complex),
                "high": np.full(f.shape, HIGH_OHM, dtype=complex),
            },
        )
        # The generator's own resistance divides before the branches.
        terminal = 1.0 / (1.0 + GENERATOR_OHM * solved.admittance)
        predicted = np.abs(solved.transfer[way] * terminal)
        out.append(20 * np.log10(sweep[:, 1] / predicted))
    return np.concatenate(out)


@pytest.mark.data
def test_documented_values_reproduce_the_measured_amplitudes(sweeps: Sweeps) -> None:
    """With one free source voltage both curves are met within 0.2 dB rms."""
    error = residual_db(sweeps, INDUCTANCE, CAPACITANCE)
    level = float(np.mean(error))
    assert np.sqrt(np.mean((error - level) ** 2)) < 0.2
    # Volt at the generator that an evaluation of these files with other code found.
    assert 10 ** (level / 20) == pytest.approx(0.494, abs=0.001)


@pytest.mark.data
def test_fitted_values_land_near_the_documented_ones(sweeps: Sweeps) -> None:
    """With L and C free they come within 5 % of the documented values and 0.08 dB rms."""
    from scipy.optimize import least_squares

    def error(x: Real) -> Real:
        return residual_db(sweeps, float(np.exp(x[0])), float(np.exp(x[1]))) - x[2]

    # Started a factor of two and more away from the documented values.
    fit = least_squares(error, [np.log(3e-3), np.log(80e-9), 0.0])
    inductance, capacitance = np.exp(fit.x[:2])
    assert np.sqrt(np.mean(fit.fun**2)) < 0.08
    assert inductance == pytest.approx(INDUCTANCE, rel=0.05)
    assert capacitance == pytest.approx(CAPACITANCE, rel=0.05)
    # An evaluation of the same files with other code and weights found 9.75 mH and 25.20 nF.
    assert (inductance, capacitance) == pytest.approx((9.75e-3, 25.20e-9), rel=0.015)
