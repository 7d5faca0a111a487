"""`laddersmith survey` as a user runs it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def survey(laddersmith):
    return lambda *arguments: laddersmith("survey", *arguments)


def write_two_way(folder):
    """Two textbook sections and their sum, small enough to be quick."""
    f = np.geomspace(100, 20000, 120)
    s = 1j * f / 2000
    low, high = 300 / (s * s + 1.4 * s + 1), 300 * s * s / (s * s + 1.4 * s + 1)
    for name, value in (("woofer", low), ("tweeter", high), ("both", low - 0.7 * high)):
        rows = zip(f, 20 * np.log10(np.abs(value)), np.degrees(np.angle(value)), strict=True)
        text = "".join(f"{a:.3f} {b:.4f} {c:.3f}\n" for a, b, c in rows)
        (folder / f"{name}.txt").write_text(text)
    return folder


def refuse_constant(name):
    raise AssertionError(f"{name} in JSON")


def test_demo_folder_and_its_design(survey, tmp_path, demo_design):
    """The example's folder and its design file give the same drivers, on screen and as JSON."""
    design = demo_design
    surveys = {}
    for path in (design, design.parent):
        done = survey(path, "--json", tmp_path / "out.json")
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        for heading in ("Files", "Drivers", "Peaks and dips", "Timing", "Findings"):
            assert heading in done.stdout
        text = (tmp_path / "out.json").read_text(encoding="utf-8")
        surveys[path] = json.loads(text, parse_constant=refuse_constant)
    by_design, by_folder = surveys[design], surveys[design.parent]
    assert len(by_design["drivers"]) == 3
    assert list(by_design["drivers"]) == list(by_folder["drivers"])
    for name, driver in by_design["drivers"].items():
        low, high = driver["usable_hz"]
        assert 0 < low < high
        assert by_folder["drivers"][name]["usable_hz"] == pytest.approx([low, high])
        assert driver["files"]
        assert all({"hz", "db", "q"} <= set(peak) for peak in driver["peaks"])
    assert len(by_design["pairs"]) == 2


def test_json_to_standard_output(survey, tmp_path):
    """With --json - the data alone go to standard output."""
    done = survey(write_two_way(tmp_path), "--json", "-")
    assert done.returncode == 0
    data = json.loads(done.stdout, parse_constant=refuse_constant)
    assert data["timing"]["delays_s"]
    assert "usable" in done.stderr


def test_page_is_one_file(survey, tmp_path):
    """--page writes one HTML file with drawn curves that fetches nothing from anywhere."""
    page = tmp_path / "survey.html"
    done = survey(write_two_way(tmp_path), "--page", page, "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    text = page.read_text(encoding="utf-8")
    # No impedance was measured, so only responses are drawn.
    assert re.findall(r'data-chart="([^"]*)"', text) == ["responses"]
    for heading in ("Findings", "Curves", "Drivers", "Timing", "woofer to tweeter"):
        assert f"<h2>{heading}</h2>" in text
    assert not re.search(r"<(?:script|img|link)[^>]*\s(?:src|href)=", text)
    assert len(text.encode()) < 3_000_000
    done = survey(tmp_path, "--page", tmp_path / "no" / "such" / "folder.html")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1


def test_quiet_prints_nothing(survey, tmp_path):
    """--quiet leaves both streams empty."""
    done = survey(write_two_way(tmp_path), "--quiet")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_folder_of_rubbish(survey, tmp_path):
    """Photos, documents, a spreadsheet, empty files: a table of reasons, one error, code 2."""
    rng = np.random.default_rng(3)
    for name, raw in {
        "front.jpg": b"\xff\xd8\xff" + rng.bytes(900),
        "sheet.pdf": b"%PDF-1.4" + rng.bytes(900),
        "parts.xlsx": b"PK\x03\x04" + rng.bytes(900),
        "empty.txt": b"",
        "noise.txt": rng.bytes(900),
        "song.wav": rng.bytes(900),
    }.items():
        (tmp_path / name).write_bytes(raw)
    done = survey(tmp_path, "--json", tmp_path / "out.json")
    assert done.returncode == 2
    for name in ("front.jpg", "sheet.pdf", "parts.xlsx", "empty.txt", "noise.txt", "song.wav"):
        assert name in done.stdout
    assert done.stderr.count("\n") == 1
    assert "all ignored" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out.json").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ["no-such-folder"],
        [".", "--as", "nonsense"],
        [".", "--diameter", "woofer=big"],
        [".", "--front", "woofer=220"],
        [".", "--front", "woofer=0x0"],
        [".", "--front", "woofer=220x360 mm, 60 mm aside"],
        [".", "--front", "woofer=220x360 mm, 190 mm down"],
        [".", "--depth", "woofer"],
    ],
)
def test_bad_usage(survey, arguments, tmp_path):
    """Wrong options and paths end with one line and code 2."""
    (tmp_path / "woofer.txt").write_text("20 80 0\n200 82 0\n2000 84 0\n20000 70 0\n")
    path = tmp_path if arguments[0] == "." else arguments[0]
    done = survey(path, *arguments[1:])
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_a_curve_of_four_points_is_surveyed(survey, tmp_path):
    """Very short files are read without failing."""
    (tmp_path / "woofer.txt").write_text("20 80 0\n200 82 0\n2000 84 0\n20000 70 0\n")
    done = survey(tmp_path)
    assert done.returncode == 0, done.stderr


@pytest.mark.data
@pytest.mark.thorough
def test_real_two_ways_keep_their_promise(survey, measured_data):
    """On three real two-ways the predicted sum is within 0.23, 0.50 and 0.64 dB rms."""
    for name, bar in (("a", 0.23), ("b", 0.50), ("c", 0.64)):
        done = survey(measured_data / f"real-two-way-{name}", "--json", "-")
        assert done.returncode == 0, done.stderr
        timing = json.loads(done.stdout)["timing"]
        assert timing["residual_db"] <= bar
        assert timing["method"] != "not determined"
