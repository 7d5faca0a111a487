"""Charts as a user gets them: read back from drawings they are the curves of `check --json`."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.unit.test_charts import curves_of, frame_of

PEN = 0.06
"""Half of the tenth of a unit in which points are written, and a little for adding up steps."""

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def drawn(
    laddersmith: Callable[..., Any], fitted_demo: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, str], dict[str, Any], str]:
    """The drawings by name, the curves of the same network as JSON, and a page of both networks."""
    folder = tmp_path_factory.mktemp("charts")
    asked = (fitted_demo / "design.yaml", f"{fitted_demo}/results.json#1")
    done = laddersmith("sheet", *asked, "--charts", folder / "svg")
    assert done.returncode == 0, done.stderr
    files = {one.stem: one.read_text(encoding="utf-8") for one in (folder / "svg").iterdir()
             if one.suffix == ".svg"}  # fmt: skip
    done = laddersmith(
        "check", *asked, "--against", f"{fitted_demo}/results.json#2",
        "--json", folder / "c.json", "--page", folder / "c.html",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    curves = json.loads((folder / "c.json").read_text(encoding="utf-8"))["candidate"]["curves"]
    return files, curves, (folder / "c.html").read_text(encoding="utf-8")


def labels_upwards(text: str, left: bool) -> tuple[float, float, float, float]:
    """Two labels of an upward axis as (place, number) each, as an eye reads them."""
    frame = next(e for e in ET.fromstring(text).iter(f"{SVG}svg") if e.get("class") == "inner")
    x0, y0 = float(frame.attrib["x"]), float(frame.attrib["y"])
    x1, y1 = x0 + float(frame.attrib["width"]), y0 + float(frame.attrib["height"])
    found = []
    for one in ET.fromstring(text).iter(f"{SVG}text"):
        x, y, said = float(one.attrib["x"]), float(one.attrib["y"]), (one.text or "")
        beside = x < x0 if left else x > x1
        if beside and y0 <= y <= y1 + 5.0 and re.fullmatch(r"−?[\d.]+", said):
            found.append((y - 4.0 - y0, float(said.replace("−", "-"))))
    return (*found[0], *found[-1])


def read_curve(text: str, name: str, *, left: bool = True, octaves: bool = False) -> np.ndarray:
    """Frequencies and heights of a curve, by the labels of its axes alone."""
    width, _ = frame_of(text)
    points = np.array([p for piece in curves_of(text)[name] for p in piece])
    low_at, low, high_at, high = labels_upwards(text, left)
    if octaves:
        low, high = np.log2(low), np.log2(high)
    height = low + (points[:, 1] - low_at) * (high - low) / (high_at - low_at)
    pen = abs((high - low) / (high_at - low_at)) * 2.0 * PEN  # that of the labels comes on top
    return np.stack([20.0 * 1000.0 ** (points[:, 0] / width), height, np.full(len(points), pen)])


def agrees(read: np.ndarray, frequency_hz: Any, values: Any) -> None:
    """Every point read lies on the curve, within the pen; what left the axes is cut off there."""
    hz, height, pen = read
    assert len(hz) > 50
    nearest = np.argmin(np.abs(np.log(hz[:, None] / np.array(frequency_hz))), axis=1)
    np.testing.assert_allclose(hz, np.array(frequency_hz)[nearest], rtol=2e-3)
    off = np.abs(height - np.array(values)[nearest])
    assert (off <= pen + 1e-3).all(), off.max()


def test_levels_are_those_of_the_json(drawn: tuple[dict[str, str], dict[str, Any], str]) -> None:
    """Sum, averages and both indices."""
    files, curves, _ = drawn
    f = curves["frequency_hz"]
    agrees(read_curve(files["response"], "sum"), f, curves["on_axis_db"])
    agrees(read_curve(files["averages"], "on axis"), f, curves["on_axis_db"])
    for key, said in (
        ("listening_window", "listening window"),
        ("early_reflections", "early reflections"),
        ("sound_power", "sound power"),
    ):
        agrees(read_curve(files["averages"], said), f, curves[f"{key}_db"])
    for key, said in (
        ("directivity_index", "index of sound power"),
        ("early_reflections_index", "index of early reflections"),
    ):
        agrees(read_curve(files["averages"], said, left=False), f, curves[f"{key}_db"])


def test_load_is_that_of_the_json(drawn: tuple[dict[str, str], dict[str, Any], str]) -> None:
    """Modulus in octaves on the left axis, phase in degrees on the right one."""
    files, curves, _ = drawn
    f, load = curves["frequency_hz"], files["load"]
    agrees(read_curve(load, "impedance", octaves=True), f, np.log2(curves["impedance_ohm"]))
    agrees(read_curve(load, "phase", left=False), f, curves["impedance_phase_deg"])


def test_a_page_has_every_chart_of_each_network(
    drawn: tuple[dict[str, str], dict[str, Any], str],
) -> None:
    """They are folded, one set for each network, and those of the first are the files."""
    files, _, page = drawn
    blocks = re.findall(r'<details class="more"><summary>All charts of .*?</details>', page, re.S)
    assert len(blocks) == 2
    for block in blocks:
        keys = re.findall(r'class="graph" data-plot="([^"]+)"', block)
        assert set(keys) == set(files)
        assert len(keys) == len(files) >= 14
    line = re.search(r'data-curve="sum"[^>]* d="([^"]+)"', files["response"])
    assert line is not None
    assert line.group(1) in blocks[0]
    assert line.group(1) not in blocks[1]
    assert "no direction was measured there: curves off the axis, left." in blocks[0]


def test_charts_that_were_asked_for(
    laddersmith: Callable[..., Any], fitted_demo: Path, tmp_path: Path
) -> None:
    """`check --charts` draws each of them once, says what is missing, and folds none on a page."""
    asked = ("check", fitted_demo / "design.yaml", f"{fitted_demo}/results.json#1")
    page = tmp_path / "p.html"
    brief, whole = (
        laddersmith(*asked, *more).stdout for more in ((), ("--charts", "--page", page))
    )
    open_page = page.read_text(encoding="utf-8")
    assert '<svg xmlns="http://www.w3.org/2000/svg" class="graph"' in open_page
    assert "All charts of" not in open_page
    for title in ("Response on the axis", "Impedance, its phase, and EPDR"):
        assert brief.count(title) == whole.count(title) == 1
    for title in ("Averages over directions", "Polar, vertical", "Group delay", "Step response"):
        assert title not in brief
        assert whole.count(title) == 1
    assert "Not drawn, since no direction was measured there" in whole
