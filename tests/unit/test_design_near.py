"""A near field of a design: joined on axis, followed off it, kept by `start`, refused in words."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.cli.main import main
from optimizer.cli.survey import ReadingOptions, open_path
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS, Direction, MeasuredCurve
from optimizer.measure.curves.cabinet import Cabinet, solve_step
from optimizer.measure.curves.joined import join_directions
from optimizer.measure.curves.nearfield import Join
from optimizer.measure.curves.thin import interpolate_log
from optimizer.measure.survey.survey import survey_folder

FREQUENCY = np.geomspace(20.0, 20000.0, 700)
GATE_HZ = 200.0
FRONT = Cabinet(width_m=0.22, height_m=0.36)
JOIN = Join(cabinet=FRONT, diaphragm_m=0.13)
ASIDE = Direction(horizontal_deg=60.0)


def cone(f: np.ndarray) -> np.ndarray:
    """A closed box at 50 Hz and a smooth end at 4 kHz, in half space."""
    s, t = 1j * f / 50.0, 1j * f / 4000.0
    return 300.0 * s**2 / (s**2 + 1.4 * s + 1.0) / (t**2 + 1.2 * t + 1.0)


def far(f: np.ndarray) -> np.ndarray:
    """The same on its front, from afar, 3 ms late."""
    return cone(f) * solve_step(f, FRONT, 0.13, 1200.0)[0] * np.exp(-2j * np.pi * f * 3e-3)


def aside(f: np.ndarray) -> np.ndarray:
    """Off the axis: alike in the bass, 6 dB less in the treble."""
    s = 1j * f / 1500.0
    return far(f) * (1.0 + 0.5 * s) / (1.0 + s)


def write(folder: Path, name: str, f: np.ndarray, value: np.ndarray, *, head: str = "") -> None:
    rows = zip(f, 20 * np.log10(np.abs(value)), np.degrees(np.angle(value)), strict=True)
    text = head + "".join(f"{a:.4f} {b:.4f} {c:.4f}\n" for a, b, c in rows)
    (folder / name).write_text(text, encoding="utf-8")


def write_folder(folder: Path) -> Path:
    """One driver: gated far field on and off axis, near field 17 dB louder, impedance."""
    inside = FREQUENCY[FREQUENCY >= GATE_HZ]
    write(folder, "woofer.txt", inside, far(inside), head="* Gate 5 ms\n")
    write(folder, "woofer_h60.txt", inside, aside(inside), head="* Gate 5 ms\n")
    low = FREQUENCY[FREQUENCY < 2000.0]
    write(folder, "woofer_nearfield.txt", low, cone(low) * 10 ** (17 / 20))
    s = 1j * FREQUENCY / 50.0
    z = 6.0 + 30.0 * (s / 5.0) / (s**2 + s / 5.0 + 1.0) + 1j * FREQUENCY * 2e-3
    rows = zip(FREQUENCY, np.abs(z), np.degrees(np.angle(z)), strict=True)
    (folder / "woofer_z.txt").write_text(
        "* Freq(Hz) Z(ohm)\n" + "".join(f"{a:.4f} {b:.5f} {c:.4f}\n" for a, b, c in rows)
    )
    return folder


def write_design(folder: Path, said: str) -> Path:
    """One driver with a coil; what is said of its near field begins in line 5."""
    path = folder / "design.yaml"
    path.write_text(
        "drivers:\n  woofer:\n    response: woofer.txt\n    impedance: woofer_z.txt\n"
        f"    {said}\nways:\n  woofer:\n    ladder:\n"
        "      - {name: L1, series: inductor, from: 1 mH, to: 3 mH}\n",
        encoding="utf-8",
    )
    return path


def level(value: np.ndarray) -> np.ndarray:
    return np.asarray(20 * np.log10(np.abs(value)))


def test_directions_follow_the_axis_down() -> None:
    """Off the axis the bass is that of the axis, the treble as measured; between, within 0.5 dB."""
    inside = FREQUENCY[FREQUENCY >= GATE_HZ]

    def response(f: np.ndarray, value: np.ndarray) -> MeasuredCurve:
        return MeasuredCurve(frequency_hz=f, value=value, quantity="pressure")

    joined, splice = join_directions(
        response(FREQUENCY, cone(FREQUENCY)),
        {ON_AXIS: response(inside, far(inside)), ASIDE: response(inside, aside(inside))},
        JOIN,
    )
    assert list(joined) == [ON_AXIS, ASIDE]
    for direction, truth in ((ON_AXIS, far), (ASIDE, aside)):
        found = joined[direction]
        assert np.all(np.diff(found.frequency_hz) > 0.0)
        wrong = found.level_db - level(truth(found.frequency_hz))
        assert np.abs(wrong).max() < 0.5
        assert np.abs(wrong[found.frequency_hz < 60.0]).max() < 0.15
    turned = joined[ASIDE].value / aside(joined[ASIDE].frequency_hz)
    assert np.rad2deg(np.abs(np.angle(turned))).max() < 25.0
    assert splice.join is JOIN


@pytest.mark.slow
def test_start_keeps_the_joined_near_field(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`start` with the front writes it into the design, which then knows the bass by itself."""
    folder = write_folder(tmp_path)
    code = main(
        [
            "start",
            str(folder),
            "--front",
            "woofer=220x360 mm",
            "--diameter",
            "woofer=130 mm",
            "--seconds",
            "0.2",
            "--workers",
            "1",
        ]
    )
    assert code == 0
    text = (folder / "laddersmith.yaml").read_text(encoding="utf-8")
    assert "near: {file: woofer_nearfield.txt, front: {width: 0.22, height: 0.36}}" in text
    problem = build_problem(load_design(folder / "laddersmith.yaml"))
    driver = problem.drivers[0]
    assert driver.coverage[0].low_hz < 21.0
    assert driver.directions == (ON_AXIS, ASIDE)
    inside = driver.frequency_hz < 15000.0
    f = driver.frequency_hz[inside]
    for row, truth in zip(driver.pressure[:, inside], (far, aside), strict=True):
        wrong = level(row) - level(truth(f))
        assert np.abs(wrong - np.median(wrong)).max() < 0.5
    assert any("joined at" in note for note in driver.notes)
    assert not any("gate" in note for note in problem.notes)
    capsys.readouterr()
    # The design is surveyed with the same join.
    assert main(["survey", str(folder / "laddersmith.yaml")]) == 0
    assert "20 Hz to" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("block", "key", "said"),
    [
        ("none.txt", "near", "must exist"),
        ("{file: woofer_nearfield.txt, join: 90 Hz}", "near", "where both are valid"),
        ("{file: woofer_nearfield.txt, front: {width: 22 cm}}", "near.front", "height"),
        (
            "{file: woofer_nearfield.txt, front: {width: 22 cm, height: 3 cm, up: 4 cm}}",
            "near.front",
            "inside the front",
        ),
        (
            "{file: woofer_nearfield.txt, front: {width: 22 cm, height: 30 cm, depth: 1 cm}}",
            "near.front",
            "at least 22 mm deep",
        ),
        ("{file: woofer_nearfield.txt, port: p.txt}", "near", "diameter"),
        ("{front: {width: 22 cm, height: 30 cm}}", "near", "file"),
    ],
)
def test_faults_of_a_near_field_are_named(tmp_path: Path, block: str, key: str, said: str) -> None:
    """A near field that cannot be joined is refused with the line and key that says so."""
    folder = write_folder(tmp_path)
    path = write_design(folder, f"near: {block}")
    with pytest.raises(InputError, match=said) as caught:
        build_problem(load_design(path))
    assert caught.value.line == 5
    assert str(caught.value.key).startswith(f"drivers.woofer.{key}")


def test_survey_says_what_cone_a_shift_means(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a diameter the note's cone is 4 r 10^(shift/20), with one there is none."""
    options = ["survey", str(write_folder(tmp_path)), "--notes", "--front", "woofer=220x360 mm"]
    assert main(options) == 0
    said = " ".join(capsys.readouterr().out.split())
    found = re.search(r"moved by (-[\d.]+) dB to meet.*?would mean a cone of (\d+) mm", said)
    assert found
    # The shift is said to 0.1 dB: 0.6 % of the diameter.
    assert float(found[2]) == pytest.approx(4000.0 * 10 ** (float(found[1]) / 20), rel=0.007)
    assert main([*options, "--diameter", "woofer=130 mm"]) == 0
    assert "would mean a cone" not in capsys.readouterr().out


def test_a_port_adds_to_its_cone(tmp_path: Path) -> None:
    """A port's near field counts by its diameter over the diaphragm's: here +3.5 dB in the bass."""
    folder = write_folder(tmp_path)
    low = FREQUENCY[FREQUENCY < 90.0]
    write(folder, "port.txt", low, cone(low) * 10 ** (17 / 20))
    levels = []
    for port in ("", ", port: port.txt, port_diameter: 65 mm"):
        near = f"{{file: woofer_nearfield.txt, front: {{width: 22 cm, height: 36 cm}}{port}}}"
        path = write_design(folder, f"diaphragm: 130 mm\n    near: {near}")
        driver = build_problem(load_design(path)).drivers[0]
        levels.append(level(driver.pressure[0]))
    # Half the diameter adds half the amplitude: 20 log10(1.5) = 3.52 dB.
    bass, rest = driver.frequency_hz < 80.0, driver.frequency_hz > 300.0
    assert (levels[1] - levels[0])[bass] == pytest.approx(3.52, abs=0.05)
    assert (levels[1] - levels[0])[rest] == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("front", [", front: {width: 22 cm, height: 36 cm, depth: 28 cm}", ""])
def test_a_survey_joins_as_its_design_does(tmp_path: Path, front: str) -> None:
    """Box, port and frequency of the join count alike for both: one answer at every frequency."""
    folder = write_folder(tmp_path)
    low = FREQUENCY[FREQUENCY < 90.0]
    write(folder, "port.txt", low, cone(low) * 10 ** (17 / 20))
    near = f"{{file: woofer_nearfield.txt, join: 420, port: port.txt, port_diameter: 65 mm{front}}}"
    path = write_design(folder, f"diaphragm: 130 mm\n    near: {near}")
    driver = build_problem(load_design(path)).drivers[0]
    none = ReadingOptions({}, {}, {}, {}, {})
    opened, _, _, joins = open_path(path, none)
    found = survey_folder(opened, joins=joins)
    splice = found.drivers[0].splice
    assert splice is not None
    assert splice.at_hz == pytest.approx(420.0)
    assert splice.join.cabinet == (replace(FRONT, depth_m=0.28) if front else None)
    inside = driver.frequency_hz < 10000.0
    said = interpolate_log(
        splice.response.frequency_hz, splice.response.level_db, driver.frequency_hz[inside]
    )
    np.testing.assert_allclose(level(driver.pressure[0])[inside], said, atol=0.02)
    without = [one for one in found.findings if "joined without a step" in one.what]
    assert len(without) == (0 if front else 1)


def test_a_folder_takes_box_and_port_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A port is added when both diameters are known (+3.5 dB, as above); before, a line asks for it."""
    folder = write_folder(tmp_path)
    low = FREQUENCY[FREQUENCY < 90.0]
    write(folder, "woofer port.txt", low, cone(low) * 10 ** (17 / 20))
    levels = []
    box = ["survey", str(folder), "--notes", "--front", "woofer=220x360x280 mm"]
    box += ["--diameter", "woofer=130 mm"]
    for more in ([], ["--port", "woofer=65 mm"]):
        page = tmp_path / "page.html"
        assert main([*box, *more, "--page", str(page)]) == 0
        asked = "--port woofer=60mm" in " ".join(capsys.readouterr().out.split())
        assert asked is not bool(more)
        data = re.search(r'"response_db": ?\[([-\d.,\s]+)', page.read_text(encoding="utf-8"))
        assert data is not None
        levels.append([float(text) for text in data[1].split(",")])
    assert levels[1][10] - levels[0][10] == pytest.approx(3.52, abs=0.05)


@pytest.mark.parametrize("text", ["220", "220x360x280x1 mm", "220x360x0 mm", "220x360x9 mm"])
def test_a_front_that_is_none_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    """With the exit code of bad input, and the option named."""
    assert main(["survey", str(write_folder(tmp_path)), "--front", f"woofer={text}"]) == 2
    assert "--front" in capsys.readouterr().err
