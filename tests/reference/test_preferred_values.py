"""Preferred-value series against the printed tables.

Source: IEC 60063:2015, "Preferred number series for resistors and capacitors", as printed on
the component page of qsl.net/g4usp (E6 to E48 complete, 83 of the 96 E96 values). The 13 values
of E96 not visible there follow from the formula of the standard and are marked below.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.stock.series import MANTISSAS, series_values

TABLES = {
    "E6": "1.0 1.5 2.2 3.3 4.7 6.8",
    "E12": "1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2",
    "E24": "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 "
    "7.5 8.2 9.1",
    "E48": "1.00 1.05 1.10 1.15 1.21 1.27 1.33 1.40 1.47 1.54 1.62 1.69 1.78 1.87 1.96 2.05 2.15 "
    "2.26 2.37 2.49 2.61 2.74 2.87 3.01 3.16 3.32 3.48 3.65 3.83 4.02 4.22 4.42 4.64 4.87 "
    "5.11 5.36 5.62 5.90 6.19 6.49 6.81 7.15 7.50 7.87 8.25 8.66 9.09 9.53",
    "E96": "1.00 1.02 1.05 1.07 1.10 1.13 1.15 1.18 1.21 1.24 1.27 1.30 1.33 1.37 1.40 1.43 1.47 "
    "1.50 1.54 1.58 1.62 1.65 1.69 1.74 1.78 1.82 1.87 1.91 1.96 2.00 2.05 2.10 2.15 2.21 "
    "2.26 2.32 2.37 2.43 2.49 2.55 2.61 2.67 2.74 2.80 2.87 2.94 3.01 3.09 3.16 3.24 3.32 "
    "3.40 3.48 3.57 3.65 3.74 3.83 3.92 4.02 4.12 4.22 4.32 4.42 4.53 4.64 4.75 4.87 4.99 "
    "5.11 5.23 5.36 5.49 5.62 5.76 5.90 6.04 6.19 6.34 6.49 6.65 6.81 6.98 7.15 7.32 7.50 "
    "7.68 7.87 8.06 8.25 8.45 8.66 8.87 9.09 9.31 9.53 9.76",
}
# From the formula, not seen in print: 1.18 1.43 1.74 2.10 2.55 3.09 3.74 4.53 5.49 6.65 8.06
# 9.53 9.76.


@pytest.mark.parametrize("name", TABLES)
def test_every_value_of_a_decade_is_printed_in_the_standard(name: str) -> None:
    """The series hold exactly the printed values, in order."""
    assert list(MANTISSAS[name]) == TABLES[name].split()


def test_e24_leaves_the_formula_in_eight_places() -> None:
    """E24 differs from 10^(i/24), to one decimal, at 2.7 to 4.7 (up) and at 8.2 (down)."""
    formula = np.round(10 ** (np.arange(24) / 24), 1)
    values = np.array([float(text) for text in MANTISSAS["E24"]])
    off = values != formula
    assert list(values[off]) == [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2]
    assert list(formula[off]) == [2.6, 2.9, 3.2, 3.5, 3.8, 4.2, 4.6, 8.3]


def test_coarse_series_lie_inside_the_finer_ones() -> None:
    """E6 lies in E12 in E24, E48 in E96, but E24 not in E96 (2.7 against 2.67 and 2.74)."""
    sets = {name: set(map(float, values)) for name, values in MANTISSAS.items()}
    assert sets["E6"] < sets["E12"] < sets["E24"]
    assert sets["E48"] < sets["E96"]
    assert 2.7 in sets["E24"] - sets["E96"]


@pytest.mark.parametrize(
    ("name", "ratio", "worst"),
    [
        ("E6", 1.5000, 0.2247),
        ("E12", 1.2500, 0.1180),
        ("E24", 1.1538, 0.0742),
        ("E48", 1.0533, 0.0263),
        ("E96", 1.0301, 0.0149),
    ],
)
def test_widest_step(name: str, ratio: float, worst: float) -> None:
    """The widest step, and the farthest a wish can lie from a value, are those of the tables.

    Computed from the printed lists by hand: 1.5/1.0, 1.5/1.2, 1.5/1.3, ...
    """
    values = series_values(name, 1.0, 10.0)
    steps = values[1:] / values[:-1]
    assert round(float(steps.max()), 4) == ratio
    assert round(float(np.sqrt(steps.max())) - 1, 4) == worst


def test_values_are_exact_and_repeat_in_every_decade() -> None:
    """4.7e-6 is the very number a person writes, and E12 from 1 uF to 100 uF has 25 values."""
    values = series_values("e12", 1e-6, 100e-6)
    assert len(values) == 25
    assert 4.7e-6 in values
    assert values[0] == 1e-6
    assert values[-1] == 100e-6
    assert not values.flags.writeable


def test_ends_of_a_range_are_included_within_rounding() -> None:
    """A limit that is off by less than 1e-9 (units conversion) does not lose its value."""
    low, high = 2.2e-3 * (1 + 5e-10), 2.2e-3 * (1 - 5e-10)
    assert list(series_values("E6", low, 2.3e-3)) == [2.2e-3]
    assert list(series_values("E6", 2.1e-3, high)) == [2.2e-3]
    assert len(series_values("E6", 2.3e-3, 3.2e-3)) == 0


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("E13", 1.0, 2.0),
        ("", 1.0, 2.0),
        ("E12", 0.0, 1.0),
        ("E12", 1.0, float("inf")),
        ("E12", float("nan"), 1.0),
        ("E12", -1.0, 1.0),
    ],
)
def test_unknown_series_and_impossible_limits_are_refused(
    name: str, low: float, high: float
) -> None:
    """Bad input raises one clear error."""
    with pytest.raises(InputError):
        series_values(name, low, high)
