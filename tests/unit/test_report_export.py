"""Results as JSON, and files written whole or not at all."""

from __future__ import annotations

import json
import os
import stat
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.measure.curve import ON_AXIS
from optimizer.network.network import FittedWay, Network
from optimizer.parts import Part
from optimizer.problem.agreement import Agreement
from optimizer.problem.candidate import Candidate, CurveSet, GoalFigure, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.report.documents.fit import result_to_json
from optimizer.testing import fitted as make_slot
from optimizer.text import writing as export
from optimizer.text.writing import check_writable, write_json, write_text

PROBLEM = SimpleNamespace(title="Shed two-way")
FREQUENCY = np.array([100.0, 1000.0, 10000.0 / 3.0])
LEVEL = np.array([80.123456, -np.inf, np.nan])

COIL = Part(kind="inductor", value=3.3e-3, loss_ohm=0.4, price=7.5)
CAP = Part(kind="capacitor", value=0.1 + 0.2, loss_ohm=0.01, tolerance=0.1, origin="shelf")
JOINED = Part(kind="capacitor", value=4e-6, pieces=(2.2e-6, 1.8e-6), joined="parallel")
RESISTOR = Part(kind="resistor", value=8.2, note="on a clip")


@pytest.fixture
def result() -> SearchResult:
    ways = (
        FittedWay(name="low", driver="woofer", polarity=1, slots=(
            make_slot("L1", "series", "inductor", COIL),
            make_slot("N1", "shunt", "notch", COIL, CAP, RESISTOR),
            make_slot("N2", "series", "trap", COIL, CAP, RESISTOR),
        )),
        FittedWay(name="high", driver="tweeter", polarity=-1, slots=(
            make_slot("C1", "series", "capacitor", JOINED),
            make_slot("Z1", "shunt", "equaliser", RESISTOR, CAP),
            make_slot("P1", "series", "pad", RESISTOR, RESISTOR),
        )),
    )  # fmt: skip
    curves = CurveSet(
        frequency_hz=FREQUENCY,
        named_db={"on_axis": LEVEL, "sound_power": LEVEL},
        directivity_db={"directivity_index": np.zeros(3)},
        direction_db=LEVEL[None, :],
        directions=(ON_AXIS,),
        way_db=np.stack([LEVEL, LEVEL]),
        drive_db=np.stack([LEVEL, LEVEL]),
        impedance=np.array([3.0 + 4.0j, 6.0, 5.0j]),
    )
    candidate = Candidate(
        rank=1,
        cost=2.0123456789,
        network=Network(ways=ways),
        goals=(
            GoalFigure(name="on_axis", value=0.82, unit="dB rms", weight=1.0, cost=0.82),
            GoalFigure(name="impedance", value=np.inf, unit="ohm", weight=1.0, cost=np.nan),
        ),
        curves=curves,
        impedance_min_ohm=4.3,
        impedance_min_hz=3100.0,
        epdr_min_ohm=2.1,
        epdr_min_hz=95.0,
        sensitivity_db=86.4,
        crossovers_hz=((None, 410.0), (410.0, None)),
        certificate=Certificate.of_search(2),
        relaxed_cost=1.93,
    )
    return SearchResult(
        candidates=(candidate,),
        stopped="budget",
        seconds=4.2,
        evaluations=123456,
        seed=1,
        cost_relaxed_best=1.93,
    )


def test_top_level_keys(result):
    """The head of the document says what was run and why it stopped."""
    data = result_to_json(result, PROBLEM, "shed/design.yaml")
    head = {key: value for key, value in data.items() if key != "candidates"}
    assert head == {
        "schema": 1,
        "design": "shed/design.yaml",
        "speaker": "Shed two-way",
        "seed": 1,
        "seconds": 4.2,
        "evaluations": 123456,
        "stopped": "budget",
        "repeatable": False,
        "cost_relaxed_best": 1.93,
    }


def test_starts_that_agree_are_told(result):
    """How many starts came to their end, how many met the best, and the chance of a miss."""
    agreed = replace(result, agreement=Agreement(ends=(2.0, 2.01, 2.0, 2.1), best=2.0))
    data = result_to_json(agreed, PROBLEM, "shed/design.yaml")
    # Of four starts three are near: 105/16 against 4 * 15/8 * 1/2, Jeffreys' prior.
    assert data["starts"] == {
        "ended": 4, "met": 2, "near": 3, "fails": 0.5, "missed": pytest.approx(7 / 11, rel=1e-3),
    }  # fmt: skip
    assert "starts" not in result_to_json(result, PROBLEM, "shed/design.yaml")


def test_candidate_figures(result):
    """A candidate carries its figures in SI units under the agreed names."""
    data = result_to_json(result, PROBLEM, "d")["candidates"][0]
    assert data["rank"] == 1
    assert data["cost"] == 2.012345679
    assert data["parts"] == 13
    assert data["no_better_change_of"] == 2
    assert data["impedance_min"] == {"ohm": 4.3, "hz": 3100.0}
    assert data["epdr_min"] == {"ohm": 2.1, "hz": 95.0}
    assert data["sensitivity_db"] == 86.4
    assert data["goals"]["on_axis"]["value"] == 0.82
    assert data["goals"]["on_axis"]["unit"] == "dB rms"
    assert "price" not in data


def test_part_names_and_places(result):
    """Each part of a compound is an entry of its own with the place it takes in the ladder."""
    ways = result_to_json(result, PROBLEM, "d")["candidates"][0]["ways"]
    low, high = ways["low"], ways["high"]
    assert (low["polarity"], high["polarity"]) == (1, -1)
    assert (low["crossover_hz"], high["crossover_hz"]) == ([None, 410.0], [410.0, None])
    assert [(e["name"], e["at"], e["unit"]) for e in low["slots"]] == [
        ("L1", "series", "H"),
        ("N1.L", "shunt", "H"), ("N1.C", "shunt", "F"), ("N1.R", "shunt", "ohm"),
        ("N2.L", "series", "H"), ("N2.C", "series", "F"), ("N2.R", "series", "ohm"),
    ]  # fmt: skip
    assert [(e["name"], e["at"]) for e in high["slots"]] == [
        ("C1", "series"), ("Z1.R", "shunt"), ("Z1.C", "shunt"),
        ("P1.Rs", "series"), ("P1.Rp", "shunt"),
    ]  # fmt: skip
    assert [e.get("form") for e in high["slots"]] == [None, "equaliser", "equaliser", "pad", "pad"]


def test_part_fields(result):
    """Losses are named by kind, pieces always listed, optional facts left out when unknown."""
    ways = result_to_json(result, PROBLEM, "d")["candidates"][0]["ways"]
    coil, cap, joined = ways["low"]["slots"][0], ways["low"]["slots"][2], ways["high"]["slots"][0]
    assert coil == {
        "name": "L1", "reference": "L1", "at": "series", "kind": "inductor", "value": 0.0033,
        "unit": "H",
        "dcr_ohm": 0.4, "pieces": [0.0033], "origin": "E12", "tolerance": 0.05, "price": 7.5,
    }  # fmt: skip
    assert cap["value"] == 0.3  # 0.1 + 0.2 without its binary tail
    assert cap["esr_ohm"] == 0.01
    assert cap["origin"] == "shelf"
    assert (joined["pieces"], joined["joined"]) == ([2.2e-6, 1.8e-6], "parallel")
    assert not {"dcr_ohm", "esr_ohm"} & set(ways["low"]["slots"][3])


def test_curves(result):
    """Curves are lists of four-decimal numbers; impedance is split into modulus and phase."""
    curves = result_to_json(result, PROBLEM, "d")["candidates"][0]["curves"]
    assert curves["frequency_hz"] == [100.0, 1000.0, 3333.3333]
    assert curves["on_axis_db"] == [80.1235, None, None]
    assert curves["impedance_ohm"] == [5.0, 6.0, 5.0]
    # atan2(4, 3) of the 3-4-5 triangle in degrees, any table of trigonometric functions.
    assert curves["impedance_phase_deg"] == [53.1301, 0.0, 90.0]
    assert curves["directivity_index_db"] == [0.0, 0.0, 0.0]
    assert "sound_power_db" in curves
    assert "listening_window_db" not in curves
    assert list(curves["ways_db"]) == ["low", "high"]


def test_nan_and_infinity_never_appear(result):
    """Standard JSON has neither: numbers that are not finite become null."""
    text = json.dumps(result_to_json(result, PROBLEM, "d"), allow_nan=False)
    goal = json.loads(text)["candidates"][0]["goals"]["impedance"]
    assert goal["value"] is None
    assert goal["cost"] is None


def test_nearest_miss_is_no_candidate(result):
    """A network that breaks a hard limit is kept apart, so that no reader builds it unawares."""
    miss = replace(result.candidates[0], feasible=False)
    data = result_to_json(replace(result, candidates=(miss,)), PROBLEM, "d")
    assert data["candidates"] == []
    assert data["nearest_miss"]["feasible"] is False


def test_write_and_read_back(tmp_path, result):
    """What is written is read back equal, and no temporary file stays."""
    data = result_to_json(result, PROBLEM, "Lautsprecher für Łódź")
    file = tmp_path / "out.json"
    write_json(file, data)
    assert json.loads(file.read_text(encoding="utf-8")) == data
    assert [entry.name for entry in tmp_path.iterdir()] == ["out.json"]


def test_dash_writes_to_standard_output(capsys):
    """The file name - means standard output."""
    write_json("-", {"a": 1})
    assert json.loads(capsys.readouterr().out) == {"a": 1}


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    """When writing fails half-way the old file is untouched and nothing is left over."""
    file = tmp_path / "out.json"
    file.write_text("old")

    def fail(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export.os, "fsync", fail)
    with pytest.raises(InputError, match="No space left on device"):
        write_text(file, "new")
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


def test_new_file_follows_the_umask_and_old_file_keeps_its_mode(tmp_path):
    """Temporary files are private; the finished file has ordinary permissions."""
    mask = os.umask(0o027)
    try:
        write_text(tmp_path / "new", "x")
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o640
    (tmp_path / "new").chmod(0o604)
    write_text(tmp_path / "new", "y")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o604


def test_symbolic_link_stays_a_link(tmp_path):
    """Writing through a link replaces the file it points to, not the link."""
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    write_text(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_device_is_written_to():
    """A device such as /dev/null is written to, not replaced."""
    from pathlib import Path

    check_writable(Path(os.devnull))
    write_text(Path(os.devnull), "x")
    assert not Path(os.devnull).is_file()


@pytest.mark.parametrize(
    ("name", "rule"),
    [("missing/out.json", "folder to write into must exist"), (".", "a file name is needed"),
     ("file/out.json", "folder to write into must exist")],
)  # fmt: skip
def test_unwritable_target_is_refused_early(tmp_path, name, rule):
    """A missing folder, a folder as file and a file as folder are found before any work."""
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=rule):
        check_writable(tmp_path / name, key="--json")
    assert [entry.name for entry in tmp_path.iterdir()] == ["file"]


def test_folder_without_permission_is_refused(tmp_path, monkeypatch):
    """A folder one may not write into is found before any work."""
    # The superuser may write anywhere, so the system's answer is replaced.
    monkeypatch.setattr(export.os, "access", lambda path, mode: path != tmp_path)
    with pytest.raises(InputError, match="must be writable"):
        check_writable(tmp_path / "out.json")
