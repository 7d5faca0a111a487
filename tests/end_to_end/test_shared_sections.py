"""Sections that ways share, ways in series, a source that is not ideal: through every command.

Judges: ngspice runs the netlist that the tool writes, unchanged; its levels are held against the
tool's own curves. Faults are planted by editing the network file.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.conftest import THOROUGH, cases

ENDS = "search: {seconds: 15, seed: 1}\n"
SHARED = {
    "a resistor in front of two ways": (
        "shared: {top: {feeds: [midrange, tweeter], ladder: "
        "[{name: R0, series: resistor, from: 0.47 ohm, to: 2.2 ohm}]}}"
    ),
    "a resistor for the whole speaker": (
        "shared: {speaker: {ladder: [{name: R0, series: resistor, keep: 1 ohm}]}}"
    ),
    "a valve amplifier": "amplifier: {output: 2.5 ohm, cable: 0.1 ohm}",
    "ways in series": "shared: {high: {feeds: [midrange, tweeter], joined: series}}",
}


@pytest.fixture(scope="module", params=cases(SHARED, routine=1))
def fitted(request, make_bench) -> Path:
    """Folder with a fitted design of this kind."""
    return make_bench((ENDS, f"{ENDS}{SHARED[request.param]}\n")).folder


def run(laddersmith: Callable, folder: Path, verb: str, *rest: object) -> str:
    done = laddersmith(verb, folder / "design.yaml", *rest)
    assert done.returncode == 0, done.stderr
    return str(done.stdout)


def change_capacitor(laddersmith: Callable, folder: Path) -> Path:
    """Network file of the best network with another capacitor, whatever that does to the sound."""
    saved = folder / "changed.yaml"
    if not saved.exists():
        done = laddersmith(
            "voice", folder / "design.yaml", f"{folder / 'r.json'}#1",
            "--use", "tweeter.C1 4.7 uF", "--accept", 0, "--save", saved,
        )  # fmt: skip
        assert done.returncode in (0, 3), done.stderr
    return saved


def test_check_repeats_the_cost_of_the_fit(fitted, laddersmith):
    """Through the network of the results and through a network file written by hand from it."""
    results = json.loads((fitted / "r.json").read_text(encoding="utf-8"))
    out, page = fitted / "check.json", fitted / "check.html"
    text = run(
        laddersmith, fitted, "check", f"{fitted / 'r.json'}#1", "--json", out, "--page", page
    )
    for name, section in results["candidates"][0].get("shared", {}).items():
        said = "in series with" if section["joined"] == "series" else name
        assert said in text
        assert said in page.read_text(encoding="utf-8")
    checked = json.loads(out.read_text(encoding="utf-8"))
    cost = results["candidates"][0]["cost"]
    assert checked["candidate"]["cost"] == pytest.approx(cost, rel=1e-6)


def test_voice_saves_a_network_that_check_reads(fitted, laddersmith):
    """What is changed by hand is saved with the shared sections, and costs what voice says."""
    saved = change_capacitor(laddersmith, fitted)
    out = fitted / "changed.json"
    run(laddersmith, fitted, "check", saved, "--json", out)
    before = json.loads((fitted / "r.json").read_text(encoding="utf-8"))["candidates"][0]
    after = json.loads(out.read_text(encoding="utf-8"))["candidate"]
    assert after.get("shared", {}).keys() == before.get("shared", {}).keys()
    for name, section in before.get("shared", {}).items():
        values = [part["value"] for part in section["slots"]]
        assert [part["value"] for part in after["shared"][name]["slots"]] == values
    (part,) = [p for p in after["ways"]["tweeter"]["slots"] if p["name"] == "C1"]
    assert part["value"] == 4.7e-6


def run_deck(ngspice: str, folder: Path, deck: str) -> tuple[list[float], list[list[float]]]:
    """Frequencies and printed columns, in their order, of a deck run as it is."""
    (folder / "network.cir").write_text(deck, encoding="utf-8")
    done = subprocess.run(
        [ngspice, "-b", "network.cir"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    columns: dict[str, dict[float, float]] = {}
    heads: list[str] = []
    for line in done.stdout.splitlines():
        words = line.replace(", ", ",").split()
        if words[:2] == ["Index", "frequency"]:
            heads = words[2:]
        elif heads and words and words[0].isdigit():
            for head, value in zip(heads, words[2:], strict=False):
                columns.setdefault(head, {})[float(words[1])] = float(value.rstrip(","))
    levels = [list(c.values()) for head, c in columns.items() if "db(" in head]
    return list(next(iter(columns.values()))), levels


@pytest.mark.ngspice
def test_netlist_runs_and_gives_the_curves(fitted, laddersmith, ngspice):
    """Levels of all drivers by ngspice within 0.02 dB of the drive that the results list."""
    network = json.loads((fitted / "r.json").read_text(encoding="utf-8"))["candidates"][0]
    curves = network["curves"]
    deck = run(laddersmith, fitted, "netlist", f"{fitted / 'r.json'}#1")
    # A finer sweep than the deck's own, so that nothing is lost by reading between its points.
    deck = re.sub(r"^\.ac dec .*$", ".ac dec 400 20 20000", deck, flags=re.MULTILINE)
    grid = np.array(curves["frequency_hz"])
    frequency, levels = run_deck(ngspice, fitted, deck)
    assert len(levels) == len(curves["drive_db"])
    for found, wanted in zip(levels, curves["drive_db"].values(), strict=True):
        at_grid = np.interp(np.log(grid), np.log(frequency), found)
        loud = np.array(wanted) > -40.0  # the drivers' fitted circuits are no better below
        # A driver circuit is fitted to 0.2 % of the measured impedance.
        assert np.max(np.abs(at_grid - np.array(wanted))[loud]) < 0.05


def test_sheet_says_where_everything_begins(fitted, laddersmith):
    """Every point of the wiring list joins at least two things, and every piece is listed."""
    text = run(laddersmith, fitted, "sheet", f"{fitted / 'r.json'}#1")
    points = text.partition("everything soldered to it")[2].partition("##")[0]
    rows = [line.split("|")[1:3] for line in points.splitlines() if line.startswith("| ")]
    assert len(rows) > 5
    for point, things in rows:
        assert "," in things, point
    network = json.loads((fitted / "r.json").read_text(encoding="utf-8"))["candidates"][0]
    ladders = {**network["ways"], **network.get("shared", {})}
    for ladder in ladders.values():
        for part in ladder["slots"]:
            assert re.search(rf"\b{part['reference']}\b", points)


@THOROUGH
def test_verify_tells_a_healthy_speaker_from_one_with_a_turned_way(fitted, laddersmith):
    """The curve of the network itself is healthy; that of the same with a way turned is named."""
    turned = change_capacitor(laddersmith, fitted)
    head, tail = turned.read_text(encoding="utf-8").split("  tweeter:\n")
    other = {"normal": "inverted", "inverted": "normal"}
    was = tail.split()[1]
    crossed = fitted / "crossed.yaml"
    crossed.write_text(f"{head}  tweeter:\n{tail.replace(was, other[was], 1)}", encoding="utf-8")
    for made, code, says in ((turned, 0, "PASS: nothing"), (crossed, 4, "wrong way round")):
        columns = fitted / f"columns-{made.stem}"
        if not columns.exists():
            run(laddersmith, fitted, "sheet", made, "--columns", columns)
        done = laddersmith("verify", fitted / "design.yaml", turned, columns / "on_axis.txt")
        assert done.returncode == code, done.stdout + done.stderr
        assert says in " ".join(done.stdout.split()), done.stdout + done.stderr
