"""The package's own readers take the demo as it is, with nothing to remark."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.demo import equations as eq
from optimizer.demo.scenario import DIRECTIONS, DRIVERS, DemoDriver, compute_raw_pressure
from optimizer.measure.files import open_curve


@pytest.fixture(scope="module")
def design(demo_design: Path) -> Path:
    return demo_design


def test_every_file_reads_without_a_note(design: Path) -> None:
    """No row is dropped, repeated or doubted in any file."""
    for file in sorted(design.parent.glob("*.txt")):
        response = open_curve(file, "impedance" if file.stem.endswith("_z") else "pressure")
        assert response.notes == ()
        assert response.has_phase
        assert response.range_hz == (20.0, 20000.0)


@pytest.mark.parametrize("driver", DRIVERS, ids=[driver.name for driver in DRIVERS])
def test_files_hold_the_model_in_pascal_and_ohm(design: Path, driver: DemoDriver) -> None:
    """What is read back is the model: levels re 20 uPa, phases of e^{+jwt}, ohm."""
    name = driver.name
    response = open_curve(design.parent / f"{name}.txt", "pressure")
    model = compute_raw_pressure(response.frequency_hz, driver, DIRECTIONS[0]) / 20e-6
    # 0.05 dB of ripple is 0.6 %; half of the last printed digit is far below.
    assert np.abs(response.value / model - 1.0).max() < 0.007
    impedance = open_curve(design.parent / f"{name}_z.txt", "impedance")
    model = eq.compute_impedance(impedance.frequency_hz, driver.coil)
    assert np.abs(impedance.value / model - 1.0).max() < 0.003
