"""Ladders and goals made from a survey."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

import optimizer
from optimizer.cli.options import put_in_options
from optimizer.design.build import build_problem, load_design
from optimizer.design.start.ladders import BUILDABLE, plan_ways
from optimizer.design.start.plan import (
    find_mirror,
    limit_lowest,
    list_crossings,
    plan_start,
    tell_clock,
)
from optimizer.design.start.write import render_start
from optimizer.errors import InputError
from tests.conftest import cases

pytestmark = pytest.mark.slow

TONES = np.geomspace(20, 20000, 160)


def write_curve(path, size, phase=None):
    phase = np.zeros(len(TONES)) if phase is None else phase
    rows = zip(TONES, size, phase, strict=True)
    path.write_text("".join(f"{f:.3f} {a:.4f} {p:.3f}\n" for f, a, p in rows))


def band_pass(low_hz, high_hz, gain=300.0):
    """Second-order Butterworth at both ends: a driver without surprises."""
    s, t = 1j * TONES / low_hz, 1j * TONES / high_hz
    return gain * s * s / (s * s + math.sqrt(2) * s + 1) / (t * t + math.sqrt(2) * t + 1)


def impedance(resonance_hz, re_ohm=6.0, le_h=0.2e-3):
    """Voice coil in series with a parallel resonance of Qms 3 and Qes 0.75 (textbook circuit)."""
    x = TONES / resonance_hz - resonance_hz / TONES
    return re_ohm + 24.0 / (1 + 3j * x) + 2j * np.pi * TONES * le_h


def write_driver(folder, name, low_hz, high_hz, *, gain=300.0, re_ohm=6.0, late_s=0.0):
    p = band_pass(low_hz, high_hz, gain) * np.exp(-2j * np.pi * TONES * late_s)
    write_curve(folder / f"{name}.txt", 20 * np.log10(np.abs(p)), np.degrees(np.angle(p)))
    z = impedance(low_hz, re_ohm)
    write_curve(folder / f"{name}_z.txt", np.abs(z), np.degrees(np.angle(z)))
    return p


BANDS = {
    1: {"fullrange": (60, 16000)},
    2: {"woofer": (40, 4000), "tweeter": (800, 20000)},
    3: {"woofer": (30, 1200), "mid": (150, 6000), "tweeter": (900, 20000)},
    4: {"subwoofer": (20, 400), "woofer": (60, 1500), "mid": (250, 6000),
        "tweeter": (1000, 20000)},
}  # fmt: skip


@pytest.mark.parametrize("count", cases(BANDS, routine=(3,)))
def test_one_to_four_ways(tmp_path, count):
    """Every driver gets a ladder; low-passes lead with a coil, high-passes with a capacitor."""
    for name, band in BANDS[count].items():
        write_driver(tmp_path, name, *band)
    plan = plan_ways(optimizer.survey(tmp_path))
    assert [way.driver.name for way in plan.ways] == list(BANDS[count])
    assert len(plan.crossovers) == count - 1
    for number, way in enumerate(plan.ways):
        first = way.slots[0].slot
        if count > 1:
            assert not first.optional
            assert first.form == ("inductor" if number == 0 else "capacitor")
        assert way.polarity == ("normal" if number == 0 else "free")
        if 0 < number < count - 1:  # both sections
            needed = [s.slot.form for s in way.slots if not s.slot.optional]
            assert needed == ["capacitor", "inductor", "inductor"]
        for planned in way.slots:
            assert planned.why
            kinds = planned.slot.kinds
            for kind, span in zip(kinds, planned.slot.ranges, strict=True):
                assert BUILDABLE[kind][0] <= span.low < span.high <= BUILDABLE[kind][1]


def test_ranges_hold_handbook_values(tmp_path):
    """At every frequency of the proposed range the second-order handbook values fit the ranges.

    Linkwitz-Riley of second order: L = 2 R / w, C = 1 / (2 R w) for the low-pass, with R the
    driver's modulus there (two equal first-order sections; textbook).
    """
    for name, band in BANDS[2].items():
        write_driver(tmp_path, name, *band)
    plan = plan_ways(optimizer.survey(tmp_path))
    slots = {p.slot.name: p.slot for p in plan.ways[0].slots}
    low, high = plan.crossovers[0].crossover_hz
    for f in np.geomspace(low, high, 5):
        load = np.interp(f, TONES, np.abs(impedance(40)))
        w = 2 * math.pi * f
        coil, capacitor = slots["L1"].ranges[0], slots["C1"].ranges[0]
        assert coil.low < 2 * load / w < coil.high
        assert capacitor.low < 1 / (2 * load * w) < capacitor.high


def test_two_woofers_are_no_crossover(tmp_path):
    """Drivers of one kind get equal ladders side by side and share the impedance."""
    write_driver(tmp_path, "woofer1", 40, 4000)
    write_driver(tmp_path, "woofer2", 41, 4000)
    write_driver(tmp_path, "tweeter", 800, 20000)
    survey = optimizer.survey(tmp_path)
    plan = plan_ways(survey)
    assert [len(group) for group in plan.groups] == [2, 1]
    assert len(plan.crossovers) == 1
    assert [w.polarity for w in plan.ways] == ["normal", "normal", "free"]
    # 2.5 ways: the coil of one of the two may let it end an octave earlier, L = 2 R/w (textbook).
    f = plan.crossovers[0].crossover_hz[0]
    load = np.interp(f, TONES, np.abs(impedance(40)))
    for way in plan.ways[:2]:
        first = way.slots[0]
        assert first.slot.ranges[0].high > 2.0 * load / (2 * math.pi * f)
        assert "2.5 ways" in first.why
    said = list_crossings(plan)
    assert [pair[:2] for pair in said] == [("woofer1", "tweeter"), ("woofer2", "tweeter")]
    assert all(pair[2] == plan.crossovers[0].crossover_hz for pair in said)


def test_a_louder_tweeter_gets_a_pad(tmp_path):
    """A tweeter 4 dB louder gets a pad slot whose range holds the handbook pad for 4 dB."""
    write_driver(tmp_path, "woofer", 40, 4000)
    write_driver(tmp_path, "tweeter", 800, 20000, gain=300 * 10 ** (4 / 20))
    way = plan_ways(optimizer.survey(tmp_path)).ways[1]
    pad = next(p for p in way.slots if p.slot.form == "pad")
    assert "louder" in pad.why
    # constant-impedance pad on R: Rs = R (k - 1)/k, Rp = R/(k - 1), with k the voltage ratio
    k, r = 10 ** (4 / 20), 6.3
    series, shunt = pad.slot.ranges
    assert series.low < r * (k - 1) / k < series.high
    assert shunt.low < r / (k - 1) < shunt.high


def test_a_low_crossover_is_watched_in_the_bass(tmp_path):
    """Where a coil acts in the bass the band reaches two octaves below the crossover, else not."""
    bands = {}
    for count in (2, 3):
        folder = tmp_path / str(count)
        folder.mkdir()
        for name, band in BANDS[count].items():
            write_driver(folder, name, *band)
        start = plan_start(optimizer.survey(folder))
        bands[count] = start.band_hz[0], start.plan.crossovers[0].crossover_hz[0]
    assert bands[2] == (200.0, pytest.approx(1600.0, rel=0.05))
    low, crossover = bands[3]
    assert low == pytest.approx(crossover / 4.0, rel=0.01)
    assert low < 100.0


def test_goals_stay_within_the_data(tmp_path):
    """Band, impedance band and floor never ask for more than was measured and is there."""
    for name, band in BANDS[2].items():
        write_driver(tmp_path, name, *band)
    text = (tmp_path / "woofer.txt").read_text().splitlines()
    kept = [row for row in text if float(row.split()[0]) >= 350.0]
    (tmp_path / "woofer.txt").write_text("# gate: 2.5 ms\n" + "\n".join(kept) + "\n")
    z = (tmp_path / "woofer_z.txt").read_text().splitlines()
    (tmp_path / "woofer_z.txt").write_text(
        "\n".join(row for row in z if float(row.split()[0]) >= 100.0) + "\n"
    )
    start = plan_start(optimizer.survey(tmp_path))
    assert start.band_hz[0] >= 399.0  # 1 / 2.5 ms
    assert any("gate" in why for why in start.band_why)
    assert start.impedance_band_hz[0] >= 100.0


def test_limits_keep_the_lowest_driver_out(tmp_path):
    """The lowest driver's limit lies below all others, even where its resonance does not."""
    write_driver(tmp_path, "woofer", 80, 1500)
    write_driver(tmp_path, "mid", 78, 6000)
    write_driver(tmp_path, "tweeter", 900, 20000)
    limits = limit_lowest(plan_ways(optimizer.survey(tmp_path)))
    assert limits["woofer"] < limits["mid"] < limits["tweeter"]
    assert limits["tweeter"] == pytest.approx(900, rel=0.03)


def test_clock_is_told_from_the_sum(tmp_path):
    """Files that add to the measured sum share a clock; one that is 0.4 ms late does not."""
    low = write_driver(tmp_path, "woofer", 40, 4000)
    high = write_driver(tmp_path, "tweeter", 800, 20000)
    total = low + high
    write_curve(tmp_path / "both.txt", 20 * np.log10(np.abs(total)), np.degrees(np.angle(total)))
    assert tell_clock(optimizer.survey(tmp_path))[0] == "shared"
    write_driver(tmp_path, "tweeter", 800, 20000, late_s=0.4e-3)
    clock, why = tell_clock(optimizer.survey(tmp_path))
    assert clock == "none"
    assert "both.txt" in why


def test_without_a_sum_no_clock_is_claimed(tmp_path):
    """Nothing but the user can say that files share a clock where no sum was measured."""
    for name, band in BANDS[2].items():
        write_driver(tmp_path, name, *band)
    survey = optimizer.survey(tmp_path)
    assert plan_start(survey).clock == "none"
    assert plan_start(survey, clock="shared").clock == "shared"


def test_a_missing_impedance_is_named(tmp_path):
    """Without an impedance there is no network: the driver and the remedy are named."""
    write_driver(tmp_path, "woofer", 40, 4000)
    write_driver(tmp_path, "tweeter", 800, 20000)
    (tmp_path / "tweeter_z.txt").unlink()
    with pytest.raises(InputError, match="tweeter has none") as caught:
        plan_start(optimizer.survey(tmp_path))
    assert "--as" in str(put_in_options(caught.value))


def test_one_measured_side_is_taken_for_both(tmp_path):
    """Angles to the right only call for a mirror; angles to both sides do not."""
    write_driver(tmp_path, "woofer", 40, 4000)
    for name, expected in (("woofer_h30.txt", True), ("woofer_h-30.txt", False)):
        (tmp_path / name).write_bytes((tmp_path / "woofer.txt").read_bytes())
        assert find_mirror(plan_start(optimizer.survey(tmp_path)).responses) is expected


def test_a_rise_gets_a_contour_that_levels_it(tmp_path):
    """A woofer on a narrow front rises by 5 dB: a coil with a resistor across it takes that away
    (closed form: 0 dB below, 20 log10(1 + R/Z) above, half of that in the middle)."""
    write_driver(tmp_path, "woofer", 40, 4000)
    rows = np.loadtxt(tmp_path / "woofer.txt")
    step = 5.0 / (1.0 + (400.0 / rows[:, 0]) ** 2)
    rows[:, 1] += step
    np.savetxt(tmp_path / "woofer.txt", rows, fmt="%.4f")
    write_driver(tmp_path, "tweeter", 800, 20000)
    survey = optimizer.survey(tmp_path)
    (hint,) = (h for h in survey.pairs[0].slots if h.form == "contour")
    z = next(d for d in survey.drivers if d.name == "woofer").nominal_ohm
    r, coil = hint.values["resistance_ohm"], hint.values["inductance_h"]
    f = np.array([1.0, 1e6])
    low, high = 20 * np.log10(np.abs(1 + 1 / (1 / r + 1 / (2j * np.pi * f * coil)) / z))
    assert low == pytest.approx(0.0, abs=0.01)
    assert high == pytest.approx(20 * np.log10(1 + r / z), abs=0.01)
    assert 3.0 < high < 6.01
    middle = r / (2 * np.pi * coil) * np.sqrt(z / (z + r))
    half = 20 * np.log10(np.abs(1 + 1 / (1 / r + 1 / (2j * np.pi * middle * coil)) / z))
    assert half == pytest.approx(high / 2, abs=0.01)
    assert 150.0 < middle < 1200.0
    (planned,) = (p for p in plan_ways(survey).ways[0].slots if p.slot.form == "contour")
    assert planned.slot.optional
    assert planned.slot.ranges[0].low < coil < planned.slot.ranges[0].high


def test_a_tweeter_that_falls_gets_a_lift_across_its_pad(tmp_path):
    """Where it is louder and falls by 4 dB towards 16 kHz; one that is even gets none."""
    for falls in (False, True):
        folder = tmp_path / str(falls)
        folder.mkdir()
        write_driver(folder, "woofer", 40, 4000)
        write_driver(folder, "tweeter", 800, 30000, gain=600.0)
        rows = np.loadtxt(folder / "tweeter.txt")
        rows[:, 1] -= falls * 4.5 / (1.0 + (9000.0 / rows[:, 0]) ** 4)
        np.savetxt(folder / "tweeter.txt", rows, fmt="%.4f")
        way = plan_ways(optimizer.survey(folder)).ways[1]
        forms = [p.slot.form for p in way.slots]
        assert ("bypassed pad" in forms) == falls
        assert "pad" in forms


def test_two_of_a_kind_are_offered_as_one_way(tmp_path):
    """What the design offers in comments is a way that can be read in their place."""
    for name, band in (("woofer1", (40, 4000)), ("woofer2", (41, 4000)), ("tweeter", (800, 20000))):
        write_driver(tmp_path, name, *band)
    survey = optimizer.survey(tmp_path)
    text = render_start(plan_start(survey), tmp_path, tmp_path)
    lines = text.splitlines()
    begin = next(k for k, line in enumerate(lines) if line.startswith("#  woofer1_woofer2:"))
    end = next(k for k in range(begin, len(lines)) if lines[k] == "#    ]}")
    offered = [line[1:] for line in lines[begin : end + 1]]
    first = next(
        k for k, line in enumerate(lines) if line == "  woofer1:" and k > lines.index("ways:")
    )
    last = next(k for k, line in enumerate(lines) if line == "  tweeter:" and k > first)
    changed = "\n".join([*lines[:first], *offered, *lines[last:]])
    changed = re.sub(r"^  woofer2 to tweeter: .*$", "", changed, flags=re.MULTILINE)
    changed = changed.replace("woofer1 to tweeter:", "woofer1_woofer2 to tweeter:")
    design = tmp_path / "one.yaml"
    design.write_text(changed + "\n", encoding="utf-8")
    problem = build_problem(load_design(design))
    assert [way.name for way in problem.topology.ways] == ["woofer1_woofer2", "tweeter"]
    assert [way.driver for way in problem.topology.ways] == ["woofer1&woofer2", "tweeter"]
