"""Whichever verb opens a measured file, and of whatever kind, it gets the curve of the one door.

Kinds: response with phase, without phase, in another dialect and encoding, as impulse response, as
arrays of MATLAB; impedance. Verbs: survey of a folder, survey of a design, a problem from a design,
verify with plain names and with what each file is said to be.
"""

from __future__ import annotations

import ast
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.io import savemat, wavfile
from scipy.signal import butter, freqz, sosfilt

from optimizer.bench.verify.measured import load_measured
from optimizer.cli.main import main
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.measure.curve import Direction
from optimizer.measure.files import open_curve
from optimizer.measure.files.folder import read_folder
from tests.conftest import cases

RATE = 48000
FREQUENCY = np.geomspace(20.0, 20000.0, 240)
SOS = butter(2, [90.0, 6000.0], "band", fs=RATE, output="sos")
_, RESPONSE = freqz(*butter(2, [90.0, 6000.0], "band", fs=RATE), worN=FREQUENCY, fs=RATE)
PRESSURE = 10.0 ** (85.0 / 20.0) * RESPONSE
S = 1j * FREQUENCY / 80.0
OHM = 6.0 + 30.0 * (S / 5.0) / (S**2 + S / 5.0 + 1.0) + 1j * FREQUENCY * 2e-3

DESIGN = """\
speaker: One driver
drivers:
  woofer:
    response: {{0: {response}, "30 right": {response}}}
    impedance: {impedance}
ways:
  woofer:
    ladder:
      - {{name: L1, series: inductor, from: 1 mH, to: 3 mH}}
"""
NETWORK = "ways:\n  woofer:\n    ladder:\n      - {name: L1, value: 1.5 mH}\n"


def write_table(path: Path, value: np.ndarray, head: str, *, level: bool, phase: bool = True):
    modulus = 20.0 * np.log10(np.abs(value)) if level else np.abs(value)
    columns = [FREQUENCY, modulus] + ([np.degrees(np.angle(value))] if phase else [])
    np.savetxt(path, np.column_stack(columns), fmt="%.6f", header=head, delimiter="\t")


def write_response(folder: Path, kind: str) -> str:
    """Write the response of the woofer as a file of some kind; its name."""
    if kind == "impulse response":
        impulse = np.zeros(8192)
        impulse[0] = 0.5
        wavfile.write(folder / "woofer.wav", RATE, sosfilt(SOS, impulse).astype(np.float32))
        return "woofer.wav"
    if kind == "MATLAB arrays":
        savemat(folder / "woofer.mat", {"freq_hz": FREQUENCY, "pressure": PRESSURE})
        return "woofer.mat"
    path = folder / "woofer.txt"
    head = "Freq(Hz) SPL(dB)"
    write_table(path, PRESSURE, head, level=True, phase=kind != "no phase")
    if kind == "decimal commas in UTF-16":
        path.write_text(path.read_text(encoding="utf-8").replace(".", ","), encoding="utf-16")
    return path.name


KINDS = ("text", "no phase", "decimal commas in UTF-16", "impulse response", "MATLAB arrays")


@pytest.fixture(params=cases(KINDS, routine=KINDS[2:4]))
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A folder with one driver, a design and a network; its response is of each kind in turn."""
    name = write_response(tmp_path, request.param)
    write_table(tmp_path / "woofer_z.txt", OHM, "Freq(Hz) Z(ohm) Phase", level=False)
    text = DESIGN.format(response=name, impedance="woofer_z.txt")
    (tmp_path / "design.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "network.yaml").write_text(NETWORK, encoding="utf-8")
    return tmp_path


def find_response(folder: Path) -> Path:
    return next(p for p in folder.iterdir() if p.stem == "woofer")


def compare_with_truth(frequency_hz, level_db):
    """The level is that of the filter; a recording is relative to full scale."""
    inside = (frequency_hz > 150.0) & (frequency_hz < 10000.0)
    _, truth = freqz(
        *butter(2, [90.0, 6000.0], "band", fs=RATE), worN=frequency_hz[inside], fs=RATE
    )
    error = level_db[inside] - 20.0 * np.log10(np.abs(truth))
    assert np.ptp(error) < 0.1


def test_the_door_knows_every_kind(folder):
    """A response is recognised, told or not, with its layout, its phase and its direction."""
    path = find_response(folder)
    seen, told = open_curve(path), open_curve(path, "pressure", direction=Direction())
    assert seen.quantity == told.quantity == "pressure"
    assert np.array_equal(seen.value, told.value)
    assert seen.direction is None
    assert told.direction == Direction()
    assert seen.source == str(path)
    assert seen.heading.quantity == "pressure"
    assert seen.layout == told.layout != ""
    compare_with_truth(seen.frequency_hz, seen.level_db)
    z = open_curve(folder / "woofer_z.txt", direction=Direction())
    assert z.quantity == "impedance"
    assert z.direction is None
    np.testing.assert_allclose(z.value, OHM, rtol=1e-5)


def test_survey_of_a_folder(folder):
    """A survey reads the curve that the door gives."""
    (folder / "design.yaml").unlink()
    files = read_folder(folder).drivers["woofer"]
    read = files.responses[Direction()].curve
    assert np.array_equal(read.value, open_curve(find_response(folder)).value)
    assert np.array_equal(files.impedance.curve.value, open_curve(folder / "woofer_z.txt").value)


@pytest.mark.parametrize("what", ["folder", "design"])
def test_survey_command(folder, what, capsys):
    """Both surveys end well and tell how each file was laid out."""
    path = folder if what == "folder" else folder / "design.yaml"
    assert main(["survey", str(path), "--json", "-"]) == 0
    files = {f["file"]: f for f in json.loads(capsys.readouterr().out)["files"]}
    name = find_response(folder).name
    assert files[name]["role"] == "response"
    assert files[name]["layout"] == open_curve(folder / name).layout
    assert files["woofer_z.txt"]["role"] == "impedance"


def test_design(folder):
    """A problem has the curve of the door on its grid."""
    driver = build_problem(load_design(folder / "design.yaml")).drivers[0]
    compare_with_truth(driver.frequency_hz, 20.0 * np.log10(np.abs(driver.pressure[0])))
    assert driver.coverage[0].source == str(find_response(folder))
    inside = slice(5, -5)
    z = np.interp(driver.frequency_hz, FREQUENCY, np.abs(OHM))
    np.testing.assert_allclose(np.abs(driver.impedance)[inside], z[inside], rtol=0.02)


def test_verify(folder):
    """Plain or said to be on axis, a file gives the same observation; likewise an impedance."""
    problem = build_problem(load_design(folder / "design.yaml"))
    path, z = find_response(folder), folder / "woofer_z.txt"
    plain = load_measured(problem, [str(path), str(z)])
    said = load_measured(problem, [f"0={path}", f"impedance={z}"])
    for one, other in zip(plain.observations, said.observations, strict=True):
        assert (one.kind, one.row) == (other.kind, other.row)
        assert np.array_equal(one.index, other.index)
        assert np.array_equal(one.value, other.value)
    level = plain.observations[0]
    compare_with_truth(problem.frequency_hz[level.index], level.value)
    side = load_measured(problem, [f"30 right={path}"]).observations[0]
    assert problem.directions[side.row] == Direction(horizontal_deg=30.0)
    assert np.array_equal(side.value, level.value)


def test_verify_command(folder, capsys):
    """The command takes every kind with a direction before it, several at once."""
    path = find_response(folder)
    measured = [f"0={path}", f"30 right={path}", f"impedance={folder / 'woofer_z.txt'}"]
    command = ["verify", str(folder / "design.yaml"), str(folder / "network.yaml"), *measured]
    assert main([*command, "--json", "-"]) in (0, 4)
    assert json.loads(capsys.readouterr().out)["schema"] == 1


def test_a_recording_is_no_impedance(tmp_path):
    """Nobody makes an impedance of an impulse response: not the door, a design, or verify."""
    name = write_response(tmp_path, "impulse response")
    write_response(tmp_path, "text")
    write_table(tmp_path / "woofer_z.txt", OHM, "Freq(Hz) Z(ohm) Phase", level=False)
    text = DESIGN.format(response="woofer.txt", impedance="woofer_z.txt")
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    good.write_text(text, encoding="utf-8")
    bad.write_text(text.replace("woofer_z.txt", name), encoding="utf-8")
    problem = build_problem(load_design(good))
    with pytest.raises(InputError, match="not an impedance"):
        open_curve(tmp_path / name, "impedance")
    with pytest.raises(InputError, match="not an impedance"):
        build_problem(load_design(bad))
    with pytest.raises(InputError, match="not an impedance"):
        load_measured(problem, [f"impedance={tmp_path / name}"])


def test_a_recording_needs_no_ending(tmp_path):
    """What begins like a recording is one, whatever its name."""
    path = tmp_path / write_response(tmp_path, "impulse response")
    value = open_curve(path).value
    assert np.array_equal(open_curve(path.rename(tmp_path / "woofer")).value, value)


def test_a_heading_against_what_is_told_is_said(tmp_path):
    """A file of levels that is called an impedance is read with a note, or refused with it."""
    path = tmp_path / "woofer.txt"
    path.write_text("Freq(Hz) SPL(dB)\n20 80 0\n40 81 0\n80 82 0\n", encoding="utf-8")
    curve = open_curve(path, "impedance")
    assert "although its heading says otherwise" in curve.notes[-1]
    path.write_text("Freq(Hz) SPL(dB)\n20 80 0\n40 -1 0\n80 82 0\n", encoding="utf-8")
    with pytest.raises(InputError, match="says itself that it is none") as caught:
        open_curve(path, "impedance")
    assert caught.value.line == 3


def test_only_the_door_opens_measured_files():
    """Nobody outside the room reads the bytes, the tables or the recordings of measured files."""
    package = Path(__file__).resolve().parents[2] / "optimizer"
    readers = {"read_bytes", "decode_curve", "read_tables", "build_curve", "read_recording"}
    found = set()
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(
                "optimizer.measure.files"
            ):
                names = {alias.name for alias in node.names}
                if names & readers and path.parent.name != "files":
                    found.add(path.relative_to(package).as_posix())
    assert not found
