"""A whole two-way network worked out by hand and confirmed with ngspice, digit by digit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Real
from optimizer.network.amplifier import equivalent_peak_dissipation_resistance
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.netlist import Sweep, name_nodes, write_netlist
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import SolvedNetwork, solve_network
from optimizer.testing import fitted, part
from optimizer.testing.spice import read_drive

# Ideal 1 V source. Columns: Hz; woofer dB, degrees; tweeter dB, degrees; input ohm, degrees;
# EPDR ohm. Worked by separate scripts from the circuit laws, with the same digits from ngspice at
# 300, 2000 and 3000 Hz; EPDR after E. Benjamin, J. Audio Eng. Soc. 42(9), 1994.
ROWS = np.array([
    [20, -0.23779, 0.8288, -81.54698, 99.3760, 12.54938, 50.4779, 4.04438],
    [50, 0.03039, -0.9984, -73.00990, 112.4178, 27.92331, -55.1242, 8.35668],
    [100, 0.27286, -5.1336, -65.37952, 129.4620, 8.47603, -42.7138, 3.12039],
    [300, -0.23366, -22.3664, -49.22350, 157.3496, 5.99191, 3.2387, 5.44442],
    [700, -2.55360, -40.0245, -33.51718, 159.1943, 9.08910, 29.2377, 4.34656],
    [1000, -3.61802, -45.8571, -27.56853, 148.6581, 13.06052, 29.3052, 6.23692],
    [2000, -2.63507, -71.3319, -17.35008, 127.8768, 16.51588, -17.5247, 10.28320],
    [3000, -5.58211, -141.5365, -11.94121, 109.9033, 15.46609, -37.6725, 6.24907],
    [5000, -18.86262, -173.0185, -6.85936, 81.2964, 6.80038, -40.5385, 2.60435],
    [10000, -32.87792, -177.2336, -3.57027, 45.9935, 4.92069, -10.6373, 3.64499],
    [20000, -45.37924, -176.1380, -2.52134, 24.2259, 5.59199, 11.8854, 4.00941],
])  # fmt: skip

DRIVERS = {
    "woofer": DriverEquivalent(
        re_ohm=5.8,
        le_h=0.5e-3,
        resonances=(Resonance(r_ohm=58.0, l_h=57.693667e-3, c_f=274.405074e-6),),
    ),
    "tweeter": DriverEquivalent(
        re_ohm=5.0,
        le_h=0.05e-3,
        resonances=(Resonance(r_ohm=10.416667, l_h=0.947351e-3, c_f=54.567409e-6),),
    ),
}


def build() -> Network:
    def slot(name: str, place: Any, kind: Any, value: float, loss: float = 0.0) -> FittedSlot:
        return fitted(name, place, kind, part(kind, value, loss))

    return Network(
        ways=(
            FittedWay(
                name="woofer",
                driver="woofer",
                polarity=1,
                slots=(
                    slot("L1", "series", "inductor", 1.2e-3, 0.35),
                    slot("C1", "shunt", "capacitor", 10e-6, 0.05),
                ),
            ),
            FittedWay(
                name="tweeter",
                driver="tweeter",
                polarity=1,
                slots=(
                    slot("C2", "series", "capacitor", 4.7e-6),
                    slot("L2", "shunt", "inductor", 0.33e-3, 0.25),
                    slot("R1", "series", "resistor", 2.2),
                    slot("R2", "shunt", "resistor", 8.2),
                ),
            ),
        )
    )


def solve(f: Real) -> SolvedNetwork:
    return solve_network(build(), f, {name: d.impedance(f) for name, d in DRIVERS.items()})


def largest_dissipation_resistance(z: complex) -> float:
    """EPDR from its meaning: the resistor that heats a class-B half as much at its worst instant.

    Rail 1 V, output sin x, current sin(x - phi)/|z|: the half that conducts dissipates
    (1 - sin x) sin(x - phi)/|z|, a resistor at most 1/(4 R).
    """
    x = np.linspace(0.0, 2.0 * np.pi, 400_001)
    current = np.sin(x - np.angle(z)) / abs(z)
    return float(1.0 / (4.0 * np.max((1.0 - np.sin(x)) * current * (current > 0.0))))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]:g} Hz")
def test_every_row_of_the_worked_network(row: Real) -> None:
    """Drive levels and phases, input impedance and EPDR agree to the last printed digit."""
    solved = solve(row[:1])
    level = 20 * np.log10(np.abs(solved.transfer[:, 0]))
    phase = np.degrees(np.angle(solved.transfer[:, 0]))
    z = solved.input_impedance[0]
    np.testing.assert_allclose(level, row[[1, 3]], atol=1.5e-5)
    np.testing.assert_allclose(phase, row[[2, 4]], atol=1e-4)
    assert abs(z) == pytest.approx(row[5], abs=1e-5)
    assert np.degrees(np.angle(z)) == pytest.approx(row[6], abs=1e-4)
    epdr = equivalent_peak_dissipation_resistance(solved.input_impedance)[0]
    assert epdr == pytest.approx(row[7], abs=1e-5)
    assert epdr == pytest.approx(largest_dissipation_resistance(z), rel=1e-8)


def test_power_balance_of_the_tweeter_branch() -> None:
    """At 3 kHz and 2.83 V the four heated places take what the branch draws, to 1e-12."""
    f = np.array([3000.0])
    solved = solve(f)
    volts = 2.83
    tweeter = solved.transfer[1, 0] * volts
    z_tweeter = DRIVERS["tweeter"].impedance(f)[0]
    through_r1 = tweeter / 8.2 + tweeter / z_tweeter
    across_coil = tweeter + 2.2 * through_r1
    through_coil = across_coil / (0.25 + 2j * np.pi * 3000.0 * 0.33e-3)
    heat = {
        "R1": abs(through_r1) ** 2 * 2.2,
        "R2": abs(tweeter) ** 2 / 8.2,
        "tweeter": (abs(tweeter) ** 2 / z_tweeter).real,
        "coil": abs(through_coil) ** 2 * 0.25,
    }
    network, loads = build(), {name: d.impedance(f) for name, d in DRIVERS.items()}
    alone = solve_network(Network(ways=network.ways[1:2]), f, loads)
    drawn = volts**2 * alone.admittance[0].real
    expected = {"R1": 0.1139395, "R2": 0.0624652, "tweeter": 0.1004020, "coil": 0.0095438}
    assert heat == pytest.approx(expected, abs=6e-8)
    assert drawn == pytest.approx(0.2863505, abs=6e-8)
    assert sum(heat.values()) == pytest.approx(drawn, rel=1e-12)


@pytest.mark.ngspice
def test_exported_netlist_meets_the_worked_network(
    run_spice: Callable[[str], dict[str, Any]],
) -> None:
    """The exported text gives the tabled figures at 20 Hz, 2 and 20 kHz in ngspice, unchanged."""
    network = build()
    plot = run_spice(
        write_netlist(
            network, DRIVERS, sweep=Sweep(low_hz=20.0, high_hz=20_000.0, points_per_decade=1)
        )
    )
    f = plot["frequency"].real
    for row in (row for row in ROWS if row[0] in (20.0, 2000.0, 20_000.0)):
        i = int(np.argmin(np.abs(f - row[0])))
        assert f[i] == pytest.approx(row[0], rel=1e-9)
        drives = [read_drive(plot, n)[i] for n in name_nodes(network)]
        np.testing.assert_allclose(20 * np.log10(np.abs(drives)), row[[1, 3]], atol=1.5e-5)
        z = -plot["v(amp)"][i] / plot["i(vamp)"][i]
        assert abs(z) == pytest.approx(row[5], abs=1e-5)
        assert np.degrees(np.angle(z)) == pytest.approx(row[6], abs=1e-4)
