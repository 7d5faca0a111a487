"""Curves drawn as SVG: where points land, what is left out, and that it is valid XML."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from optimizer.report.curve_chart import ChartCurve, draw_curves

SVG = "{http://www.w3.org/2000/svg}"


def curve(name, frequency, height):
    return ChartCurve(
        name=name, frequency_hz=np.array(frequency, float), height=np.array(height, float)
    )


def read_points(svg):
    """Points of the first drawn curve: the first path with a line to another point."""
    for path in ElementTree.fromstring(svg).iter(f"{SVG}path"):
        if "L" in path.get("d"):
            return np.array(re.findall(r"([\d.]+) ([\d.]+)", path.get("d")), dtype=float)
    raise AssertionError("no curve")


def test_places_follow_log_frequency_and_level():
    """The geometric mean of the ends lies half-way across, the mean level half-way up."""
    points = read_points(draw_curves([curve("a", [20, 632.4555, 20000], [60, 70, 80])], unit="dB"))
    assert points[1] == pytest.approx(points[[0, 2]].mean(axis=0), abs=0.11)
    assert points[0, 1] > points[2, 1]  # louder is higher up


def test_logarithmic_heights():
    """On a logarithmic axis 8 ohm lies half-way between 4 and 16."""
    svg = draw_curves([curve("z", [20, 200, 2000], [4, 8, 16])], unit="ohm", logarithmic=True)
    points = read_points(svg)
    assert points[1, 1] == pytest.approx(points[[0, 2], 1].mean(), abs=0.11)


def test_what_is_below_the_frame_is_left_out():
    """Points further down than the span are not drawn."""
    svg = draw_curves([curve("a", [20, 200, 2000, 20000], [0, 78, 79, 78])], unit="dB", span=40)
    assert len(read_points(svg)) == 3


def test_names_are_escaped():
    """A name with markup stays a name, and every curve stands in the legend."""
    svg = draw_curves(
        [curve('<b>&"', [20, 2000], [1, 2]), curve("other", [20, 2000], [3, 4])], unit="dB"
    )
    texts = [node.text for node in ElementTree.fromstring(svg).iter(f"{SVG}text")]
    assert '<b>&"' in texts
    assert "other" in texts
