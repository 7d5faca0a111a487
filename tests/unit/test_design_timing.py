"""Timing of a design's drivers: found, assumed, given by hand, or checked."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.design.build.drivers import explain_gates, load_drivers
from optimizer.design.read.file import load_design
from optimizer.errors import InputError
from optimizer.goals import GOALS

LATE_S = 8e-5
"""How much later the upper section arrives than its file says."""

DESIGN = """\
measured: {{clock: {clock}}}
drivers:
  woofer: {{response: woofer.txt, impedance: z.txt{woofer}}}
  tweeter: {{response: tweeter.txt, impedance: z.txt{tweeter}}}
{together}
ways:
  woofer: {{ladder: [{{name: L1, series: inductor}}]}}
  tweeter: {{ladder: [{{name: C1, series: capacitor}}]}}
"""


def sections(f):
    """Second-order sections at 2 kHz with a common band, as Butterworth."""
    s = 1j * f / 2000
    low = 300 / (s * s + 1.4142 * s + 1)
    s = 1j * f / 1000
    high = 300 * s * s / (s * s + 1.4142 * s + 1)
    return low, high


def write(folder, name, f, value):
    rows = zip(f, 20 * np.log10(np.abs(value)), np.degrees(np.angle(value)), strict=True)
    (folder / name).write_text("".join(f"{a:.3f} {b:.5f} {c:.4f}\n" for a, b, c in rows))


@pytest.fixture
def folder(tmp_path):
    f = np.geomspace(50, 20000, 400)
    low, high = sections(f)
    # Each file has a delay of its own, as a sound card without a common clock leaves it.
    write(tmp_path, "woofer.txt", f, low * np.exp(-2j * np.pi * f * 0.3e-3))
    write(tmp_path, "tweeter.txt", f, high * np.exp(-2j * np.pi * f * 1.1e-3))
    write(tmp_path, "both.txt", f, low - high * np.exp(-2j * np.pi * f * LATE_S))
    (tmp_path / "z.txt").write_text("20 8 0\n200 8 0\n20000 8 0\n")
    return tmp_path


def load(folder, *, clock="none", woofer="", tweeter="", together="together: both.txt"):
    path = folder / "design.yaml"
    text = DESIGN.format(clock=clock, woofer=woofer, tweeter=tweeter, together=together)
    path.write_text(text, encoding="utf-8")
    return load_drivers(load_design(path))


def late_by(drivers):
    """Delay and sign of the second driver against the closed form, 1 to 5 kHz."""
    f = drivers[0].frequency_hz
    low, high = sections(f)
    inside = (f > 1000) & (f < 5000)
    ratio = (drivers[1].pressure[0] / drivers[0].pressure[0] / (high / low))[inside]
    slope = np.polyfit(f[inside], np.unwrap(np.angle(ratio)), 1)
    return -slope[0] / (2 * np.pi), np.cos(slope[1])


def test_together_gives_delay_and_polarity(folder):
    """From the sum the delay comes back within 2 us and the reversed polarity is found."""
    drivers, notes = load(folder)
    delay, sign = late_by(drivers)
    assert delay == pytest.approx(LATE_S, abs=2e-6)
    assert sign == pytest.approx(-1.0, abs=0.02)
    assert any("timing found from both.txt" in note and "inverted" in note for note in notes)


def test_depths_stand_in_for_a_measurement(folder):
    """Without the sum, 34.32 mm of stated depth are 0.1 ms, with a warning of what that costs."""
    drivers, notes = load(
        folder, woofer=", at: {back: 0}", tweeter=", at: {back: 34.32 mm}", together=""
    )
    delay, sign = late_by(drivers)
    assert delay == pytest.approx(1e-4, abs=2e-6)
    assert sign == pytest.approx(1.0, abs=0.02)
    assert any("Measure all drivers together" in note for note in notes)
    assert not any("not stated" in note for note in notes)


def test_a_delay_by_hand_goes_first(folder):
    """A delay in the design turns the file's own phase, whatever the sum says."""
    drivers, notes = load(folder, tweeter=", delay: 0.05 ms")
    delay, _ = late_by(drivers)
    # the files' own 0.8 ms and 0.05 ms on top
    assert delay == pytest.approx(0.85e-3, abs=2e-6)
    assert any("given by hand" in note for note in notes)


def test_a_sum_that_tells_nothing_is_said(folder):
    """A sum in which only one driver plays does not determine the timing: said, not guessed."""
    (folder / "both.txt").write_bytes((folder / "woofer.txt").read_bytes())
    _, notes = load(folder)
    assert any("both.txt" in note and "timing" in note for note in notes)
    assert any("follow from stated depths" in note for note in notes)


def test_a_shared_clock_is_checked(folder):
    """Files that stand 0.8 ms apart (275 mm) may share a clock; 3 ms apart they hardly do."""
    _, notes = load(folder, clock="shared")
    assert not any("hardly share" in note for note in notes)
    f = np.geomspace(50, 20000, 400)
    write(folder, "tweeter.txt", f, sections(f)[1] * np.exp(-2j * np.pi * f * 3.3e-3))
    _, notes = load(folder, clock="shared")
    assert any("hardly share" in note for note in notes)


def test_a_missing_sum_names_its_line(folder):
    """A file that is not there is an error of the design, with its key."""
    with pytest.raises(InputError) as caught:
        load(folder, together="together: nowhere.txt")
    assert caught.value.key == "together"
    assert caught.value.line == 5


def gate_notes(folder, goals):
    load(folder, together=goals)
    design = load_design(folder / "design.yaml")
    return explain_gates(load_drivers(design)[0], design.goals.specs)


def test_goals_below_the_gate_are_said(folder):
    """A goal from 100 Hz on files gated to 4 ms (250 Hz) is named; one from 300 Hz is not."""
    for name in ("woofer", "tweeter"):
        path = folder / f"{name}.txt"
        path.write_text("* gate: 4 ms\n" + path.read_text())
    goals = "goals: {on_axis: {band: 100..10k}, impedance: {floor: 2 ohm}}"
    said = gate_notes(folder, goals)
    assert len(said) == 1
    assert said[0].startswith("on_axis reaches below 250 Hz")
    assert not gate_notes(folder, goals.replace("100..", "300.."))


def test_every_goal_on_measured_sound_is_said(folder):
    """All goals that count sound below the gate stand in one sentence; those on the load, on the
    drive and on parts do not, nor does one that starts above."""
    for name in ("woofer", "tweeter"):
        path = folder / f"{name}.txt"
        path.write_text("* gate: 4 ms\n" + path.read_text())
    named = [name for name in GOALS if "band" in {o.key for o in GOALS[name].options()}]
    goals = "".join(f"  {n}: {{band: 100..10k}}\n" for n in named if n != "monotony")
    rest = "".join(f"  {n}: {{}}\n" for n in GOALS if n not in named)
    (said,) = gate_notes(folder, f"goals:\n{goals}{rest}  monotony: {{band: 300..8k}}\n")
    assert said.partition(" reach below 250 Hz")[0].split(", ") == [
        "on_axis", "listening_window", "early_reflections", "sound_power", "in_room", "off_axis",
        "sensitivity", "loudness", "directivity", "early_reflections_index", "similarity",
        "lobe_symmetry", "lobe_depth", "phase_tracking", "inverted_null",
    ]  # fmt: skip
