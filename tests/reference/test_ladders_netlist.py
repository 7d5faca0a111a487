"""The exported netlist: names, fitted drivers and the control section, run in ngspice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.errors import InputError
from optimizer.network.equivalent import (
    DriverEquivalent,
    LossySection,
    Resonance,
    fit_driver_equivalent,
)
from optimizer.network.netlist import MeasuredLoad, Sweep, name_nodes, write_netlist
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.network.solve import solve_network
from optimizer.parts import Part
from optimizer.testing.spice import read_drive

Plot = dict[str, Any]


def inductor(value: float, loss: float = 0.0) -> Part:
    return Part(kind="inductor", value=value, loss_ohm=loss)


def capacitor(value: float, loss: float = 0.0) -> Part:
    return Part(kind="capacitor", value=value, loss_ohm=loss)


def two_way() -> Network:
    """Second order on both sides, with an inverted high way."""
    return Network(
        ways=(
            FittedWay(
                name="Bass/Mid",
                driver="low ä",
                polarity=1,
                slots=(
                    FittedSlot(
                        name="L 1", place="series", form="inductor", parts=(inductor(1e-3, 0.3),)
                    ),
                    FittedSlot(
                        name="L-1", place="shunt", form="capacitor", parts=(capacitor(1e-5, 0.05),)
                    ),
                ),
            ),
            FittedWay(
                name="bass mid",
                driver="LOW Ä",
                polarity=-1,
                slots=(
                    FittedSlot(
                        name="C1", place="series", form="capacitor", parts=(capacitor(4.7e-6),)
                    ),
                    FittedSlot(
                        name="C2", place="series", form="capacitor", parts=(capacitor(3.3e-5),)
                    ),
                    FittedSlot(
                        name="L1", place="shunt", form="inductor", parts=(inductor(3.3e-4),)
                    ),
                ),
            ),
        )
    )


# references.md section 6.1 (after Thiele and Small): Re 5.8, Le 0.5 mH, fs 40, Qms 4, Qes 0.4.
SMALL_DRIVER = DriverEquivalent(
    re_ohm=5.8,
    le_h=0.5e-3,
    resonances=(Resonance(r_ohm=58.0, l_h=57.693667e-3, c_f=274.405074e-6),),
)
SMALL_TABLE = {
    10: (7.19339, 32.6509),
    20: (11.99702, 52.1123),
    30: (25.76834, 54.9460),
    40: (63.80012, 0.1129),
    60: (18.99924, -56.1281),
    100: (9.26673, -44.4911),
    200: (6.41637, -21.8145),
    400: (5.84063, -2.0318),
    1000: (6.34546, 23.8004),
    2000: (8.34109, 45.9308),
    5000: (16.63586, 69.5947),
    10000: (31.88981, 79.5208),
    20000: (63.07011, 84.7235),
}


def test_driver_equivalent_meets_the_worked_driver() -> None:
    """Re + Le + one resonance gives the tabled impedance (Small 1972 model, worked numbers)."""
    f = np.array(list(SMALL_TABLE), dtype=float)
    z = SMALL_DRIVER.impedance(f)
    modulus, phase = np.array(list(SMALL_TABLE.values())).T
    np.testing.assert_allclose(np.abs(z), modulus, atol=6e-6)
    np.testing.assert_allclose(np.degrees(np.angle(z)), phase, atol=6e-5)


def test_fit_recovers_a_driver_that_is_such_a_circuit() -> None:
    """The impedance of the worked driver is fitted with its own values again."""
    f = np.geomspace(10, 20_000, 200)
    fit, error = fit_driver_equivalent(f, SMALL_DRIVER.impedance(f))
    assert error < 2e-3
    assert fit.re_ohm == pytest.approx(5.8, rel=2e-3)
    peak = max(fit.resonances, key=lambda r: r.r_ohm)
    assert (peak.r_ohm, peak.l_h, peak.c_f) == pytest.approx((58, 57.69e-3, 274.4e-6), rel=5e-3)


def vented_impedance(f: Real) -> Complex:
    """Vented box with leakage (references.md 6.4): L, C, R in series across the motional part."""
    s = 2j * np.pi * f
    motional = 1 / 58 + 1 / (s * 57.693667e-3) + s * 274.405074e-6
    box = s * 28.846833e-3 + 1 / (s * 608.0999e-6) + 0.983929
    return 5.8 + s * 0.5e-3 + 1 / (motional + 1 / box)


def test_vented_impedance_of_this_file_meets_the_worked_numbers() -> None:
    """The vented driver used below has the tabled impedance at 20, 38, 50, 70 and 100 Hz."""
    z = vented_impedance(np.array([20.0, 38.0, 50.0, 70.0, 100.0]))
    expected = [41.333594, 6.768643, 8.480050, 28.711124, 14.348784]
    np.testing.assert_allclose(np.abs(z), expected, rtol=1e-6)


@pytest.mark.parametrize("kind", ["vented", "semi-inductance"])
def test_fit_follows_drivers_that_are_no_such_circuit(kind: str) -> None:
    """A vented box, and a voice coil with Z = K (jw)^n (Leach 2002), are met within 1 %."""
    f = np.geomspace(15, 20_000, 240)
    if kind == "vented":
        z = vented_impedance(f)
    else:
        free_air = SMALL_DRIVER.impedance(f) - 2j * np.pi * f * 0.5e-3
        z = free_air + 0.02 * (2j * np.pi * f) ** 0.68
    fit, error = fit_driver_equivalent(f, z)
    assert error < 0.01
    assert error == pytest.approx(np.max(np.abs(fit.impedance(f) / z - 1.0)))


@pytest.mark.data
@pytest.mark.parametrize("folder", ["real-two-way-a", "real-two-way-b", "real-two-way-c"])
@pytest.mark.parametrize("driver", ["woofer", "tweeter"])
def test_fit_follows_measured_drivers(measured_data: Path, folder: str, driver: str) -> None:
    """Home measurements with their noise are met within 2 % rms and 6 % at the worst point."""
    f, z = read_impedance(measured_data / folder / f"{driver}_impedance.txt")
    fit, error = fit_driver_equivalent(f, z)
    assert error < 0.06
    assert np.sqrt(np.mean(np.abs(fit.impedance(f) / z - 1.0) ** 2)) < 0.02


def read_impedance(path: Path) -> tuple[Real, Complex]:
    rows = [
        line.split()[:3]
        for line in path.read_text(errors="replace").splitlines()
        if line[:1].isdigit()
    ]
    f, ohm, degrees = np.array(rows, dtype=float).T
    band = (f >= 15.0) & (f <= 20_000.0)
    return f[band], (ohm * np.exp(1j * np.radians(degrees)))[band]


@pytest.mark.data
@pytest.mark.ngspice
def test_measured_loads_give_the_same_curves_in_ngspice(
    measured_data: Path, run_spice: Callable[[str], Plot]
) -> None:
    """Drive levels differ by less than the fit's worst impedance error, 6 %, allows: 0.5 dB."""
    f, low = read_impedance(measured_data / "real-two-way-b" / "woofer_impedance.txt")
    g, high = read_impedance(measured_data / "real-two-way-b" / "tweeter_impedance.txt")
    np.testing.assert_array_equal(f, g)
    network = two_way()
    names = [way.driver for way in network.ways]
    loads = {
        n: MeasuredLoad(frequency_hz=f, impedance=z)
        for n, z in zip(names, (low, high), strict=True)
    }
    text = write_netlist(network, loads, sweep=Sweep(low_hz=20, high_hz=20_000))
    assert "fitted to its measured impedance" in text
    assert text.isascii()
    plot = run_spice(text)
    ours = solve_network(network, f, dict(zip(names, (low, high), strict=True)))
    for h, nodes in zip(ours.transfer, name_nodes(network), strict=True):
        level = 20 * np.log10(np.abs(read_drive(plot, nodes)))
        exported = np.interp(np.log(f), np.log(plot["frequency"].real), level)
        difference = (exported - 20 * np.log10(np.abs(h)))[f >= 20]
        assert np.max(np.abs(difference)) < 0.5
        assert np.sqrt(np.mean(difference**2)) < 0.1


@pytest.mark.ngspice
def test_names_that_differ_by_signs_or_case_stay_apart(run_spice: Callable[[str], Plot]) -> None:
    """Ways, drivers and slots whose names collapse to one identifier are kept apart."""
    network = two_way()
    loads = {
        way.driver: DriverEquivalent(re_ohm=4.0 + 2.0 * i) for i, way in enumerate(network.ways)
    }
    plot = run_spice(write_netlist(network, loads, title=" ", notes=["two\nlines"]))
    f = plot["frequency"].real
    ours = solve_network(network, f, {n: c.impedance(f) for n, c in loads.items()})
    for h, nodes in zip(ours.transfer, name_nodes(network), strict=True):
        spice = read_drive(plot, nodes)
        np.testing.assert_allclose(spice, h, rtol=1e-6)


@pytest.mark.ngspice
def test_control_section_writes_curves(
    ngspice: str, run_spice: Callable[[str], Plot], tmp_path: Path
) -> None:
    """With a curves file ngspice writes levels, impedance and phase equal to ours."""
    network = two_way()
    loads = {way.driver: SMALL_DRIVER for way in network.ways}
    out = tmp_path / "curves.txt"
    run_spice(write_netlist(network, loads, volts=2.83, curves_file=str(out)))
    table = np.loadtxt(out, skiprows=1)
    f = table[:, 0]
    ours = solve_network(network, f, {n: c.impedance(f) for n, c in loads.items()})
    z = ours.input_impedance
    expected = [*20 * np.log10(np.abs(ours.transfer)), np.abs(z), np.degrees(np.angle(z))]
    np.testing.assert_allclose(table[:, 1:].T, expected, rtol=1e-6, atol=1e-6)


def test_netlist_refuses_what_it_cannot_write() -> None:
    """A driver without a load, an empty sweep and an unsafe file name are refused with a rule."""
    network = two_way()
    loads = {way.driver: DriverEquivalent(re_ohm=8.0) for way in network.ways}
    with pytest.raises(InputError, match="every driver of the network needs a load"):
        write_netlist(network, {})
    with pytest.raises(InputError, match="from a positive frequency to a higher one"):
        write_netlist(network, loads, sweep=Sweep(low_hz=100.0, high_hz=100.0))
    with pytest.raises(InputError, match="curves file"):
        write_netlist(network, loads, curves_file="a b; quit")


@pytest.mark.parametrize(
    ("frequency", "impedance", "rule"),
    [
        (np.arange(1.0, 5.0), np.full(4, 8.0 + 0j), "at least 8"),
        (np.arange(0.0, 10.0), np.full(10, 8.0 + 0j), "positive"),
        (np.arange(1.0, 11.0), np.full(10, np.nan + 0j), "finite"),
        (np.arange(1.0, 11.0), np.zeros(10, dtype=complex), "not zero"),
        (np.arange(1.0, 11.0), np.full(9, 8.0 + 0j), "one value for each frequency"),
    ],
)
def test_fit_refuses_unusable_impedances(frequency: Real, impedance: Complex, rule: str) -> None:
    """Too few points, zero or missing values are refused with the rule they break."""
    with pytest.raises(InputError, match=rule):
        fit_driver_equivalent(frequency, impedance)


def test_lossy_section_is_a_parallel_pair() -> None:
    """R and L in parallel: at the corner the impedance is R/2 (1 + j)."""
    circuit = DriverEquivalent(re_ohm=1e-9, sections=(LossySection(r_ohm=10.0, l_h=1e-3),))
    corner = 10.0 / (2 * np.pi * 1e-3)
    np.testing.assert_allclose(circuit.impedance([corner]), [5 + 5j], rtol=1e-9)
