"""Whatever numbers a file holds, a survey ends with figures or with an input error."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import Direction, FileHeading, MeasuredCurve
from optimizer.measure.readings import DriverFiles, FileReading, Folder
from optimizer.measure.survey.survey import survey_folder
from optimizer.report.documents.survey_json import survey_to_json


def draw_frequency(rng):
    count = int(rng.choice([3, 5, 12, 40, 200, 2000]))
    low = 10 ** rng.uniform(-1, 3.5)
    high = low * 10 ** rng.uniform(0.1, 4)
    spread = np.geomspace if rng.random() < 0.7 else np.linspace
    return spread(low, high, count)


def draw_pressure(rng):
    f = draw_frequency(rng)
    n, u = len(f), np.log(f / f[0])
    level = [
        np.full(n, 80.0),
        rng.normal(80, 10, n),
        80 - rng.uniform(-30, 30) * u,
        rng.uniform(-190, 240, n),
        80 + 10 * np.sin(5 * u),
    ][rng.integers(5)]
    has_phase = bool(rng.random() < 0.7)
    phase = rng.choice([0, 1, 50]) * np.cumsum(rng.normal(size=n)) * has_phase
    value = 10 ** (np.clip(level, -200, 250) / 20) * np.exp(1j * phase)
    return MeasuredCurve(frequency_hz=f, value=value, quantity="pressure", has_phase=has_phase)


def draw_impedance(rng):
    f = draw_frequency(rng)
    n, u = len(f), np.log(f / f[0])
    modulus = [
        np.full(n, 8.0),
        10 ** rng.uniform(-3, 5, n),
        8 * np.exp(u / 2),
        6 + 30 * np.exp(-((u - 1) ** 2)),
        8 * np.exp(-u / 2) + 1,
    ][rng.integers(5)]
    phase = rng.choice([0, 1, 3]) * rng.normal(size=n)
    return MeasuredCurve(frequency_hz=f, value=modulus * np.exp(1j * phase), quantity="impedance")


@pytest.mark.routine(2)
@pytest.mark.parametrize("seed", range(12))
def test_any_numbers_are_survived(seed):
    """No number is NaN, no exception other than an input error escapes."""
    rng = np.random.default_rng(seed)
    drivers = {}
    for index in range(int(rng.integers(1, 4))):
        name = f"driver{index}"
        responses = {}
        for angle in range(int(rng.integers(1, 3))):
            direction = Direction(horizontal_deg=15.0 * angle)
            responses[direction] = FileReading(
                path=f"{name} {angle}", role="response", driver=name,
                curve=replace(
                    draw_pressure(rng), direction=direction,
                    heading=FileHeading(smoothing=rng.choice([None, 3, 24])),
                    gate_s=rng.choice([None, 0.004]),
                ),
            )  # fmt: skip
        impedance = None
        if rng.random() < 0.8:
            impedance = FileReading(
                path=f"{name} z", role="impedance", driver=name, curve=draw_impedance(rng)
            )
        drivers[name] = DriverFiles(name=name, responses=responses, impedance=impedance)
    together = None
    if rng.random() < 0.5:
        together = FileReading(path="both", role="together", curve=draw_pressure(rng))
    folder = Folder(path=".", files=(), drivers=drivers, together=together)
    try:
        survey = survey_folder(folder)
    except InputError:
        return
    json.dumps(survey_to_json(survey), allow_nan=False)
