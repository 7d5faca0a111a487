"""The demo's files: complete, well formed, repeatable, and never a mixture."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import yaml

from optimizer.demo import build_files, write_demo
from optimizer.demo.design import name_impedance, name_response
from optimizer.demo.scenario import DIRECTIONS, DRIVERS, DemoDriver
from optimizer.errors import InputError

FILES = build_files()
NAMES = [driver.name for driver in DRIVERS]


def read(name: str) -> np.ndarray:
    """Read one table the plain way, independent of the package's own reader."""
    rows = [
        line.split("\t") for line in FILES[name].decode().splitlines() if not line.startswith("#")
    ]
    return np.array(rows, dtype=np.float64).T


def test_same_bytes_on_every_call() -> None:
    """Two builds are identical to the byte, in another process with another hash seed too."""
    assert build_files() == FILES
    script = (
        "import hashlib; from optimizer.demo import build_files; files = build_files();"
        "print(hashlib.sha256(b''.join(files[k] for k in sorted(files))).hexdigest())"
    )
    other = subprocess.run(
        [sys.executable, "-c", script],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONHASHSEED": "77"},
        cwd=Path(__file__).parents[2],
    )
    here = hashlib.sha256(b"".join(FILES[name] for name in sorted(FILES))).hexdigest()
    assert other.stdout.strip() == here


def test_every_table_is_complete_and_increasing() -> None:
    """Each table has three finite columns, 20 Hz to 20 kHz, strictly increasing."""
    tables = [name for name in FILES if name.endswith(".txt")]
    assert len(tables) == 3 * (len(DIRECTIONS) + 1) + 1
    for name in tables:
        frequency, size, phase = read(name)
        assert (frequency[0], frequency[-1]) == (20.0, 20000.0)
        assert frequency.size >= 240
        assert np.all(np.diff(frequency) > 0.0)
        assert np.all(np.isfinite(size))
        assert np.all(np.abs(phase) <= 180.0)
        assert FILES[name].startswith(b"# ")
        assert b"\r" not in FILES[name]


def test_directions_are_enough_for_averages() -> None:
    """At least seven horizontal and seven vertical directions, the axis first."""
    assert str(DIRECTIONS[0]) == "0"
    assert sum(d.vertical_deg == 0.0 for d in DIRECTIONS) >= 7
    assert sum(d.horizontal_deg == 0.0 for d in DIRECTIONS) >= 7
    assert len(set(DIRECTIONS)) == len(DIRECTIONS)


def test_design_names_every_file_and_nothing_else() -> None:
    """The design file parses and its file names are exactly the tables written."""
    design = yaml.safe_load(FILES["design.yaml"])
    named = {design["together"]}
    for name, driver in design["drivers"].items():
        assert list(map(str, driver["response"])) == [str(d) for d in DIRECTIONS]
        named |= {*driver["response"].values(), driver["impedance"]}
        assert name in design["ways"]
    assert named | {"design.yaml", "shelf.csv"} == set(FILES)
    assert design["measured"] == {
        "volts": 2.83,
        "metres": 1.0,
        "clock": "shared",
        "mirror": "left-right",
    }
    assert list(design["drivers"]) == NAMES


def test_design_has_about_17_part_values() -> None:
    """The ladders hold 17 part values, half of the slots or more optional."""
    design = yaml.safe_load(FILES["design.yaml"])
    slots = [slot for way in design["ways"].values() for slot in way["ladder"]]
    values = sum(
        2 if {"pad", "equaliser"} & {slot.get("series"), slot.get("shunt")} else 1 for slot in slots
    )
    assert values == 17
    assert sum(slot.get("optional", False) for slot in slots) >= 7


@pytest.mark.parametrize("name", NAMES)
def test_impedance_is_passive(name: str) -> None:
    """The real part of every impedance is positive and its low end is near the DC resistance."""
    _, modulus, phase = read(name_impedance(name))
    resistance = modulus * np.cos(np.radians(phase))
    assert resistance.min() > 4.5
    assert modulus.max() < 100.0


@pytest.mark.parametrize("driver", DRIVERS, ids=NAMES)
def test_level_falls_off_axis(driver: DemoDriver) -> None:
    """Where the diaphragm is large against the wavelength, sound falls steadily off axis."""
    start = 343.2 / driver.coil.diaphragm_m / 2.0
    horizontal = [d for d in DIRECTIONS if d.vertical_deg == 0.0]
    means = []
    for direction in horizontal:
        frequency, level, _ = read(name_response(driver.name, direction))
        means.append(level[frequency > start].mean())
    assert np.all(np.diff(means) < 0.0)


@pytest.mark.parametrize("name", NAMES)
def test_bass_is_the_same_all_around(name: str) -> None:
    """Well below the baffle step every direction has the same level."""
    levels = [read(name_response(name, d))[1][:12].mean() for d in DIRECTIONS]
    assert np.ptp(levels) < 0.3


def test_together_is_the_complex_sum() -> None:
    """All drivers at once are the sum of the three files, on one clock."""
    total = np.zeros_like(read("together.txt")[0], dtype=np.complex128)
    for name in NAMES:
        _, level, phase = read(f"{name}.txt")
        total += 10.0 ** (level / 20.0) * np.exp(1j * np.radians(phase))
    _, level, phase = read("together.txt")
    together = 10.0 ** (level / 20.0) * np.exp(1j * np.radians(phase))
    # Relative to the loudest driver: a deep notch may move by the written ripple.
    scale = max(np.abs(total).max(), 1.0)
    assert np.abs(together - total).max() / scale < 0.01


def test_new_folder_is_written_whole(tmp_path: Path) -> None:
    """A new folder holds exactly the files of the demo, and nothing is left beside it."""
    design = write_demo(tmp_path / "deep" / "demo-speaker")
    assert design == tmp_path / "deep" / "demo-speaker" / "design.yaml"
    assert {p.name: p.read_bytes() for p in design.parent.iterdir()} == FILES
    assert [p.name for p in design.parent.parent.iterdir()] == ["demo-speaker"]


def test_empty_folder_and_earlier_demo_are_fine(tmp_path: Path) -> None:
    """Writing into an empty folder, twice, keeps results that were put there."""
    write_demo(tmp_path)
    (tmp_path / "results.json").write_text("{}")
    (tmp_path / "woofer.txt").unlink()
    write_demo(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {*FILES, "results.json"}


def test_foreign_folder_is_refused_untouched(tmp_path: Path) -> None:
    """A folder with other files is refused with a remedy and left as it was."""
    (tmp_path / "woofer.txt").write_text("mine")
    with pytest.raises(InputError, match="choose another folder"):
        write_demo(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["woofer.txt"]
    assert (tmp_path / "woofer.txt").read_text() == "mine"


def test_changed_demo_is_replaced_only_when_asked(tmp_path: Path) -> None:
    """An edited design survives, unless overwriting was asked for."""
    design = write_demo(tmp_path)
    edited = design.read_text().replace("E12", "E24")
    design.write_text(edited)
    with pytest.raises(InputError, match="not replaced unasked"):
        write_demo(tmp_path)
    assert design.read_text() == edited
    write_demo(tmp_path, overwrite=True)
    assert design.read_bytes() == FILES["design.yaml"]


def test_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    """A file of that name gives one clear error."""
    (tmp_path / "demo").write_text("x")
    with pytest.raises(InputError, match="needs a folder"):
        write_demo(tmp_path / "demo")


def test_failure_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the disk fails half-way, neither the folder nor a temporary one remains."""
    write_bytes = Path.write_bytes
    calls = 0

    def fail_late(self: Path, data: bytes) -> int:
        nonlocal calls
        calls += 1
        if calls == 20:
            raise OSError(28, "No space left on device")
        return write_bytes(self, data)

    monkeypatch.setattr(Path, "write_bytes", fail_late)
    with pytest.raises(InputError, match="No space left"):
        write_demo(tmp_path / "demo")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="permission bits are a POSIX notion")
def test_files_have_ordinary_permissions(tmp_path: Path) -> None:
    """Files can be read by others also when written into an existing folder."""
    design = write_demo(tmp_path)
    assert design.stat().st_mode & 0o444 == 0o444
