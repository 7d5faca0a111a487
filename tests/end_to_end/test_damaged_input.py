"""Twenty kinds of damaged input, through the command line: one message, one code, no trace.

Most cases run in this process to save the start of an interpreter; a few run as a user would
start them, so that the way from error to exit code is covered too.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from optimizer.cli.main import main
from optimizer.testing import FILE_HZ, write_driver

ROOT = Path(__file__).resolve().parent.parent.parent

DESIGN = """\
speaker: Invented two-way
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
search: {seconds: 0.5, seed: 1}
"""

Damage = Callable[[Path], None]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A small healthy project of two invented drivers; returns its design file."""
    low = 87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4000.0) ** 4)
    high = 90.0 - 10.0 * np.log10(1.0 + (800.0 / FILE_HZ) ** 4)
    write_driver(tmp_path, "woofer", level_db=low)
    write_driver(tmp_path, "tweeter", level_db=high, ohm=6.0)
    path = tmp_path / "design.yaml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


def replace(old: str, new: str) -> Damage:
    """Damage the design file by replacing text in it once."""

    def damage(design: Path) -> None:
        text = design.read_text(encoding="utf-8")
        assert old in text
        design.write_text(text.replace(old, new, 1), encoding="utf-8")

    return damage


def replace_row(number: int, new: str, name: str = "woofer.txt") -> Damage:
    """Damage a measurement by replacing one row (counted from 1)."""

    def damage(design: Path) -> None:
        path = design.parent / name
        rows = path.read_text(encoding="utf-8").splitlines()
        rows[number - 1] = new
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")

    return damage


def overwrite(content: bytes, name: str = "woofer.txt") -> Damage:
    """Replace a file by other bytes."""

    def damage(design: Path) -> None:
        (design.parent / name).write_bytes(content)

    return damage


def remove(name: str) -> Damage:
    """Remove a file."""

    def damage(design: Path) -> None:
        (design.parent / name).unlink()

    return damage


BINARY = bytes(range(256)) * 8

# name: (damage, words that the one message must contain)
DAMAGES: dict[str, tuple[Damage, tuple[str, ...]]] = {
    "design file missing": (remove("design.yaml"), ("design.yaml: ", "must exist")),
    "measurement missing": (
        remove("woofer.txt"), ("design.yaml:4: drivers.woofer.response: ", "must exist")),
    "design file empty": (overwrite(b"", "design.yaml"), ("design.yaml: ", "is empty")),
    "measurement empty": (overwrite(b""), ("woofer.txt: ", "must not be empty")),
    "design file binary": (overwrite(BINARY, "design.yaml"), ("design.yaml:", "plain text")),
    "measurement binary": (overwrite(BINARY), ("woofer.txt:1: ", "plain text")),
    "frequencies out of order": (
        replace_row(9, "30 87 0"), ("woofer.txt:9: ", "must rise", "30 Hz after")),
    "not a number": (replace_row(9, "50.2377 nan 0"), ("woofer.txt:9: ", "nan")),
    "frequency below zero": (replace_row(1, "-20 87 0"), ("woofer.txt:1: ", "-20")),
    "one row": (overwrite(b"1000 87 0\n"), ("woofer.txt", "at least 3")),
    "text in a number": (replace_row(9, "50.2377 8x7 0"), ("woofer.txt:9: ", "8x7")),
    "wrong unit": (
        replace("from: 0.5 mH", "from: 0.5 uF"),
        ("design.yaml:12: ways.woofer.ladder[0].from: ", "in H is expected", "in F", "0.33 mH")),
    "unknown key": (
        replace("    impedance:", "    impedence:"),
        ("design.yaml:5: drivers.woofer.impedence: ", 'did you mean "impedance"?')),
    "tab in the design file": (
        replace("    impedance:", "\timpedance:"), ("design.yaml:5: ", "a tab", "spaces")),
    "key twice": (
        replace("    impedance:", "    response: x.txt\n    impedance:"),
        ("design.yaml:5: drivers.woofer.response: ", "once", "line 4")),
    "slot range reversed": (
        replace("from: 0.5 mH, to: 3.3 mH", "from: 3.3 mH, to: 0.5 mH"),
        ("design.yaml:12: ways.woofer.ladder[0].from: ", "3.3 mH .. 0.5 mH", "exchange")),
    "stock empty in a range": (
        replace("from: 0.5 mH, to: 3.3 mH", "from: 1.01 mH, to: 1.1 mH"),
        ("design.yaml:12: ways.woofer.ladder[0].from: ", "L1", "1 mH and 1.2 mH")),
    "two slots of one name": (
        replace("name: C1, shunt", "name: L1, shunt"),
        ("design.yaml:13: ways.woofer.ladder[1]: ", "share a name", "'L1'")),
    "driver without impedance": (
        replace("    impedance: woofer_z.txt\n", ""),
        ("design.yaml:3: drivers.woofer: ", "needs its impedance")),
    "impedance of zero": (
        replace_row(9, "50.2377 0 0", "woofer_z.txt"), ("woofer_z.txt:9: ", "above 0")),
    "goals that exclude everything": (
        replace("band: 100..15k", "band: 25k..40k"),
        ("design.yaml:19: goals.on_axis.band: ", "25000..40000 Hz", "widen")),
    "no goal with weight": (
        replace("band: 100..15k", "weight: 0"), ("design.yaml:18: goals: ", "weight")),
    "measurement is a folder": (
        replace("response: woofer.txt", "response: ."), ("folder",)),
    "folder that is a file": (
        replace("response: woofer.txt", "response: tweeter.txt/woofer.txt"),
        ("design.yaml:4: drivers.woofer.response: ", "must exist")),
    "name too long": (
        replace("response: woofer.txt", f"response: {'w' * 300}.txt"),
        ("design.yaml:4: drivers.woofer.response: ", "cannot be read")),
}  # fmt: skip

IN_SUBPROCESS = ("measurement missing", "tab in the design file", "not a number")


def list_files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its content."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run_program(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the program as a user does."""
    return subprocess.run(
        [sys.executable, "-m", "optimizer", *arguments],
        capture_output=True, text=True, timeout=300, check=False, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


def check_message(message: str, words: tuple[str, ...]) -> None:
    """One line for the user that says where, and what to do."""
    assert message.startswith("laddersmith: ")
    assert len(message.strip().splitlines()) == 1
    assert "Traceback" not in message
    for word in words:
        assert word in message
    assert "; " in message, "a remedy follows the rule"


def test_healthy_project_is_fitted(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The project that all damages start from gives a result, so each damage is the cause."""
    target = project.parent / "out.json"
    code = main(["fit", str(project), "--json", str(target), "--workers", "1"])
    assert (code, capsys.readouterr().err) == (0, "")
    assert target.is_file()


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_ends_in_one_message(
    name: str, project: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every damage ends in code 2, one message, nothing on standard output, nothing written."""
    damage, words = DAMAGES[name]
    damage(project)
    before = list_files(project.parent)
    code = main(["fit", str(project), "--json", str(project.parent / "out.json")])
    shown = capsys.readouterr()
    assert code == 2
    check_message(shown.err, words)
    assert shown.out == ""
    assert list_files(project.parent) == before


@pytest.mark.parametrize("name", IN_SUBPROCESS)
def test_damage_as_a_user_meets_it(name: str, project: Path) -> None:
    """The same in a process of its own."""
    damage, words = DAMAGES[name]
    damage(project)
    before = list_files(project.parent)
    done = run_program("fit", str(project), "--json", str(project.parent / "out.json"))
    assert done.returncode == 2
    check_message(done.stderr, words)
    assert done.stdout == ""
    assert list_files(project.parent) == before


def test_folder_that_may_not_be_read(
    project: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder without permission is reported as such, for the design and for a measurement.

    The refusal is simulated, because permissions do not stop the administrator account that
    tests may run under.
    """
    stat = Path.stat
    locked = project

    def locked_stat(path: Path, **options: bool) -> os.stat_result:
        if path == locked:
            raise PermissionError(13, "Permission denied", str(path))
        return stat(path, **options)

    monkeypatch.setattr(Path, "stat", locked_stat)
    assert main(["fit", str(project)]) == 2
    check_message(capsys.readouterr().err, ("design.yaml: ", "permission denied"))
    locked = project.parent / "woofer.txt"
    assert main(["fit", str(project)]) == 2
    check_message(capsys.readouterr().err, ("drivers.woofer.response: ", "permission denied"))


def test_output_folder_missing(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A result file in a folder that does not exist is refused before any work."""
    before = list_files(project.parent)
    target = project.parent / "nowhere" / "out.json"
    assert main(["fit", str(project), "--json", str(target)]) == 2
    check_message(capsys.readouterr().err, ("nowhere", "--json"))
    assert list_files(project.parent) == before


def test_hard_limit_that_nothing_meets(project: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Sound input whose hard limit no network can meet ends in code 3 and shows the miss."""
    # 6 and 8 ohm drivers cannot make a load of 50 ohm in their own bands
    replace("floor: 3 ohm", "floor: 50 ohm")(project)
    assert main(["fit", str(project), "--workers", "1"]) == 3
    shown = capsys.readouterr()
    check_message(shown.err, ("impedance", "nearest miss"))
    assert shown.out
