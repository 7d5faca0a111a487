"""The demo's curves behave like sound: causal on axis, delayed by where the drivers sit."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.demo import build_files
from optimizer.demo import equations as eq
from optimizer.demo.scenario import DIRECTIONS, DRIVERS, DemoDriver, compute_raw_pressure
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.measure.geometry import path_excess_m, travel_factor

IDS = [driver.name for driver in DRIVERS]


def minimum_phase(frequency: np.ndarray, modulus: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Bode's integral over log frequency, the textbook form with ln coth(|u|/2)."""
    u = np.log(frequency)
    slope = np.diff(np.log(modulus)) / np.diff(u)
    middle = 0.5 * (u[1:] + u[:-1])
    kernel = np.log(1.0 / np.tanh(0.5 * np.abs(middle - np.log(at)[:, None])))
    return np.asarray((kernel * slope * np.diff(u)).sum(axis=1) / np.pi)


@pytest.mark.parametrize("driver", DRIVERS, ids=IDS)
def test_on_axis_phase_is_minimum_phase_plus_the_path(driver: DemoDriver) -> None:
    """No acausal phase: what remains after Bode's minimum phase is the set-back's delay."""
    grid = np.geomspace(1e-3, 1e8, 60_001)
    at = np.array([100.0, 300.0, 1e3, 3e3, 10e3])
    expected = minimum_phase(grid, np.abs(compute_raw_pressure(grid, driver, ON_AXIS)), at)
    path = path_excess_m(ON_AXIS, driver.place_m)
    pressure = compute_raw_pressure(at, driver, ON_AXIS) / travel_factor(at, path)
    error = np.angle(pressure * np.exp(-1j * expected))
    assert np.abs(np.degrees(error)).max() < 0.1


@pytest.mark.parametrize("driver", DRIVERS, ids=IDS)
def test_files_carry_the_height_of_the_driver(driver: DemoDriver) -> None:
    """Between 60 degrees up and down the arrival moves by twice the height times the sine."""
    files = build_files()

    def read(name: str) -> tuple[np.ndarray, np.ndarray]:
        lines = files[name].decode().splitlines()
        rows = [line.split("\t") for line in lines if not line.startswith("#")]
        table = np.array(rows, dtype=np.float64).T
        return table[0], np.unwrap(np.radians(table[2]))

    frequency, up = read(f"{driver.name}_v60.txt")
    _, down = read(f"{driver.name}_v-60.txt")
    delay = -np.polyfit(2.0 * np.pi * frequency, up - down, 1)[0]
    height = -driver.place_m[0]
    expected = 2.0 * height * np.sin(np.radians(60.0)) / 343.2
    # 5 us: edge ripple differs a little up and down, and bends the phase.
    assert delay == pytest.approx(expected, abs=5e-6)


def test_left_mirrors_right() -> None:
    """The design states that left equals right; the model agrees exactly."""
    frequency = np.geomspace(20.0, 20e3, 60)
    for driver in DRIVERS:
        right = compute_raw_pressure(frequency, driver, Direction(horizontal_deg=45.0))
        left = compute_raw_pressure(frequency, driver, Direction(horizontal_deg=-45.0))
        assert left == pytest.approx(right, rel=1e-12)


@pytest.mark.slow
def test_phase_can_be_unwrapped_between_rows() -> None:
    """From row to row every phase turns by less than half a turn, in every direction."""
    frequency = np.geomspace(20.0, 20e3, 480)
    for driver in DRIVERS:
        for direction in DIRECTIONS:
            pressure = compute_raw_pressure(frequency, driver, direction)
            turn = np.abs(np.angle(pressure[1:] / pressure[:-1]))
            fine = np.geomspace(20.0, 20e3, 48_000)
            whole = np.unwrap(np.angle(compute_raw_pressure(fine, driver, direction)))
            coarse = np.unwrap(np.angle(pressure))
            assert turn.max() < 0.9 * np.pi
            assert coarse[-1] - coarse[0] == pytest.approx(whole[-1] - whole[0], abs=1e-6)


def test_levels_are_those_of_ordinary_drivers() -> None:
    """Half-space levels at 2.83 V: woofer near 88, midrange near 89, tweeter near 91 dB."""
    bands = {"woofer": (120.0, 300.0), "midrange": (300.0, 900.0), "tweeter": (2e3, 12e3)}
    expected = {"woofer": 88.0, "midrange": 89.0, "tweeter": 91.0}
    for driver in DRIVERS:
        frequency = np.geomspace(*bands[driver.name], 50)
        level = 20.0 * np.log10(np.abs(eq.compute_pressure(frequency, driver.coil)) / 20e-6)
        assert level.mean() == pytest.approx(expected[driver.name], abs=1.0)


@pytest.mark.parametrize("angle", [15.0, 60.0, 90.0, 150.0, 180.0])
def test_no_direction_has_a_null(angle: float) -> None:
    """A diaphragm that decouples at its edge leaves no zero of J1 in any direction."""
    frequency = np.geomspace(20.0, 40e3, 2000)
    for driver in DRIVERS:
        level = eq.compute_diaphragm_directivity(
            frequency, driver.coil.diaphragm_m, np.radians(angle)
        )
        assert level.min() > 0.05
