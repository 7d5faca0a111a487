"""Watts, volts and amperes of every part against a circuit simulator."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from optimizer.bench.loads.ratings import rate_network
from optimizer.measure.curve import ON_AXIS
from optimizer.measure.driver import Driver
from optimizer.network.amplifier import Amplifier
from optimizer.network.equivalent import DriverEquivalent, Resonance
from optimizer.network.netlist import Sweep, write_netlist
from optimizer.network.network import FittedWay, Network
from optimizer.testing import fitted as slot
from optimizer.testing import part

pytestmark = pytest.mark.ngspice

# IEC 60268-1:1985 clause 7, Table II, third-octave bands from 20 Hz to 20 kHz.
TABLE_DB = (
    -13.5,
    -10.2,
    -7.4,
    -5.2,
    -3.5,
    -2.3,
    -1.4,
    -0.9,
    -0.5,
    -0.2,
    -0.1,
    0,
    0,
    0,
    0,
    0,
    0,
    -0.1,
    -0.3,
    -0.6,
    -1.0,
    -1.6,
    -2.5,
    -3.7,
    -5.1,
    -7.0,
    -9.4,
    -11.9,
    -14.8,
    -18.2,
    -21.6,
)
PER_BAND = 40
VOLTS = 20.0  # 50 W into 8 ohm


# An invented two-way that uses every form of slot.
NETWORK = Network(
    ways=(
        FittedWay(
            name="low",
            driver="cone",
            polarity=1,
            slots=(
                slot("L1", "series", "inductor", part("inductor", 2.2e-3, 0.41)),
                slot(
                    "T1",
                    "series",
                    "trap",
                    part("inductor", 0.33e-3, 0.12),
                    part("capacitor", 10e-6, 0.01),
                    part("resistor", 15.0),
                ),
                slot("C1", "shunt", "capacitor", part("capacitor", 22e-6, 0.02)),
                slot(
                    "Z1",
                    "shunt",
                    "equaliser",
                    part("resistor", 6.8),
                    part("capacitor", 33e-6, 0.01),
                ),
            ),
        ),
        FittedWay(
            name="high",
            driver="dome",
            polarity=-1,
            slots=(
                slot("C1", "series", "capacitor", part("capacitor", 6.8e-6, 0.03)),
                slot("L1", "shunt", "inductor", part("inductor", 0.39e-3, 0.25)),
                slot("R9", "shunt", "resistor", part("resistor", 47.0)),
                slot(
                    "N1",
                    "shunt",
                    "notch",
                    part("inductor", 1.5e-3, 0.5),
                    part("capacitor", 33e-6, 0.01),
                    part("resistor", 4.7),
                ),
                slot("P1", "series", "pad", part("resistor", 2.7), part("resistor", 10.0)),
            ),
        ),
    )
)
LOADS = {
    "cone": DriverEquivalent(
        re_ohm=5.8, le_h=0.5e-3, resonances=(Resonance(r_ohm=58.0, l_h=57.7e-3, c_f=274e-6),)
    ),
    "dome": DriverEquivalent(
        re_ohm=4.9, le_h=0.04e-3, resonances=(Resonance(r_ohm=6.0, l_h=0.5e-3, c_f=50e-6),)
    ),
}


@pytest.fixture(scope="module")
def simulated(run_spice: Callable[[str], Any]) -> tuple[Any, dict[str, tuple[Any, Any]]]:
    """Frequencies, and (voltage, current) of each element for 1 V, from the simulator."""
    low, high = 10 ** (1.3 - 0.05), 10 ** (4.3 + 0.05)
    text = write_netlist(
        NETWORK, LOADS, sweep=Sweep(low_hz=low, high_hz=high, points_per_decade=10 * PER_BAND)
    )
    plot = run_spice(text)
    found = {}
    for line in text.splitlines():
        match = re.match(r"([RLC]\d+|R[LC]\d+__loss) (\S+) (\S+) (\S+)$", line)
        if match:
            name, a, b, value = match.groups()
            at = [0.0 if n == "0" else plot[f"v({n.lower()})"] for n in (a, b)]
            across = at[0] - at[1]
            f = plot["frequency"].real
            z = {
                "R": float(value),
                "L": 2j * np.pi * f * float(value),
                "C": 1 / (2j * np.pi * f * float(value)),
            }[name[0]]
            found[name.removeprefix("R" * name.endswith("__loss"))] = across, across / z
    return plot["frequency"].real, found


def look_up(found: dict[str, Any], name: str) -> tuple[Any, Any]:
    """Voltage over the part with its loss, and its current."""
    across, through = found[name]
    loss = found.get(f"{name}__loss")
    return (across + loss[0] if loss else across), through


def noise_rms(f: Any, square: Any) -> float:
    """Root of the sum over third-octave bands of band power times the mean square in the band."""
    power = 10.0 ** (np.array(TABLE_DB) / 10.0)
    power /= power.sum()
    band = np.floor((np.log10(f) - 1.25) * 10.0 + 1e-9).astype(int)
    means = [square[band == k].mean() for k in range(31)]
    return float(np.sqrt(power @ np.array(means)))


@pytest.fixture(scope="module")
def rated(simulated: Any):
    f = simulated[0]
    drivers = [
        Driver(
            name=name,
            frequency_hz=f,
            directions=(ON_AXIS,),
            pressure=np.ones((1, len(f)), dtype=complex),
            impedance=load.impedance(f),
        )
        for name, load in LOADS.items()
    ]
    return rate_network(NETWORK, drivers, Amplifier(watts=50.0, ohm=8.0))


def test_every_part_is_rated(rated):
    """Fifteen parts in nine slots, each with its own entry."""
    assert len(rated.parts) == sum(len(s.parts) for w in NETWORK.ways for s in w.slots) == 15


@pytest.mark.parametrize("index", range(15))
def test_part_on_noise_and_on_a_sine(simulated, rated, index):
    """Programme load and worst sine of each part meet the simulator's, summed band by band."""
    f, found = simulated
    one = rated.parts[index]
    across, through = look_up(found, one.reference)
    if one.part.kind == "resistor":
        size = np.abs(through) * np.sqrt(one.part.value)
        noise = (VOLTS * noise_rms(f, size**2)) ** 2
        sine = (VOLTS * size.max()) ** 2
    else:
        size = np.abs(across if one.part.kind == "capacitor" else through)
        noise, sine = VOLTS * noise_rms(f, size**2), VOLTS * size.max()
    # The band means and the program's own weights sum the spectrum in two different ways.
    assert one.programme == pytest.approx(noise, rel=4e-3)
    assert one.sine == pytest.approx(sine, rel=1e-6)
    assert one.sine_hz == pytest.approx(f[np.argmax(size)], rel=1e-9)
    heat = one.part.loss_ohm + (one.part.value if one.part.kind == "resistor" else 0.0)
    assert one.heat_w == pytest.approx(
        VOLTS**2 * noise_rms(f, np.abs(through) ** 2) ** 2 * heat, rel=8e-3
    )


def test_power_into_drivers_and_parts_is_what_the_amplifier_gives(rated, run_spice):
    """Heat in parts plus power into drivers equals the simulator's source power on programme."""
    text = write_netlist(
        NETWORK,
        LOADS,
        sweep=Sweep(low_hz=10**1.25, high_hz=10**4.35, points_per_decade=10 * PER_BAND),
    )
    plot = run_spice(text)
    f, power = plot["frequency"].real, (-plot["i(vamp)"]).real
    given = (VOLTS * noise_rms(f, power)) ** 2
    taken = sum(p.heat_w for p in rated.parts) + sum(d.watts for d in rated.drivers)
    assert taken == pytest.approx(given, rel=4e-3)
