"""Page, build sheet, netlist and exports from the command line, files in and files out."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def run(laddersmith: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that runs a command and checks its exit code."""

    def run_checked(*arguments: Any, code: int = 0) -> Any:
        done = laddersmith(*arguments)
        assert done.returncode == code, done.stdout + done.stderr
        return done

    return run_checked


@pytest.fixture(scope="module")
def demo(fitted_demo: Path) -> Path:
    """A folder on which the whole demo was run."""
    return fitted_demo


@pytest.fixture(scope="module")
def results(demo: Path) -> dict[str, Any]:
    return dict(json.loads((demo / "results.json").read_text(encoding="utf-8")))


def test_demo_does_the_whole_job(demo: Path, results: dict[str, Any]) -> None:
    """The demo leaves results, a page of the same networks and the best one's build sheet."""
    page = (demo / "page.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="data">(.*?)</script>', page)[1])
    listed = [entry["result"] for entry in data["candidates"]]
    assert listed == results["candidates"]
    sheet = (demo / "build-sheet.html").read_text(encoding="utf-8")
    assert "Build sheet: " in sheet
    for way in results["candidates"][0]["ways"].values():
        for slot in way["slots"]:
            assert f">{slot['reference']}<" in sheet


def test_page_of_a_fit(run: Callable[..., Any], demo: Path, tmp_path: Path) -> None:
    """`fit --page` writes a page and says so; an impossible place is refused before any search."""
    done = run(
        "fit", demo / "design.yaml", "--seconds", 2, "--top", 2, "--page", tmp_path / "p.html"
    )
    assert "p.html" in done.stdout
    assert (tmp_path / "p.html").stat().st_size < 3_000_000
    done = run("fit", demo / "design.yaml", "--page", tmp_path / "none" / "p.html", code=2)
    assert "--page" in done.stderr
    assert done.stderr.count("\n") == 1


def test_page_of_a_check(
    run: Callable[..., Any], demo: Path, results: dict[str, Any], tmp_path: Path
) -> None:
    """`check --page` shows the network and those it is set against, numbered in order."""
    run(
        "check",
        demo / "design.yaml",
        f"{demo}/results.json#2",
        "--against",
        f"{demo}/results.json#1",
        "--page",
        tmp_path / "p.html",
    )
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="data">(.*?)</script>', page)[1])
    costs = [entry["result"]["cost"] for entry in data["candidates"]]
    assert costs == pytest.approx([c["cost"] for c in results["candidates"][1::-1]], rel=1e-4)


def test_sheet_is_printed_or_written(
    run: Callable[..., Any], demo: Path, results: dict[str, Any], tmp_path: Path
) -> None:
    """The sheet is printed as Markdown, or written with everything else that is asked for."""
    printed = run("sheet", demo / "design.yaml", f"{demo}/results.json#1").stdout
    assert printed.startswith("# Build sheet: ")
    files = {
        key: tmp_path / name
        for key, name in (
            ("markdown", "s.md"),
            ("html", "s.html"),
            ("schematic", "s.svg"),
            ("parts", "p.csv"),
            ("curves", "c.csv"),
        )
    }
    done = run(
        "sheet",
        demo / "design.yaml",
        f"{demo}/results.json#1",
        "--columns",
        tmp_path / "columns",
        "--amplifier",
        "100 W",
        "--rated",
        "4 ohm",
        "--speakers",
        1,
        *(v for key, file in files.items() for v in (f"--{key}", file)),
    )
    assert all(file.stat().st_size > 200 for file in files.values())
    assert "Written" in done.stdout
    markdown = files["markdown"].read_text(encoding="utf-8")
    assert "100 W into 4 ohm (20.0 V)" in markdown
    assert "for one speaker" in markdown
    count = sum(len(way["slots"]) for way in results["candidates"][0]["ways"].values())
    rows = files["parts"].read_text(encoding="utf-8").splitlines()
    pieces = sum(int(line.split(",")[2]) for line in rows[1:])
    assert pieces >= count
    assert {file.name for file in (tmp_path / "columns").iterdir()} >= {
        "on_axis.txt",
        "impedance.txt",
    }


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--amplifier", "loud"), "power"),
        (("--amplifier", "0 W"), "above 0"),
        (("--rated", "8 V"), "resistance"),
        (("--speakers", "0"), "whole number"),
        (("--html", "/nowhere/at/all.html"), "--html"),
    ],
)
def test_sheet_refuses_nonsense(
    run: Callable[..., Any], demo: Path, more: tuple[str, str], words: str
) -> None:
    """A wrong unit, a count of none or a missing folder is one message and exit code 2."""
    done = run("sheet", demo / "design.yaml", f"{demo}/results.json#1", *more, code=2)
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout == ""


def test_sheet_of_no_such_network(run: Callable[..., Any], demo: Path) -> None:
    """A candidate that is not there is refused by name."""
    done = run("sheet", demo / "design.yaml", f"{demo}/results.json#99", code=2)
    assert "99" in done.stderr


@pytest.mark.ngspice
def test_netlist_runs_unchanged_and_gives_the_curves(
    run: Callable[..., Any], demo: Path, results: dict[str, Any], ngspice: str, tmp_path: Path
) -> None:
    """The netlist as written runs in ngspice; drive and impedance are those of the results."""
    run(
        "netlist",
        demo / "design.yaml",
        f"{demo}/results.json#1",
        "--output",
        tmp_path / "net.cir",
        "--curves",
        "curves.txt",
    )
    # Without a raw file to write, batch mode ends in 1 when a text has no line to print.
    done = subprocess.run(
        [ngspice, "-b", "-r", "net.raw", "net.cir"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    rows = (tmp_path / "curves.txt").read_text(encoding="utf-8").split("\n")
    names = rows[0].split()
    table = np.array([[float(v) for v in row.split()] for row in rows[1:] if row.strip()])
    simulated = dict(zip(names, table.T, strict=True))
    curves = results["candidates"][0]["curves"]
    x = np.log(curves["frequency_hz"])

    def read(values: list[float]) -> np.ndarray:
        """Between the grid's points a peak is rounder than two straight lines."""
        return np.asarray(CubicSpline(x, values)(at))

    at = np.log(simulated["frequency"])
    # Two limits: the circuits fitted to the drivers (their worst error stands in the netlist)
    # and interpolation between the grid's points.
    text = (tmp_path / "net.cir").read_text(encoding="utf-8")
    fitted = max(float(e) for e in re.findall(r"worst error ([\d.]+) %", text)) / 100.0
    ohm = read(curves["impedance_ohm"])
    np.testing.assert_allclose(simulated["impedance_ohm"], ohm, rtol=fitted + 0.01)
    phase = read(curves["impedance_phase_deg"])
    np.testing.assert_allclose(simulated["impedance_phase_deg"], phase, atol=60 * fitted + 1.5)
    for way, drive in curves["drive_db"].items():
        level = read(drive)
        heard = level > -40.0
        np.testing.assert_allclose(
            simulated[f"drive_db_{way}"][heard], level[heard], atol=9.0 * fitted + 0.15
        )


def test_netlist_is_printed(run: Callable[..., Any], demo: Path) -> None:
    """Without a file the netlist goes to standard output, and nothing else does."""
    done = run("netlist", demo / "design.yaml", f"{demo}/results.json#1")
    assert done.stdout.rstrip().endswith(".end")
    assert ".ac dec" in done.stdout
    assert done.stderr == ""
