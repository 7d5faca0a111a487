"""Roll-offs and resonances of responses against closed forms and random synthetic drivers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, ellip, freqs

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.band import find_usable
from optimizer.measure.survey.curvefit import (
    CurveFit,
    CurveTerms,
    evaluate_curve,
    evaluate_with_slopes,
)
from optimizer.measure.survey.shape import read_shape
from tests.conftest import cases


def pressure(frequency, level_db):
    return MeasuredCurve(
        frequency_hz=frequency,
        value=10 ** (level_db / 20) + 0j,
        quantity="pressure",
        has_phase=False,
    )


def bell(frequency, centre_hz, height_db, q):
    s = 1j * frequency / centre_hz
    a = 10 ** (abs(height_db) / 20)
    value = (s * s + a * s / q + 1) / (s * s + s / q + 1)
    return value if height_db > 0 else 1 / value


@pytest.mark.parametrize(("hz", "level"), [(500, 1.133105), (800, 4.227541), (1000, 6.0)])
def test_bell_of_the_model(hz, level):
    """A bell of +6 dB, Q 2 at 1 kHz; values calculated from the transfer function."""
    x = np.array([0.0, 0.0, np.log(500), -100.0, np.log(1000), 6.0, np.log(2.0)])
    found = evaluate_curve(np.log([float(hz)]), CurveTerms(low_order=0, high_order=0, bells=1), x)
    assert found[0] == pytest.approx(level, abs=1e-6)


@pytest.mark.parametrize(
    ("q", "half", "at", "double"),
    [
        (0.5, -13.9794, -6.0206, -1.9382),
        (0.7071, -12.3045, -3.0103, -0.2633),
        (1.0, -11.1394, 0, 0.9018),
    ],
)
def test_closed_box_of_the_model(q, half, at, double):
    """Second-order high-pass at half, once and twice its corner (closed box, calculated)."""
    x = np.array([0.0, 0.0, np.log(500), -200.0, np.log(60.0), np.log(q)])
    u = np.log(np.array([30.0, 60.0, 120.0]))
    found = evaluate_curve(u, CurveTerms(low_order=2, high_order=0), x)
    assert found == pytest.approx([half, at, double], abs=1e-4)


@pytest.mark.parametrize("order", cases([1, 2, 3, 4], routine=(2, 4)))
def test_order_of_butterworth_ends(order):
    """Butterworth ends of order 1 to 4 (scipy.signal) are named, with their 3 dB points."""
    f = np.geomspace(20, 20000, 480)
    level = 90.0 + np.zeros_like(f)
    for corner, kind in ((200, "high"), (2000, "low")):
        _, h = freqs(*butter(order, 2 * np.pi * corner, kind, analog=True), 2 * np.pi * f)
        level = level + 20 * np.log10(np.abs(h))
    level = level + np.random.default_rng(order).normal(0, 0.1, len(f))
    shape = read_shape(pressure(f, level))
    assert (shape.low.order, shape.high.order) == (order, order)
    # The gentle knee of a first-order slope can pass for the step of a baffle.
    near = 0.3 if order == 1 else 0.08
    assert shape.low.corner_hz == pytest.approx(200, rel=near)
    assert shape.high.corner_hz == pytest.approx(2000, rel=near)
    # Between 6 dB down and the end of the data the slope has not quite reached 6 n.
    assert shape.high.slope_db_per_octave == pytest.approx(6 * order, rel=0.15)
    assert shape.peaks == ()


def test_main_peak_is_measured():
    """A resonance of 6 dB and Q 4 beyond a second-order corner: frequency, height and Q."""
    f = np.geomspace(50, 20000, 500)
    _, h = freqs(*butter(2, 2 * np.pi * 3000, "low", analog=True), 2 * np.pi * f)
    level = 85 + 20 * np.log10(np.abs(h * bell(f, 5200, 6, 4)))
    level = level + np.random.default_rng(0).normal(0, 0.15, len(f))
    main = read_shape(pressure(f, level)).peaks[0]
    assert main.frequency_hz == pytest.approx(5200, rel=0.01)
    assert main.height_db == pytest.approx(6, abs=0.8)
    assert main.q == pytest.approx(4, rel=0.15)


def test_data_that_end_early_make_no_claim():
    """A woofer measured from 300 Hz shows no low roll-off: no order, but a reason."""
    f = np.geomspace(300, 10000, 200)
    _, h = freqs(*butter(2, 2 * np.pi * 3000, "low", analog=True), 2 * np.pi * f)
    shape = read_shape(pressure(f, 85 + 20 * np.log10(np.abs(h))))
    assert shape.low.order is None
    assert "end before" in shape.low.reason
    assert shape.high.order == 2


def test_narrow_dip_does_not_end_the_band():
    """A deep dip of a sixth of an octave inside the band is bridged."""
    f = np.geomspace(50, 20000, 24 * 9)
    level = 85 + 20 * np.log10(np.abs(bell(f, 1000, -15, 8)))
    level = level - 10 * np.log10(1 + (f / 4000) ** 8)
    reference, (low, high) = find_usable(f, level)
    assert reference == pytest.approx(85, abs=0.7)
    assert low == pytest.approx(50)
    assert high == pytest.approx(4700, rel=0.1)


def make_driver(rng):
    """A random driver: corners, orders, Qs, a main resonance, ripples, noise floor, range."""
    kind = rng.integers(3)
    low, high = ((30, 2500), (150, 6000), (700, 16000))[kind]
    low, high = low * np.exp(rng.uniform(-0.3, 0.3)), high * np.exp(rng.uniform(-0.2, 0.2))
    low_order = int(rng.choice([2, 4])) if kind == 0 else 2
    high_order = int(rng.integers(1, 5))
    frequency = np.geomspace(
        rng.choice([20, 50, 150]), rng.choice([20000, 24000]), int(rng.choice([150, 300, 800]))
    )
    value = np.ones(len(frequency), dtype=complex)
    for corner, order, rising in ((low, low_order, True), (high, high_order, False)):
        s = 1j * frequency / corner
        s = 1 / s if rising else s
        qs = {1: [], 2: [0.75], 3: [1.0], 4: [0.541, 1.307]}[order]
        for q in qs:
            value = value / (s * s + s / (q * np.exp(rng.uniform(-0.25, 0.25))) + 1)
        if order % 2:
            value = value / (1 + s)
    peak = min(high * np.exp(rng.uniform(-0.7, 0.8)), frequency[-1] / 1.5)
    value = value * bell(frequency, peak, rng.uniform(3.5, 9), np.exp(rng.uniform(0.9, 2.1)))
    true = [peak]
    for _ in range(3):
        centre, height = (
            np.exp(rng.uniform(np.log(low * 1.5), np.log(high))),
            rng.uniform(-1.5, 1.5),
        )
        value = value * bell(frequency, centre, height, rng.uniform(1, 4))
        true += [centre] if height >= 1.0 else []
    level = 88 + 20 * np.log10(np.abs(value))
    level = 10 * np.log10(10 ** (level / 10) + 10 ** (rng.uniform(20, 35) / 10))
    level = level + rng.normal(0, rng.choice([0.05, 0.2, 0.4]), len(frequency))
    return pressure(frequency, level), low_order, high_order, true


def test_random_drivers_are_described_without_wrong_statements(trials):
    """At least 38 of 40 random drivers: no wrong order, and the first peak is there.

    Within 1/12 octave of the main resonance or of a ripple of 1 dB and more.
    """
    drivers = trials(routine=5, full=40)
    rng = np.random.default_rng(2024)
    right, stated = 0, 0
    for _ in range(drivers):
        response, low_order, high_order, true = make_driver(rng)
        shape = read_shape(response)
        peaks = [p for p in shape.peaks if p.height_db > 0]
        right += (
            shape.low.order in (None, low_order)
            and shape.high.order in (None, high_order)
            and (not peaks or min(abs(np.log2(peaks[0].frequency_hz / np.array(true)))) < 1 / 12)
        )
        stated += (shape.low.order is not None) + (shape.high.order is not None) + bool(peaks)
    assert right >= 0.95 * drivers
    # Silence would be no wrong statement either; most things must be said.
    assert stated >= 75 / 40 * drivers


def test_corner_of_a_missing_end_is_none():
    """A structure without an end has no corner."""
    fit = CurveFit(structure=CurveTerms(low_order=0, high_order=0), x=np.zeros(4))
    assert fit.corner_hz("low") is None
    assert fit.corner_hz("high") is None
    assert fit.bells.shape == (0, 3)


def test_a_knee_of_another_shape_is_no_peak():
    """An elliptic end, steeper than any model, is a roll-off and not a resonance."""
    f = np.geomspace(100, 20000, 400)
    _, end = freqs(*ellip(7, 0.05, 60, 2 * np.pi * 14000, "low", analog=True), 2 * np.pi * f)
    _, low = freqs(*butter(2, 2 * np.pi * 500, "high", analog=True), 2 * np.pi * f)
    peaks = read_shape(pressure(f, 85 + 20 * np.log10(np.abs(end * low)))).peaks
    assert [p for p in peaks if p.height_db > 2.0 and p.frequency_hz > 5000] == []


def test_a_broad_hump_above_the_level_is_told():
    """A cone's broad break-up after a dip is named where it is loudest, as more than a ripple."""
    f = np.geomspace(40, 20000, 500)
    _, low = freqs(*butter(2, 2 * np.pi * 50, "high", analog=True), 2 * np.pi * f)
    _, high = freqs(*butter(4, 2 * np.pi * 9500, "low", analog=True), 2 * np.pi * f)
    value = low * high * bell(f, 3200, -7, 3) * bell(f, 6500, 9, 1.8)
    level = 80 + 20 * np.log10(np.abs(value))
    shape = read_shape(pressure(f, level))
    loudest = max((p for p in shape.peaks if p.height_db > 0.0), key=lambda p: p.height_db)
    assert abs(np.log2(loudest.frequency_hz / f[np.argmax(level)])) < 1 / 6
    # A shelf of the model may take a part of its 9 dB, never most of it.
    assert 6.0 < loudest.height_db < 10.0


def test_slopes_of_the_model_are_its_differences():
    """The fit follows exact slopes: held to differences of the curve itself, random terms."""
    rng = np.random.default_rng(7)
    u = np.log(np.geomspace(100.0, 20e3, 60))
    for _ in range(40):
        low, high, bells = (int(n) for n in rng.integers(5, size=3))
        terms = CurveTerms(low_order=low, high_order=high, bells=bells)
        x = [90.0, rng.uniform(-3, 6), 6.0, rng.uniform(50, 80)]
        for count, corner in ((terms.low_count, 300.0), (terms.high_count, 8e3)):
            x += [np.log(corner), *rng.uniform(-0.5, 0.3, 2)][:count]
        for _ in range(bells):
            x += [np.log(rng.uniform(200, 9e3)), rng.uniform(-8, 8), rng.uniform(0, 2)]
        slopes = evaluate_with_slopes(u, terms, np.array(x))[1]
        for slope, step in zip(slopes, 1e-5 * np.eye(len(x)), strict=True):
            up, down = evaluate_curve(u, terms, x + step), evaluate_curve(u, terms, x - step)
            assert slope == pytest.approx((up - down) / 2e-5, abs=1e-5)
