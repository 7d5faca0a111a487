"""What is noticed about measurements, on folders with one thing wrong each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import optimizer
from optimizer.measure.survey.motional import Motional, model_impedance

pytestmark = pytest.mark.slow

F = np.geomspace(40, 20000, 400)
WOOFER_Z = Motional(re_ohm=5.8, resonance_hz=55.0, qms=4.0, qes=0.5, k=8e-3, n=0.7)
TWEETER_Z = Motional(re_ohm=5.2, resonance_hz=900.0, qms=3.0, qes=1.4, k=1e-3, n=0.7)


def section(corner, kind, q=0.707):
    s = 1j * F / corner
    return (s * s if kind == "high" else 1) / (s * s + s / q + 1)


def woofer():
    return 10 ** (87 / 20) * section(55, "high") * section(3500, "low")


def tweeter():
    return 10 ** (90 / 20) * section(1200, "high") * np.exp(-2j * np.pi * F * -5e-5)


def save(path, value, *, noise=0.0, head="* Freq(Hz) SPL(dB) Phase(deg)\n", seed=0):
    rng = np.random.default_rng(seed)
    level = 20 * np.log10(np.abs(value)) + rng.normal(0, noise, len(F))
    phase = np.degrees(np.angle(value))
    rows = (f"{f:.4f} {v:.4f} {p:.4f}" for f, v, p in zip(F, level, phase, strict=True))
    path.write_text(head + "\n".join(rows) + "\n")


def save_impedance(path, values):
    z = model_impedance(F, values)
    rows = (
        f"{f:.4f} {abs(v):.5f} {np.degrees(np.angle(v)):.4f}" for f, v in zip(F, z, strict=True)
    )
    path.write_text("* Freq(Hz) Z(Ohm) Phase(deg)\n" + "\n".join(rows) + "\n")


@pytest.fixture
def folder(tmp_path):
    """A sound two-way with a measurement of both drivers."""
    save(tmp_path / "woofer.txt", woofer())
    save(tmp_path / "tweeter.txt", tweeter())
    save(tmp_path / "together.txt", woofer() + tweeter())
    save_impedance(tmp_path / "woofer_z.txt", WOOFER_Z)
    save_impedance(tmp_path / "tweeter_z.txt", TWEETER_Z)
    return tmp_path


def said(folder, **more):
    return [f"{f.where} {f.what}" for f in optimizer.survey(folder, **more).findings]


def test_a_sound_set_has_no_findings(folder):
    """Clean data, one clock, one voltage: nothing to say; figures come out right."""
    survey = optimizer.survey(folder)
    assert survey.findings == ()
    low, high = survey.drivers
    assert (low.name, high.name) == ("woofer", "tweeter")
    assert low.resonance_hz == pytest.approx(55, rel=0.01)
    assert high.resonance_hz == pytest.approx(900, rel=0.01)
    assert high.lowest_hz == pytest.approx(1800, rel=0.02)
    assert low.sensitivity_db == pytest.approx(86.7, abs=0.5)
    assert survey.timing.method == "shared clock"
    pair = survey.pairs[0]
    assert pair.clean
    assert pair.crossover_hz[0] == pytest.approx(1800, rel=0.02)
    # The woofer (second-order Butterworth at 3500 Hz) is 6 dB down at 4607 Hz only, but nothing
    # here tells where it beams: the range ends an octave above the tweeter's lowest (stated rule).
    assert pair.crossover_hz[1] == pytest.approx(3600, rel=0.02)
    assert {s.form for s in pair.slots} >= {"equaliser", "pad"}


def test_swapped_impedances(folder):
    """The woofer's file with the tweeter's resonance is called swapped."""
    save_impedance(folder / "woofer_z.txt", TWEETER_Z)
    save_impedance(folder / "tweeter_z.txt", WOOFER_Z)
    assert any("seem swapped" in text for text in said(folder))


def test_impedance_of_another_driver(folder):
    """A resonance far from where the response falls off is called out."""
    (folder / "woofer_z.txt").unlink()
    save_impedance(folder / "tweeter_z.txt", WOOFER_Z)
    assert any("may belong to another driver" in text for text in said(folder))


def test_phase_of_the_wrong_sign(folder):
    """Conjugated phase is recognised as running the wrong way."""
    save(folder / "tweeter.txt", np.conj(tweeter()))
    assert any("runs the wrong way" in text for text in said(folder))


def test_reversed_polarity_without_common_measurement(folder):
    """Without a measurement of both, a reversed driver shows by its phase."""
    (folder / "together.txt").unlink()
    save(folder / "tweeter.txt", -tweeter())
    assert any("opposite polarity" in text for text in said(folder))


def test_reversed_polarity_with_common_measurement(folder):
    """With one, the polarity comes from the sum."""
    save(folder / "together.txt", woofer() - tweeter())
    assert any("reversed polarity" in text for text in said(folder))


def test_phase_too_coarse(folder):
    """A time of flight of 20 ms turns the phase too far between points."""
    save(folder / "woofer.txt", woofer() * np.exp(-2j * np.pi * F * 0.02))
    assert any("turns too far" in text for text in said(folder))


def test_level_of_one_file(folder):
    """A tweeter measured 2.5 dB too loud, and a sum at half the voltage, are noticed."""
    save(folder / "tweeter.txt", tweeter() * 10 ** (2.5 / 20))
    assert any("tweeter is lowered by 2." in text for text in said(folder))
    save(folder / "tweeter.txt", tweeter())
    save(folder / "together.txt", (woofer() + tweeter()) / 2)
    assert any("0.50 times" in text for text in said(folder))


def test_noise_clipping_and_level(folder):
    """Scatter, a flat top and an implausible level are noticed."""
    save(folder / "woofer.txt", woofer(), noise=1.0)
    assert any("is noisy" in text for text in said(folder))
    clipped = tweeter() / np.abs(tweeter()) * np.minimum(np.abs(tweeter()), 10 ** (88 / 20))
    save(folder / "tweeter.txt", clipped)
    assert any("clipped or cut off" in text for text in said(folder))
    save(folder / "woofer.txt", woofer() / 1e3)
    assert any("sensitivity has no meaning" in text for text in said(folder))


def test_smoothing_and_gate(folder):
    """Heavy smoothing and a gate above the start of the data are noticed, and the gate kept."""
    head = "* Smoothing: 1/3 octave\n* Window 4.0 ms\n* Freq(Hz) SPL(dB)\n"
    save(folder / "woofer.txt", woofer(), head=head)
    texts = said(folder)
    assert any("smoothed to 1/3 octave" in text for text in texts)
    assert any("below 250 Hz" in text for text in texts)
    assert optimizer.survey(folder).drivers[0].valid_from_hz == pytest.approx(250)


def test_angles(folder):
    """Copies under the opposite angle, odd levels and a loud side are noticed."""
    off = tweeter() * section(9000, "low")
    save(folder / "tweeter 30 right.txt", off)
    save(folder / "tweeter 30 left.txt", off)
    assert any("is a copy of" in text for text in said(folder))
    save(folder / "tweeter 30 left.txt", off * 2)
    assert any("against the reference axis" in text for text in said(folder))
    save(folder / "tweeter.txt", off)
    save(folder / "tweeter 30 left.txt", tweeter())
    assert any("is not the loudest" in text for text in said(folder))


def test_cabinets(folder):
    """Left and right differing by 2 dB above 1 kHz are compared."""
    (folder / "woofer.txt").rename(folder / "woofer left.txt")
    save(folder / "woofer right.txt", woofer() * np.where(F > 500, 10 ** (2.5 / 20), 1))
    assert any("differs from woofer left.txt" in text for text in said(folder))


@pytest.mark.parametrize(("resonance_hz", "worth_a_word"), [(56.0, False), (68.0, True)])
def test_impedances_of_cabinets(folder, resonance_hz, worth_a_word):
    """A resonance 24 % off in the other cabinet is told, one 2 % off is not; one file is used."""
    (folder / "woofer_z.txt").rename(folder / "woofer_z left.txt")
    save_impedance(folder / "woofer_z right.txt", replace(WOOFER_Z, resonance_hz=resonance_hz))
    survey = optimizer.survey(folder)
    assert survey.folder.drivers["woofer"].impedance.side == "left"
    assert not any(f.role == "ignored" for f in survey.folder.files)
    told = [f.what for f in survey.findings if "differs from woofer_z left.txt" in f.what]
    assert bool(told) is worth_a_word


def test_a_port_is_named_and_left_to_the_design(folder):
    """A port's near field is not added by a survey, which says where it can be stated."""
    save(folder / "woofer port.txt", woofer())
    assert any("near field of a port" in text for text in said(folder))


def test_missing_things(folder):
    """No impedance, no response, no timing, a near field without a front: each is said."""
    (folder / "woofer_z.txt").unlink()
    (folder / "tweeter.txt").unlink()
    save(folder / "woofer nearfield.txt", woofer())
    texts = said(folder)
    assert any("woofer has no impedance" in text for text in texts)
    assert any("tweeter has an impedance but no response" in text for text in texts)
    assert any("needs the size of the front" in text for text in texts)


def test_no_common_measurement_is_said(folder):
    """Without a measurement of both, timing is assumed, and what that costs is said."""
    (folder / "together.txt").unlink()
    survey = optimizer.survey(folder, depths_m={"woofer": 0.03432})
    assert survey.timing.delays_s["woofer"] == 0.0
    assert survey.timing.delays_s["tweeter"] == pytest.approx(-100e-6)
    assert any("no measurement with all drivers" in f.what for f in survey.findings)
