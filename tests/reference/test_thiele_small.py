"""Resonance and Qs from impedance curves against the published relations.

Reference driver: Re 5.8 ohm, Le 0.5 mH, fs 40 Hz, Qms 4.0, Qes 0.40, so Qts 0.363636; the values
of its impedance and of the root-r0 points are calculated from Small's circuit (JAES 1972, from
memory) with printed digits as tolerance. Vented box: alpha 2, fb 38 Hz, QL 7.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.survey.impedance import survey_impedance
from optimizer.measure.survey.motional import Motional, model_impedance, read_root_r0
from tests.conftest import cases

DRIVER = Motional(re_ohm=5.8, resonance_hz=40.0, qms=4.0, qes=0.4, k=0.5e-3, n=1.0)
VENTED = replace(DRIVER, tuning_hz=38.0, alpha=2.0, leak_q=7.0)
FREQUENCY = np.geomspace(10.0, 20000.0, 480)


def as_response(values, *, noise=0.0, seed=0, frequency=FREQUENCY, with_phase=True):
    rng = np.random.default_rng(seed)
    z = model_impedance(frequency, values)
    z = z * np.exp(rng.normal(0, noise, len(z)) + 1j * rng.normal(0, noise, len(z)))
    if not with_phase:
        z = np.abs(z) + 0j
    return MeasuredCurve(
        frequency_hz=frequency, value=z, quantity="impedance", has_phase=with_phase
    )


@pytest.mark.parametrize(
    ("hz", "ohm", "degrees"),
    [
        (10, 7.19339, 32.6509), (20, 11.99702, 52.1123), (30, 25.76834, 54.9460),
        (40, 63.80012, 0.1129), (60, 18.99924, -56.1281), (100, 9.26673, -44.4911),
        (200, 6.41637, -21.8145), (400, 5.84063, -2.0318), (1000, 6.34546, 23.8004),
        (2000, 8.34109, 45.9308), (5000, 16.63586, 69.5947), (10000, 31.88981, 79.5208),
        (20000, 63.07011, 84.7235),
    ],
)  # fmt: skip
def test_impedance_of_the_circuit(hz, ohm, degrees):
    """Modulus and phase of the reference driver to the digits printed."""
    z = model_impedance(np.array([float(hz)]), DRIVER)[0]
    assert abs(z) == pytest.approx(ohm, abs=1.1e-5)
    assert np.degrees(np.angle(z)) == pytest.approx(degrees, abs=1.1e-4)


@pytest.mark.parametrize(
    ("hz", "ohm", "degrees"),
    [
        (20, 41.333594, -1.8657), (38, 6.768643, 1.0667), (50, 8.480050, 30.1093),
        (70, 28.711124, 36.8946), (100, 14.348784, -51.8345),
    ],
)  # fmt: skip
def test_impedance_of_the_vented_box(hz, ohm, degrees):
    """Modulus and phase of the vented box to the digits printed."""
    z = model_impedance(np.array([float(hz)]), VENTED)[0]
    assert abs(z) == pytest.approx(ohm, abs=2e-6)
    assert np.degrees(np.angle(z)) == pytest.approx(degrees, abs=1.1e-4)


def test_root_r0_points():
    """Without inductance r0 = 11 and the points lie at 26.718146 and 59.884394 Hz."""
    f = np.geomspace(10, 160, 20001)
    three = read_root_r0(f, np.abs(model_impedance(f, replace(DRIVER, k=0.0))), 5.8)
    assert three.peak_ohm / 5.8 == pytest.approx(11, rel=1e-6)
    assert three.low_hz == pytest.approx(26.718146, rel=1e-6)
    assert three.high_hz == pytest.approx(59.884394, rel=1e-6)
    assert three.resonance_hz == pytest.approx(40, rel=1e-6)
    assert (three.qms, three.qes) == pytest.approx((4.0, 0.4), rel=1e-5)
    assert three.qts == pytest.approx(0.363636, rel=1e-5)


def test_root_r0_needs_its_points():
    """A peak at the edge of the data, or without both points, gives nothing."""
    f = np.geomspace(35, 160, 500)
    z = np.abs(model_impedance(f, DRIVER))
    assert read_root_r0(f, z, 5.8) is None
    assert read_root_r0(f[f > 45], z[f > 45], 5.8) is None


@pytest.mark.parametrize("with_phase", [True, False])
@pytest.mark.parametrize("noise", cases([0.0, 0.01, 0.02], routine=(0.0, 0.02)))
def test_reference_driver_is_recovered(noise, with_phase):
    """Resonance, Qs and resistance within 2 % with up to 2 % of noise on every point."""
    survey = survey_impedance(as_response(DRIVER, noise=noise, seed=3, with_phase=with_phase))
    assert survey.box == "closed"
    found = (survey.resonance_hz, survey.qms, survey.qes, survey.qts, survey.re_ohm)
    assert found == pytest.approx((40.0, 4.0, 0.4, 0.363636, 5.8), rel=0.02)


def test_random_drivers_are_recovered(trials):
    """Of up to 60 random drivers with 1 % noise, resonance, Qs and resistance within 2 %."""
    rng = np.random.default_rng(5)
    worst = 0.0
    for seed in range(trials(routine=15, full=60)):
        values = Motional(
            re_ohm=rng.uniform(3, 12),
            resonance_hz=np.exp(rng.uniform(np.log(25), np.log(1500))),
            qms=np.exp(rng.uniform(np.log(1.5), np.log(9))),
            qes=np.exp(rng.uniform(np.log(0.25), np.log(1.5))),
            k=np.exp(rng.uniform(np.log(2e-3), np.log(2e-2))),
            n=rng.uniform(0.6, 0.75),
        )
        survey = survey_impedance(as_response(values, noise=0.01, seed=seed))
        found = np.array([survey.resonance_hz, survey.qms, survey.qes, survey.re_ohm])
        true = np.array([values.resonance_hz, values.qms, values.qes, values.re_ohm])
        worst = max(worst, float(np.abs(found / true - 1).max()))
    assert worst < 0.02


def test_vented_box_is_recognised():
    """Two peaks make a vented box; tuning and the driver's own figures come back within 3 %."""
    survey = survey_impedance(as_response(VENTED, noise=0.01, seed=2))
    assert survey.box == "vented"
    assert survey.tuning_hz == pytest.approx(38.0, rel=0.02)
    assert survey.resonance_hz == pytest.approx(40.0, rel=0.03)
    assert (survey.qms, survey.qes) == pytest.approx((4.0, 0.4), rel=0.05)


def test_semi_inductance():
    """Leach's K = 0.02, n = 0.68: reactance over omega at 1 kHz and 10 kHz.

    |Z| 7.652306 and 36.626237 ohm at 61.2 degrees (calculated).
    """
    values = replace(DRIVER, k=0.02, n=0.68)
    survey = survey_impedance(as_response(values))
    for hz, found, modulus in (
        (1e3, survey.inductance_1k_h, 7.652306),
        (1e4, survey.inductance_10k_h, 36.626237),
    ):
        true = modulus * np.sin(np.radians(61.2)) / (2 * np.pi * hz)
        assert found == pytest.approx(true, rel=0.02)


def test_equaliser_rules():
    """Re 5.8 ohm, Le 0.5 mH: the exact dual is 5.8 ohm, 14.8633 uF; practice 7.25 ohm, 9.5125 uF.

    Exact dual: calculated; practice (R = 1.25 Re, C = Le/R^2): a published application sheet.
    """
    survey = survey_impedance(as_response(DRIVER))
    dual, practice, fitted = survey.equalisers
    assert dual.r_ohm == pytest.approx(5.8, rel=0.01)
    assert dual.c_farad == pytest.approx(14.8633e-6, rel=0.02)
    assert practice.r_ohm == pytest.approx(7.25, rel=0.01)
    assert practice.c_farad == pytest.approx(9.5125e-6, rel=0.03)
    # What is left is the flank of the resonance, which no R-C pair removes.
    assert dual.flatness < 1.08
    assert fitted.flatness <= min(dual.flatness, practice.flatness) * 1.02


def test_resonance_below_the_data_is_said():
    """A woofer's impedance from 200 Hz up gives no resonance, and says why."""
    survey = survey_impedance(as_response(DRIVER, frequency=np.geomspace(60, 20000, 300)))
    assert survey.resonance_hz is None
    assert "below the data" in survey.notes[0]
    assert survey.minimum_ohm < 6.0


def test_resistor_has_no_resonance():
    """Eight ohms flat with noise are no driver."""
    flat = np.full(len(FREQUENCY), 8.0 + 0j)
    rng = np.random.default_rng(0)
    flat = flat * np.exp(rng.normal(0, 0.005, len(flat)))
    survey = survey_impedance(
        MeasuredCurve(frequency_hz=FREQUENCY, value=flat, quantity="impedance")
    )
    assert survey.resonance_hz is None
    assert survey.re_ohm == pytest.approx(8.0, rel=0.03)
    assert survey.equalisers == ()
