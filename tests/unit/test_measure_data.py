"""Real measured files are read whole, and go on plausibly where they end."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curves.grid import log_grid, resample
from optimizer.measure.curves.phase import excess_phase, fit_delay
from optimizer.measure.files import open_curve

pytestmark = pytest.mark.data

GRID = log_grid(20, 20_000, 24)
NAMES = ("together", "tweeter", "woofer", "tweeter_impedance", "woofer_impedance")
FILES = [f"real-two-way-{which}/{name}.txt" for which in "abc" for name in NAMES]
ANGLES = ("0", "7.5", "15", "22.5", "30", "37.5", "45", "52.5", "60", "67.5", "75", "82.5", "90")


def rows_of(path: Path) -> list[list[float]]:
    """Rows by the plainest means: these files are tab or blank separated with points."""
    lines = path.read_text(encoding="latin-1").splitlines()
    return [[float(part) for part in line.split()] for line in lines if line[:1].isdigit()]


def read(path: Path):
    return (
        open_curve(path, "impedance") if "impedance" in path.name else open_curve(path, "pressure")
    )


@pytest.mark.parametrize("name", [*FILES, *(f"angles-horizontal/hor_{a}.dat" for a in ANGLES)])
def test_every_row_arrives(measured_data, name):
    """Each file gives the numbers of its rows, all of them, without a remark."""
    path = measured_data / name
    response, rows = read(path), np.array(rows_of(path))
    assert len(response.frequency_hz) == len(rows) > 300
    np.testing.assert_array_equal(response.frequency_hz, rows[:, 0])
    wanted = rows[:, 1] if response.quantity == "impedance" else 10 ** (rows[:, 1] / 20)
    np.testing.assert_allclose(response.value, wanted * np.exp(1j * np.deg2rad(rows[:, 2])))
    assert response.has_phase
    assert response.notes == ()


@pytest.mark.parametrize("name", FILES)
def test_ends_are_those_of_the_file_and_the_rest_is_plausible(measured_data, name):
    """Coverage tells the ends; outside nothing rises, no impedance gives power back."""
    path = measured_data / name
    new, rows = resample(read(path), GRID), rows_of(path)
    assert (new.coverage.low_hz, new.coverage.high_hz) == (rows[0][0], rows[-1][0])
    below = rows[0][0] > GRID
    told = [note for note in new.notes if "not measured below" in note]
    assert len(told) == below.any()
    modulus = np.abs(new.value)
    if "impedance" in name:
        assert (new.value.real > 0).all()
        assert np.ptp(modulus[below]) <= 1e-9 if below.any() else True
    else:
        assert (np.diff(modulus[below]) >= -1e-9).all()
        assert 0 <= new.coverage.slope_low_db_per_octave <= 48


@pytest.mark.parametrize("edge_hz", [620, 800, 1000, 1400, 2000])
@pytest.mark.parametrize("which", "abc")
def test_continuing_is_no_worse_than_holding_the_edge(measured_data, which, edge_hz):
    """A tweeter's file cut short: its own data an octave below is met no worse than by a constant.

    Not a claim of accuracy: cut near its resonance the error reaches 16 dB either way.
    """
    response = open_curve(measured_data / f"real-two-way-{which}/tweeter.txt", "pressure")
    keep = response.frequency_hz >= edge_hz
    cut = replace(response, frequency_hz=response.frequency_hz[keep], value=response.value[keep])
    grid = np.append(log_grid(edge_hz / 2, edge_hz, 24), 2.0 * edge_hz)
    measured = resample(response, grid).value[:-1]
    continued = resample(cut, grid).value[:-1] / measured
    held = measured[-1] / measured

    def level(error):
        return np.abs(20 * np.log10(np.abs(error))).max()

    def turn(error):
        return np.abs(np.rad2deg(np.angle(error))).max()

    assert level(continued) < level(held) + 0.5
    assert turn(continued) < turn(held) + 5


def test_excess_delay_of_an_angle_is_steady(measured_data):
    """In one session 0 and 7.5 degrees share the path: delays within 0.1 ms."""
    delays = []
    for angle in ("0", "7.5"):
        response = open_curve(measured_data / f"angles-horizontal/hor_{angle}.dat", "pressure")
        delays.append(fit_delay(response.frequency_hz, excess_phase(response), (1000, 8000)))
    assert abs(delays[0] - delays[1]) < 1e-4


@pytest.mark.parametrize("name", ["horizontal", "vertical", "published_curves"])
def test_table_of_pairs_gives_its_first_curve(measured_data, name):
    """Thousands commas and 72 pairs of columns: the first curve, to 19999.5 Hz, no phase."""
    response = open_curve(measured_data / f"cta-a/{name}.txt", "pressure")
    assert response.range_hz == (20.5078, 19999.5)
    assert len(response.frequency_hz) == 194
    assert not response.has_phase
    assert response.level_db[[0, -1]] == pytest.approx([56.2973, 81.9333], abs=1e-9)


def test_two_column_curve_without_phase(measured_data):
    """Blank separated, two columns, decimal points: read whole."""
    response = open_curve(measured_data / "cta-a/second_reading_rear.txt", "pressure")
    assert response.range_hz == (20.5078, 19999.5)
    assert response.level_db[0] == pytest.approx(58.60218674160963, rel=1e-12)


def test_licence_text_is_no_measurement(measured_data):
    """Prose is refused."""
    with pytest.raises(InputError, match="no row of numbers"):
        open_curve(measured_data / "cta-a/LICENSE.txt", "pressure")


def test_sweep_out_of_order_is_refused_with_its_line(measured_data):
    """A sweep that repeats frequencies out of order names the first wrong row."""
    with pytest.raises(InputError, match="frequency must rise") as caught:
        open_curve(measured_data / "network-measured/hp_amplitude_wide.txt", "pressure")
    assert caught.value.line == 2
