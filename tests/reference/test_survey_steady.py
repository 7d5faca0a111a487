"""Figures of a survey that must not hang on where a file begins, or on how a coil is modelled."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.arrays import Complex, Real
from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.files import open_curve
from optimizer.measure.survey.impedance import survey_impedance
from optimizer.measure.survey.shape import read_shape
from optimizer.verbs import survey
from tests.conftest import cases

SIXTH_OCTAVE = 1.0 / 6.0


def cut_below(text: str, hz: float) -> str:
    """Leave out the rows of a text file below a frequency."""
    kept = []
    for line in text.splitlines():
        first = line.split()[0] if line.split() else ""
        number = first.replace(".", "", 1).isdecimal()
        if not number or float(first) >= hz:
            kept.append(line)
    return "\n".join(kept) + "\n"


def read_ranges(folder: Path) -> dict[str, float]:
    """What a survey says of where the woofer and the pair may be used, in log2 of Hz."""
    told = survey(folder)
    woofer = next(driver for driver in told.drivers if driver.name == "woofer")
    (pair,) = told.pairs
    assert pair.crossover_hz is not None
    found = {
        "usable": woofer.usable_hz[1],
        "cross from": pair.crossover_hz[0],
        "cross to": pair.crossover_hz[1],
    }
    if woofer.break_up is not None:
        found["break-up"] = woofer.break_up.frequency_hz
    return {name: float(np.log2(hz)) for name, hz in found.items()}


@pytest.mark.parametrize("speaker", cases(["a", "b", "c"], routine=1))
def test_cutting_the_bass_moves_no_range(measured_data: Path, tmp_path: Path, speaker: str) -> None:
    """Woofers measured at home, their file cut at 20, 50 and 100 Hz: the top of what is usable,
    break-up and the range to cross in stay within a sixth of an octave."""
    source = measured_data / f"real-two-way-{speaker}"
    if not source.is_dir():
        pytest.skip(f"no {source}")
    whole = read_ranges(source)
    for hz in (20.0, 50.0, 100.0):
        folder = tmp_path / f"{hz:g}"
        folder.mkdir()
        for file in source.iterdir():
            text = file.read_text(encoding="utf-8")
            text = cut_below(text, hz) if file.name == "woofer.txt" else text
            (folder / file.name).write_text(text, encoding="utf-8")
        cut = read_ranges(folder)
        assert cut.keys() == whole.keys()
        for name, octaves in cut.items():
            assert abs(octaves - whole[name]) < SIXTH_OCTAVE, (name, hz)


def add_ripple(curve: MeasuredCurve, per_octave: float) -> MeasuredCurve:
    """Half a decibel up and down, so many times in an octave."""
    turns = per_octave * np.log2(curve.frequency_hz)
    return replace(curve, value=curve.value * 10.0 ** (0.5 * np.sin(2.0 * np.pi * turns) / 20.0))


def smooth(curve: MeasuredCurve, width: float) -> MeasuredCurve:
    """Mean of energy over a width in octaves, as programs that export curves do it."""
    grid = np.geomspace(*curve.range_hz, 4000)
    energy = np.cumsum(np.interp(grid, curve.frequency_hz, np.abs(curve.value) ** 2))
    step = np.log2(grid[1] / grid[0])
    at = np.arange(len(grid))
    low = np.maximum(at - round(0.5 * width / step), 0)
    high = np.minimum(at + round(0.5 * width / step), len(grid) - 1)
    mean = (energy[high] - energy[low]) / (high - low)
    level = np.interp(curve.frequency_hz, grid, np.sqrt(mean))
    return replace(curve, value=level.astype(complex), has_phase=False)


@pytest.mark.parametrize("speaker", cases(["a", "b", "c"], routine=1))
def test_ripple_and_smoothing_move_no_range(measured_data: Path, speaker: str) -> None:
    """A ripple of half a decibel and smoothing over 1/12 and 1/6 octave move what is usable and
    where the woofer breaks up by less than a sixth of an octave."""
    file = measured_data / f"real-two-way-{speaker}" / "woofer.txt"
    if not file.is_file():
        pytest.skip(f"no {file}")
    curve = open_curve(file, "pressure")
    plain = read_shape(curve)
    assert plain.break_up is not None
    changed = [add_ripple(curve, 1.0), add_ripple(curve, 6.0), smooth(curve, 1 / 6)]
    for shape in map(read_shape, [*changed, smooth(curve, 1 / 12)]):
        assert shape.break_up is not None
        ratios = np.divide(
            [*shape.usable_hz, shape.break_up.frequency_hz],
            [*plain.usable_hz, plain.break_up.frequency_hz],
        )
        assert np.abs(np.log2(ratios)).max() < SIXTH_OCTAVE


def vented(
    f: Real, re_ohm: float, rng: np.random.Generator, *, double: bool, resonance_hz: float
) -> Complex:
    """Impedance of a vented box by its electrical dual (Small, JAES 1973, from memory).

    The coil is a semi-inductance, or an inductance with a second one and its resistance.
    """
    s, w = 2j * np.pi * f, 2.0 * np.pi * resonance_hz
    qms, qes = rng.uniform(2.0, 8.0), rng.uniform(0.25, 0.5)
    tuning = w * rng.uniform(0.7, 1.1)
    box = re_ohm / (w * qes) / rng.uniform(0.5, 3.0)
    admittance = (1.0 + qms * (s / w + w / s)) / (re_ohm * qms / qes)
    admittance += 1.0 / (s * box + box * tuning**2 / s + box * tuning / rng.uniform(5.0, 15.0))
    if double:
        second = 1.0 / (1.0 / (s * rng.uniform(0.3e-3, 1.2e-3)) + 1.0 / rng.uniform(2.0, 10.0))
        coil = s * rng.uniform(0.1e-3, 0.4e-3) + second
    else:
        coil = rng.uniform(0.2e-3, 1e-3) * 6283.0 * (s / 6283.0) ** rng.uniform(0.55, 0.85)
    return np.asarray(re_ohm + coil + 1.0 / admittance)


@pytest.mark.parametrize("phase", [True, False], ids=["phase", "modulus"])
@pytest.mark.parametrize("double", cases([True, False], routine=1), ids=["double", "semi"])
def test_resistance_of_vented_boxes_from_20_hz(double: bool, phase: bool) -> None:
    """Where data start at 20 Hz, near the lower peak, the coil's resistance is read within 2 %
    whichever of two circuits the coil follows; noise of 0.4 %."""
    rng = np.random.default_rng(11)
    f = np.geomspace(20.0, 20_000.0, 400)
    for _ in range(4):
        re_ohm = rng.uniform(3.0, 7.0)
        z = vented(f, re_ohm, rng, double=double, resonance_hz=rng.uniform(25.0, 50.0))
        z = z * (1.0 + 0.004 * rng.normal(size=len(f)))
        curve = MeasuredCurve(
            frequency_hz=f,
            value=z if phase else np.abs(z) + 0j,
            quantity="impedance",
            has_phase=phase,
        )
        found = survey_impedance(curve).re_ohm
        assert found == pytest.approx(re_ohm, rel=0.02)
