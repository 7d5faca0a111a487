"""The design file: what it means, what is assumed, and how errors point to it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.design.build import build_problem, load_design
from optimizer.design.nouns import Design
from optimizer.errors import InputError
from optimizer.goals import Impedance, OnAxis, Parts
from optimizer.measure.curve import ON_AXIS, Direction
from optimizer.network.topology import ValueRange
from optimizer.testing import write_curve, write_driver

FREQUENCY = np.geomspace(20.0, 20000.0, 121)
"""Twelve points per octave over the audible range."""

BASE = """\
speaker: Test pair
drivers:
  woofer:
    response: woofer.txt
    impedance: woofer_z.txt
  tweeter:
    response: tweeter.txt
    impedance: tweeter_z.txt
ways:
  woofer:
    ladder:
      - {name: L1, series: inductor, from: 0.5 mH, to: 3.3 mH}
      - {name: C1, shunt: capacitor, from: 4.7 uF, to: 33 uF, optional: yes}
  tweeter:
    polarity: free
    ladder:
      - {name: C1, series: capacitor, from: 2.2 uF, to: 15 uF}
goals:
  on_axis: {band: 100..15k}
  impedance: {floor: 3 ohm}
"""


def write_design(folder: Path, text: str = BASE) -> Path:
    """Write the design with flat invented drivers of 87 and 90 dB, 8 and 6 ohm."""
    write_driver(folder, "woofer", frequency_hz=FREQUENCY)
    write_driver(folder, "tweeter", level_db=90.0, ohm=6.0, frequency_hz=FREQUENCY)
    path = folder / "design.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def load(folder: Path, text: str = BASE) -> Design:
    return load_design(write_design(folder, text))


def refuse(folder: Path, text: str) -> InputError:
    with pytest.raises(InputError) as caught:
        build_problem(load(folder, text))
    return caught.value


def ladder(slots: str) -> str:
    """The base design with other slots in the woofer's ladder; they start in line 12."""
    start = BASE.index("      - {name: L1")
    return BASE[:start] + slots + BASE[BASE.index("  tweeter:\n    polarity") :]


def test_names_order_and_defaults(tmp_path: Path) -> None:
    """Ways keep the order of the file; what is not written has its stated default."""
    design = load(tmp_path)
    assert design.title == "Test pair"
    assert [way.name for way in design.topology.ways] == ["woofer", "tweeter"]
    assert [way.polarity for way in design.topology.ways] == ["normal", "free"]
    assert (design.measured.volts, design.measured.metres) == (2.83, 1.0)
    assert (design.search.seconds, design.search.seed) == (10.0, 1)
    assert design.topology.ways[0].slots[1].optional
    assert design.topology.ways[0].slots[0].ranges == (ValueRange(low=0.5e-3, high=3.3e-3),)


def test_every_key_of_a_driver_is_read(tmp_path: Path) -> None:
    """Directions, place, diaphragm, limits, delay and level arrive in SI units."""
    text = BASE.replace(
        "    response: woofer.txt\n",
        '    response: {0: woofer.txt, "30 right": a.txt, 15 up: b.txt, 180: c.txt}\n'
        "    at: {up: -42 cm, back: 0.03}\n    diaphragm: 210 mm\n"
        "    limits: {watts: 80, lowest_hz: 30}\n    delay: 34.32 mm\n    level: -3 dB\n",
    )
    driver = load(tmp_path, text).drivers[0]
    assert [file.direction for file in driver.responses] == [
        ON_AXIS, Direction(horizontal_deg=30.0), Direction(vertical_deg=15.0),
        Direction(horizontal_deg=180.0),
    ]  # fmt: skip
    assert driver.place_m == pytest.approx((-0.42, 0.0, 0.03))
    assert driver.diaphragm_m == pytest.approx(0.21)
    assert (driver.limits.watts, driver.limits.lowest_hz) == (80.0, 30.0)
    # 34.32 mm at 343.2 m/s, dry air at 20 deg C
    assert driver.delay_s == pytest.approx(0.1e-3)
    assert driver.level_db == -3.0


def test_compounds_take_one_range_for_each_part(tmp_path: Path) -> None:
    """The parts of a compound are written under their kinds, a pad's under their places."""
    slots = (
        "      - {name: N1, shunt: notch, inductor: 0.1 .. 2 mH, capacitor: 1 uF .. 22 uF,"
        " resistor: 0.5 .. 10 ohm}\n"
        "      - {name: P1, series: pad, series_resistor: 1..10, shunt_resistor: 3R3 .. 47}\n"
    )
    notch, pad = load(tmp_path, ladder(slots)).topology.ways[0].slots
    assert [(r.low, r.high) for r in notch.ranges] == [(1e-4, 2e-3), (1e-6, 2.2e-5), (0.5, 10.0)]
    assert [(r.low, r.high) for r in pad.ranges] == [(1.0, 10.0), (3.3, 47.0)]


def test_kept_parts_carry_value_and_loss(tmp_path: Path) -> None:
    """A kept part has the written value and loss and the origin "kept"."""
    slots = (
        "      - {name: L1, series: inductor, keep: 2.2 mH, dcr: 0.2}\n"
        "      - {name: Z1, shunt: equaliser, keep: {resistor: 6.8, capacitor: 22 uF}}\n"
    )
    design = load(tmp_path, ladder(slots))
    coil, equaliser = design.topology.ways[0].slots
    assert coil.kept is not None
    assert (coil.kept[0].value, coil.kept[0].loss_ohm, coil.kept[0].origin) == (2.2e-3, 0.2, "kept")
    assert equaliser.kept is not None
    assert [part.value for part in equaliser.kept] == [6.8, 2.2e-5]
    assert build_problem(design).space.options[0].parts == coil.kept


def test_missing_ranges_are_assumed_and_said(tmp_path: Path) -> None:
    """A slot without range gets one, and a note states it."""
    design = load(tmp_path, ladder("      - {name: T1, series: trap, optional: yes}\n"))
    assert all(span.low < span.high for span in design.topology.ways[0].slots[0].ranges)
    assert len([note for note in design.notes if note.startswith("woofer.T1")]) == 3
    assert set(design.notes) <= set(build_problem(design).notes)


def test_goals_start_from_a_preset_and_override_it(tmp_path: Path) -> None:
    """Only the written options of a goal differ from the preset; "no" removes a goal."""
    text = BASE[: BASE.index("goals:")]
    text += "goals:\n  preset: living-room\n  on_axis: {weight: 2}\n  in_room: no\n"
    plain = load(tmp_path, text.replace("  on_axis: {weight: 2}\n  in_room: no\n", "")).goals
    goals = load(tmp_path, text).goals
    before, after = plain.specs["on_axis"], goals.specs["on_axis"]
    assert isinstance(before, OnAxis)
    assert isinstance(after, OnAxis)
    assert (after.weight, after.tilt_db_per_octave) == (2.0, before.tilt_db_per_octave)
    assert "in_room" in plain.specs
    assert "in_room" not in goals.specs
    assert "on_axis" not in goals.from_preset


def test_without_goals_the_default_preset_is_taken(tmp_path: Path) -> None:
    """A design without goals says which preset it uses."""
    design = load(tmp_path, BASE[: BASE.index("goals:")])
    assert design.goals.preset == "living-room"
    assert any("living-room" in note for note in design.notes)


def test_own_preset_file(tmp_path: Path) -> None:
    """A preset may be a file of the user's own, relative to the design."""
    (tmp_path / "mine.yaml").write_text("title: mine\non_axis: {tilt: -2 dB/oct}\n")
    design = load(tmp_path, BASE[: BASE.index("goals:")] + "goals: {preset: mine.yaml}\n")
    spec = design.goals.specs["on_axis"]
    assert isinstance(spec, OnAxis)
    assert spec.tilt_db_per_octave == -2.0


@pytest.mark.parametrize(
    ("text", "level"),
    [("free", None), ("86 dB", (86.0, 86.0)), ("84..90 dB", (84.0, 90.0))],
)
def test_level_of_a_target(tmp_path: Path, text: str, level: tuple[float, float] | None) -> None:
    """A level is free, one value or a range."""
    spec = load(tmp_path, BASE.replace("100..15k}", f"100..15k, level: {text}}}")).goals.specs
    assert isinstance(spec["on_axis"], OnAxis)
    assert spec["on_axis"].level_db == level


def test_options_of_other_goals(tmp_path: Path) -> None:
    """Impedance and parts take their own options."""
    text = BASE.replace("{floor: 3 ohm}", "{floor: 4R7, hard: no, band: 50..5k, weight: 2}")
    specs = load(tmp_path, text + "  parts: {each: 0.1}\n").goals.specs
    assert specs["impedance"] == Impedance(
        floor_ohm=4.7, hard=False, band_hz=(50.0, 5000.0), weight=2.0
    )
    assert specs["parts"] == Parts(weight=0.1)


def test_levels_refer_to_2_83_volt_and_1_metre(tmp_path: Path) -> None:
    """Half the voltage or twice the distance adds 6.02 dB (inverse distance law)."""
    for measured in ("{volts: 1.415}", "{metres: 2}"):
        design = load(tmp_path, BASE.replace("drivers:", f"measured: {measured}\ndrivers:"))
        driver = build_problem(design).drivers[0]
        level = 20.0 * np.log10(np.abs(driver.pressure[0]))
        assert level == pytest.approx(87.0 + 6.0206, abs=1e-4)
        assert any("+6.02 dB" in note for note in driver.notes)


def test_delay_and_level_by_hand_are_applied(tmp_path: Path) -> None:
    """A positive delay makes the driver arrive later: pressure times exp(-j w t)."""
    text = BASE.replace(
        "response: tweeter.txt\n", "response: tweeter.txt\n    delay: 0.1 ms\n    level: -3\n"
    )
    driver = build_problem(load(tmp_path, text)).drivers[1]
    turn = 10 ** (87.0 / 20.0) * np.exp(-2j * np.pi * driver.frequency_hz * 1e-4)
    assert np.allclose(driver.pressure[0], turn, rtol=1e-6)
    # a quarter of a turn behind at 2.5 kHz, where 0.1 ms is a quarter of the period
    at = int(np.argmin(np.abs(driver.frequency_hz - 2500.0)))
    assert np.angle(driver.pressure[0, at], deg=True) == pytest.approx(-90.0, abs=4.0)


def test_file_without_phase_gets_minimum_phase(tmp_path: Path) -> None:
    """First-order roll-off without phase gets -45 degrees at its corner, and a note."""
    path = write_design(tmp_path)
    corner = 1000.0
    level = 90.0 - 10.0 * np.log10(1.0 + (FREQUENCY / corner) ** 2)
    write_curve(tmp_path / "woofer.txt", level, None, FREQUENCY)
    driver = build_problem(load_design(path)).drivers[0]
    at = int(np.argmin(np.abs(driver.frequency_hz - corner)))
    exact = -np.degrees(np.arctan(driver.frequency_hz[at] / corner))
    assert np.angle(driver.pressure[0, at], deg=True) == pytest.approx(exact, abs=2.0)
    assert any("minimum phase" in note for note in driver.notes)


def test_common_directions_only(tmp_path: Path) -> None:
    """Directions that one driver lacks are left out, with a note; mirroring fills sides."""
    path = write_design(tmp_path)
    files = '{0: woofer.txt, "30 right": woofer.txt, "60 right": woofer.txt}'
    text = BASE.replace("response: woofer.txt", f"response: {files}").replace(
        "response: tweeter.txt", 'response: {0: tweeter.txt, "30 left": tweeter.txt}'
    )
    path.write_text(text)
    assert build_problem(load_design(path)).directions == (ON_AXIS,)
    path.write_text(text.replace("drivers:", "measured: {mirror: left-right}\ndrivers:"))
    problem = build_problem(load_design(path))
    assert problem.directions == (ON_AXIS, Direction(horizontal_deg=30.0))
    assert any("60 right" in note for note in problem.notes)


def test_preset_goals_without_data_are_left_out(tmp_path: Path) -> None:
    """A preset's off-axis goals are dropped with a note where nothing was measured off axis."""
    problem = build_problem(load(tmp_path, BASE[: BASE.index("goals:")]))
    assert "on_axis" in problem.goals
    assert "in_room" not in problem.goals
    assert any(note.startswith("in_room, asked for by the preset") for note in problem.notes)


def test_written_goals_without_data_are_refused(tmp_path: Path) -> None:
    """A goal that the user wrote is never dropped."""
    error = refuse(tmp_path, BASE + "  in_room: {weight: 1}\n")
    assert (error.key, error.line) == ("goals.in_room", 21)


def test_grid_and_search_settings(tmp_path: Path) -> None:
    """Grid, budget, seed and number of candidates are read; the grid is used."""
    text = BASE + "grid: {band: 50..16k, per_octave: 10}\nsearch: {seconds: 2.5, seed: 7, top: 3}\n"
    design = load(tmp_path, text)
    assert (design.search.seconds, design.search.seed, design.search.top) == (2.5, 7, 3)
    frequency = build_problem(design).frequency_hz
    assert (frequency[0], frequency[-1]) == pytest.approx((50.0, 16000.0))


def test_stock_settings(tmp_path: Path) -> None:
    """A series for each kind, the wire and the dielectric reach the parts."""
    text = BASE + "stock: {series: {inductor: E6, capacitor: E24}, wire: 1.4 mm}\n"
    thick = build_problem(load(tmp_path, text))
    thin = build_problem(load(tmp_path, text.replace("1.4 mm", "0.7 mm")))
    inductors, capacitors = thick.space.options[0], thick.space.options[1]
    assert inductors.parts[0].origin == "E6"
    assert capacitors.parts[0].origin == "E24"
    assert inductors.parts[0].loss_ohm < thin.space.options[0].parts[0].loss_ohm
    film = capacitors.parts[0].loss_ohm
    text = text.replace("wire: 1.4 mm", "capacitors: electrolytic")
    assert build_problem(load(tmp_path, text)).space.options[1].parts[0].loss_ohm > film


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "said"),
    [
        ("response: woofer.txt", "respons: woofer.txt", 4, "drivers.woofer.respons",
         'did you mean "response"?'),
        ("    impedance: woofer_z.txt\n", "", 3, "drivers.woofer", "its impedance"),
        ("    response: woofer.txt\n", "", 3, "drivers.woofer", "its measured response"),
        ("response: woofer.txt", 'response: {"30 right": a.txt}', 4, "drivers.woofer.response",
         "reference axis"),
        ("response: woofer.txt", 'response: {0: a.txt, 30: b.txt}', 4,
         "drivers.woofer.response.30", "needs its side"),
        ("response: woofer.txt", 'response: {0: a.txt, 200 up: b.txt}', 4,
         "drivers.woofer.response.200 up", "between 0 and 180"),
        ("response: woofer.txt", 'response: {0: a.txt, 0 up: b.txt}', 4,
         "drivers.woofer.response.0 up", "stand once"),
        ("response: woofer.txt", "response: gone.txt", 4, "drivers.woofer.response",
         "must exist"),
        ("impedance: woofer_z.txt", "impedance: gone.txt", 5, "drivers.woofer.impedance",
         "must exist"),
        ("    response: woofer.txt", "    delay: 0.1\n    response: woofer.txt", 4,
         "drivers.woofer.delay", "needs its unit"),
        ("    response: woofer.txt", "    delay: 3 ohm\n    response: woofer.txt", 4,
         "drivers.woofer.delay", "0.05 ms"),
        ("    response: woofer.txt", "    limits: {watts: 0}\n    response: woofer.txt", 4,
         "drivers.woofer.limits.watts", "above 0"),
        ("  woofer:\n    ladder", "  woofer:\n    driver: wofer\n    ladder", 11,
         "ways.woofer.driver", 'did you mean "woofer"?'),
        ("polarity: free", "polarity: reversed", 15, "ways.tweeter.polarity",
         "normal, inverted, free"),
        ("name: C1, shunt", "name: L1, shunt", 13, "ways.woofer.ladder[1]", "share a name"),
        ("from: 0.5 mH, to: 3.3 mH", "from: 3.3 mH, to: 0.5 mH", 12,
         "ways.woofer.ladder[0].from", 'must not be above "to"'),
        ("from: 0.5 mH, to: 3.3 mH", "to: 1 uH", 12, "ways.woofer.ladder[0].to", 'add "from"'),
        ("from: 0.5 mH", "from: 0.5 uF", 12, "ways.woofer.ladder[0].from", "in H is expected"),
        ("from: 0.5 mH", "from: 0 mH", 12, "ways.woofer.ladder[0].from", "above 0"),
        ("from: 0.5 mH, to: 3.3 mH", "from: 1.01 mH, to: 1.1 mH", 12,
         "ways.woofer.ladder[0].from", "1 mH and 1.2 mH"),
        ("series: inductor", "shunt: trap", 12, "ways.woofer.ladder[0].shunt", "series: trap"),
        ("series: inductor", "series: inductr", 12, "ways.woofer.ladder[0].series",
         'did you mean "inductor"?'),
        ("series: inductor", "series: inductor, shunt: inductor", 12, "ways.woofer.ladder[0]",
         "either in series or in shunt"),
        ("series: inductor, ", "", 12, "ways.woofer.ladder[0]", "neither"),
        ("name: L1, ", "", 12, "ways.woofer.ladder[0]", '"name" is missing'),
        ("from: 0.5 mH", "resistor: 1..2, from: 0.5 mH", 12, "ways.woofer.ladder[0].resistor",
         "does not belong to an inductor"),
        ("from: 0.5 mH", "dcr: 0.5, from: 0.5 mH", 12, "ways.woofer.ladder[0].dcr", "kept part"),
        ("from: 0.5 mH", "keep: 1 mH, alter: no, from: 0.5 mH", 12, "ways.woofer.ladder[0].from",
         "has no range"),
        ("from: 0.5 mH", "alter: yes, from: 0.5 mH", 12, "ways.woofer.ladder[0].alter",
         "only a kept part"),
        ("from: 0.5 mH", "keep: 1 mH, from: 5 mH", 12, "ways.woofer.ladder[0].from",
         "must not be above"),
        ("from: 0.5 mH, to: 3.3 mH", "keep: 1 mH, esr: 0.1", 12, "ways.woofer.ladder[0].esr",
         "a capacitor"),
        ("from: 0.5 mH, to: 3.3 mH", "inductor: 1 .. 2 mH, to: 3 mH", 12,
         "ways.woofer.ladder[0].inductor", "written once"),
        ("band: 100..15k", "band: 30k..40k", 19, "goals.on_axis.band", "points of the grid"),
        ("band: 100..15k", "band: 1k", 19, "goals.on_axis.band", "two dots"),
        ("band: 100..15k", "band: 15k..100", 19, "goals.on_axis.band", "must rise"),
        ("band: 100..15k", "weight: -1", 19, "goals.on_axis.weight", "at least 0"),
        ("band: 100..15k", "tilt: steep", 19, "goals.on_axis.tilt", "dB/oct"),
        ("band: 100..15k", "weigth: 1", 19, "goals.on_axis.weigth", 'did you mean "weight"?'),
        ("floor: 3 ohm", "floor: 0 ohm", 20, "goals.impedance.floor", "above 0"),
        ("  on_axis:", "  on_axes:", 19, "goals.on_axes", 'did you mean "on_axis"?'),
        ("  on_axis: {band: 100..15k}\n  impedance: {floor: 3 ohm}\n", "  preset: livingroom\n",
         19, "goals.preset", 'did you mean "living-room"?'),
        ("goals:", "grid: {per_octave: 1}\ngoals:", 18, "grid.per_octave", "at least 3"),
        ("goals:", "stock: {series: E13}\ngoals:", 18, "stock.series", "E12"),
        ("goals:", "stock: {series: {resistor: E25}}\ngoals:", 18, "stock.series.resistor", "E24"),
        ("goals:", "stock: {wire: 1.0}\ngoals:", 18, "stock.wire", "1.0 mm"),
        ("goals:", "stock: {join: 4}\ngoals:", 18, "stock.join", "one to three"),
        ("goals:", "search: {seconds: 0}\ngoals:", 18, "search.seconds", "above 0"),
        ("goals:", "search: {seed: 1.5}\ngoals:", 18, "search.seed", "whole number"),
        ("goals:", "measured: {clock: maybe}\ngoals:", 18, "measured.clock", "shared, none"),
    ],
)  # fmt: skip
def test_errors_give_line_key_and_remedy(
    tmp_path: Path, old: str, new: str, line: int, key: str, said: str
) -> None:
    """Each fault is answered with its file, line, key and what to do."""
    assert BASE.count(old) >= 1
    error = refuse(tmp_path, BASE.replace(old, new, 1))
    assert (error.line, error.key) == (line, key)
    assert error.file == str(tmp_path / "design.yaml")
    assert said in str(error)


@pytest.mark.parametrize("block", ["drivers", "ways"])
def test_drivers_and_ways_are_needed(tmp_path: Path, block: str) -> None:
    """A design without drivers or ways, or with empty ones, is refused."""
    start = BASE.index(f"{block}:\n")
    end = BASE.index({"drivers": "ways:", "ways": "goals:"}[block])
    assert f'"{block}" is missing' in str(refuse(tmp_path, BASE[:start] + BASE[end:]))
    empty = refuse(tmp_path, BASE[:start] + f"{block}: {{}}\n" + BASE[end:])
    assert "at least one" in str(empty)


def test_goal_band_outside_the_data(tmp_path: Path) -> None:
    """A band that no file reaches is refused; one that reaches beyond is noted."""
    path = write_design(tmp_path, BASE.replace("100..15k", "20..60"))
    for name in ("woofer", "tweeter"):
        inside = FREQUENCY > 100.0
        write_curve(tmp_path / f"{name}.txt", 87.0, 0.0, FREQUENCY[inside])
    with pytest.raises(InputError, match="must overlap what was measured") as caught:
        build_problem(load_design(path))
    assert caught.value.line == 19
    path.write_text(BASE.replace("100..15k", "20..15k"))
    assert any("reaches beyond" in note for note in build_problem(load_design(path)).notes)


def test_error_in_a_measurement_names_file_and_key(tmp_path: Path) -> None:
    """A damaged file is named with its own line and the key it stands under."""
    path = write_design(tmp_path)
    (tmp_path / "woofer.txt").write_text("100 80 0\n98 80 0\n200 80 0\n300 80 0\n")
    with pytest.raises(InputError) as caught:
        build_problem(load_design(path))
    assert caught.value.file == str(tmp_path / "woofer.txt")
    assert caught.value.line == 2
    assert caught.value.key == "drivers.woofer.response"


def test_two_ways_may_share_a_driver_file_set(tmp_path: Path) -> None:
    """Several ways can feed drivers of one kind by naming the driver."""
    text = BASE.replace("  tweeter:\n    polarity", "  second:\n    driver: woofer\n    polarity")
    problem = build_problem(load(tmp_path, text))
    assert [way.driver for way in problem.topology.ways] == ["woofer", "woofer"]
    assert any("tweeter" in note for note in problem.notes)
