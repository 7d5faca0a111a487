"""A hundred random drivers, response and impedance, surveyed as a whole.

Each is made from textbook circuits in this file alone: a voice coil with a lossy inductance
(K (jw)^n, from memory of the published semi-inductance model) before the motional branch of a
closed or vented box (Small's equivalent circuits, JAES 1972/73, from memory), and a response of
high-pass, low-pass, one main resonance, ripples, a noise floor and random noise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.measure.curve import ON_AXIS, MeasuredCurve
from optimizer.measure.readings import DriverFiles, FileReading
from optimizer.measure.survey.survey import survey_driver

ALLOWED_WRONG = 0.05
RESONANCE = 0.03
PEAK_OCTAVES = 1.0 / 12.0


def make_impedance(rng, resonance_hz, vented):
    """Impedance of a random driver with this resonance, over a random range."""
    first = rng.choice([5.0, 10.0, 20.0, 2.5 * resonance_hz], p=[0.3, 0.3, 0.3, 0.1])
    f = np.geomspace(first, 20000.0, int(rng.choice([150, 300, 500])))
    re = rng.uniform(2.8, 7.5)
    qms, qes = rng.uniform(1.5, 8.0), rng.uniform(0.25, 1.2)
    s, w0 = 2j * np.pi * f, 2.0 * np.pi * resonance_hz
    admittance = (1.0 + qms * (s / w0 + w0 / s)) / (re * qms / qes)
    if vented:
        tuning = w0 * np.exp(rng.uniform(-0.4, 0.2))
        # the box: compliance and port in series, beside the driver's own branch
        reactance = re / (qes * w0) / rng.uniform(0.8, 3.0)
        admittance = admittance + 1.0 / (
            s * reactance + reactance * tuning**2 / s + reactance * tuning / 10.0
        )
    le = rng.uniform(0.02e-3, 0.6e-3)
    z = re + le * 2000.0 * (s / 2000.0) ** rng.uniform(0.6, 0.95) + 1.0 / admittance
    z = z * np.exp(rng.normal(0, 0.004, len(f)) + 1j * rng.normal(0, 0.004, len(f)))
    return MeasuredCurve(frequency_hz=f, value=z, quantity="impedance", has_phase=True)


def make_response(rng, low_hz, high_hz, low_order, high_order):
    """Level of a random driver and the frequency of its main resonance."""
    f = np.geomspace(
        rng.choice([20.0, 50.0, 200.0]), rng.choice([20000.0, 24000.0]),
        int(rng.choice([150, 300, 500])),
    )  # fmt: skip
    value = np.ones(len(f), dtype=complex)
    for s, order in ((low_hz / (1j * f), low_order), (1j * f / high_hz, high_order)):
        for q in {1: [], 2: [0.75], 3: [1.0], 4: [0.541, 1.307]}[order]:
            value /= s * s + s / (q * np.exp(rng.uniform(-0.25, 0.25))) + 1.0
        if order % 2:
            value /= 1.0 + s
    peak_hz = min(high_hz * np.exp(rng.uniform(-0.7, 0.8)), f[-1] / 1.5)
    bells = [(peak_hz, rng.uniform(3.5, 9.0), np.exp(rng.uniform(0.9, 2.1)))]
    for _ in range(3):
        centre = np.exp(rng.uniform(np.log(1.5 * low_hz), np.log(high_hz)))
        bells.append((centre, rng.uniform(0.2, 1.5), rng.uniform(1.0, 4.0)))
    for centre, height_db, q in bells:
        s, a = 1j * f / centre, 10 ** (height_db / 20)
        value *= (s * s + a * s / q + 1) / (s * s + s / q + 1)
    level = 88.0 + 20.0 * np.log10(np.abs(value))
    level = 10.0 * np.log10(10 ** (level / 10) + 10 ** (rng.uniform(20.0, 35.0) / 10))
    level = level + rng.normal(0.0, rng.choice([0.05, 0.2, 0.4]), len(f))
    response = MeasuredCurve(
        frequency_hz=f, value=10 ** (level / 20) + 0j, quantity="pressure", has_phase=False
    )
    return response, peak_hz


def make_driver(rng):
    """One driver and the truth about it."""
    kind = rng.integers(3)
    low, high = ((30.0, 2500.0), (150.0, 6000.0), (700.0, 16000.0))[kind]
    low, high = low * np.exp(rng.uniform(-0.3, 0.3)), high * np.exp(rng.uniform(-0.2, 0.2))
    vented = bool(kind == 0 and rng.random() < 0.5)
    orders = 4 if vented else 2, int(rng.integers(1, 5))
    response, peak_hz = make_response(rng, low, high, *orders)
    files = DriverFiles(
        name="driver",
        responses={
            ON_AXIS: FileReading(
                path="driver.txt", role="response", curve=replace(response, direction=ON_AXIS)
            )
        },
        impedance=FileReading(
            path="driver_z.txt", role="impedance", curve=make_impedance(rng, low, vented)
        ),
    )
    return files, low, orders, peak_hz


def test_a_hundred_random_drivers(trials):
    """95 of 100 without a wrong word: resonance 3 %, orders, main peak within 1/12 octave."""
    drivers = trials(routine=6, full=100)
    rng = np.random.default_rng(95100)
    wrong, stated = [], 0
    for number in range(drivers):
        files, resonance_hz, orders, peak_hz = make_driver(rng)
        found = survey_driver(files)
        peaks = [p for p in found.shape.peaks if p.height_db > 0.0]
        ends = found.shape.low.order, found.shape.high.order
        faults = []
        if found.resonance_hz is not None:
            stated += 1
            if abs(found.resonance_hz / resonance_hz - 1.0) > RESONANCE:
                faults.append(f"resonance {found.resonance_hz:.1f}, is {resonance_hz:.1f}")
        for end, order, truth in zip(("low", "high"), ends, orders, strict=True):
            stated += order is not None
            if order not in (None, truth):
                faults.append(f"{end} order {order}, is {truth}")
        if peaks:
            stated += 1
            if abs(np.log2(peaks[0].frequency_hz / peak_hz)) > PEAK_OCTAVES:
                faults.append(f"main peak {peaks[0].frequency_hz:.0f}, is {peak_hz:.0f}")
        if faults:
            wrong.append(f"driver {number}: {'; '.join(faults)}")
    assert len(wrong) <= ALLOWED_WRONG * drivers, wrong
    # Silence is never wrong: of four statements for each driver, most have to be made.
    assert stated >= 2.4 * drivers
