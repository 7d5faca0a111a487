"""Charts as vector graphics: read back from the drawing they are the data."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

import optimizer
from optimizer.report.charts.plot import (
    DB_PER_DECADE,
    Axis,
    Curve,
    Mark,
    Plot,
    Polar,
    Ray,
    Shade,
    Surface,
    frequency_axis,
    level_axis,
    linear_axis,
    ohm_axis,
    tall_of,
)
from optimizer.report.charts.sketch import sketch_plot
from optimizer.report.charts.svg import (
    INKS,
    LARGEST_TEXT,
    LEVEL_INKS,
    PLOT_WIDE,
    draw_plot,
    draw_plot_file,
    write_path,
)
from optimizer.text.quoting import PLAIN_LINES

SVG = "{http://www.w3.org/2000/svg}"
F = np.geomspace(15.0, 24000.0, 300)


def read_path(text: str) -> list[list[tuple[float, float]]]:
    """Points of every piece of a path of M and l."""
    pieces: list[list[tuple[float, float]]] = []
    for piece in text.replace("z", "").split("M")[1:]:
        first, *rest = piece.split("l")
        x, y = (float(v) for v in first.split(","))
        points = [(x, y)]
        numbers = re.findall(r"-?(?:\d+\.?\d*|\.\d+)", rest[0] if rest else "")
        for dx, dy in zip(numbers[::2], numbers[1::2], strict=True):
            x, y = x + float(dx), y + float(dy)
            points.append((x, y))
        pieces.append(points)
    return pieces


def curves_of(text: str) -> dict[str, list[list[tuple[float, float]]]]:
    root = ET.fromstring(text)
    found = {}
    for path in root.iter(f"{SVG}path"):
        if "data-curve" in path.attrib:
            found[path.attrib["data-curve"]] = read_path(path.attrib["d"])
    return found


def frame_of(text: str) -> tuple[float, float]:
    """Width and height of what the axes enclose."""
    inner = next(e for e in ET.fromstring(text).iter(f"{SVG}svg") if e.get("class") == "inner")
    return float(inner.attrib["width"]), float(inner.attrib["height"])


def response_plot(y: np.ndarray, **more: object) -> Plot:
    up = level_axis([y], 50.0)
    across = frequency_axis()
    given: dict[str, object] = {
        "key": "one",
        "title": "One",
        "text": "A text.",
        "across": across,
        "up": up,
        "tall": tall_of(up, across),
        "curves": (Curve(name="sum", x=F, y=y, role="sum"),),
    }
    return Plot(**(given | more))  # type: ignore[arg-type]


def test_curve_read_back_is_the_data():
    """Every point lies where frequency and level say, to a tenth of a unit of 480."""
    y = 80.0 + 6.0 * np.sin(np.log(F) * 3.0)
    text = draw_plot(response_plot(y))
    width, height = frame_of(text)
    (points,) = curves_of(text)["sum"]
    x_read, y_read = np.array(points).T
    assert len(points) == len(F)
    np.testing.assert_allclose(20.0 * 1000.0 ** (x_read / width), F, rtol=0.06 * 7 / width)
    top = 90.0
    np.testing.assert_allclose(top - y_read / height * 50.0, y, atol=0.06 * 50.0 / height)


@pytest.mark.parametrize("span_db", [30.0, 40.0, 50.0])
def test_a_decade_is_as_long_as_25_db(span_db: float):
    """Whatever the span, a slope of 20 dB per decade has one steepness on every chart."""
    up = level_axis([np.full(3, 80.0)], span_db)
    text = draw_plot(
        response_plot(np.full(len(F), 80.0), up=up, tall=tall_of(up, frequency_axis()))
    )
    width, height = frame_of(text)
    assert (height / span_db) * DB_PER_DECADE == pytest.approx(width / 3.0, abs=0.05)


def test_second_axis_and_ohms_are_read_back():
    """A curve of the right axis is placed by it; ohms double at equal distances."""
    phase = np.linspace(-60.0, 60.0, len(F))
    ohm = 4.0 * 2.0 ** np.linspace(0.0, 3.0, len(F))
    plot = response_plot(
        ohm,
        up=ohm_axis(4.0, 32.0),
        right=linear_axis("phase", "°", -90.0, 90.0, 30.0),
        tall=0.5,
        curves=(
            Curve(name="ohm", x=F, y=ohm, role="sum"),
            Curve(name="phase", x=F, y=phase, role="average 1", right=True),
        ),
    )
    text = draw_plot(plot)
    _, height = frame_of(text)
    read = {name: np.array(pieces[0])[:, 1] for name, pieces in curves_of(text).items()}
    np.testing.assert_allclose(
        4.0 * 2.0 ** (3.0 * (1.0 - read["ohm"] / height)), ohm, rtol=0.06 * 2.1 / height
    )
    np.testing.assert_allclose(
        90.0 - 180.0 * read["phase"] / height, phase, atol=0.06 * 180.0 / height
    )


def test_gaps_stay_gaps():
    """A value that is not known is not drawn across."""
    y = np.full(len(F), 80.0)
    y[100:120] = np.nan
    pieces = curves_of(draw_plot(response_plot(y)))["sum"]
    assert [len(p) for p in pieces] == [100, 180]


def test_curves_differ_on_grey_paper():
    """The dash of the model is that of the drawing."""
    y = np.full(len(F), 80.0)
    lines = tuple(
        Curve(name=f"c{k}", x=F, y=y - k, role=f"way {k + 1}", dash=d)
        for k, d in enumerate([(), (7, 4), (2, 3)])
    )
    text = draw_plot(response_plot(y, curves=lines))
    dashes = re.findall(r'data-curve="(c\d)"[^>]*?(?:stroke-dasharray="([^"]*)")? d=', text)
    assert dashes == [("c0", ""), ("c1", "7 4"), ("c2", "2 3")]


def test_names_are_escaped():
    """What a user calls a driver is text in the drawing."""
    line = Curve(name='<script>"&', x=F, y=np.full(len(F), 80.0), role="way 1")
    text = draw_plot_file(response_plot(np.full(len(F), 80.0), title="<b>", curves=(line,)))
    root = ET.fromstring(text)
    assert "<script>" not in text
    assert any(e.text == '<script>"&' for e in root.iter(f"{SVG}text"))
    assert next(root.iter(f"{SVG}title")).text == "<b>"


def test_contour_runs_where_the_surface_has_its_height():
    """Points of the -6 dB line read back from the drawing lie at -6 dB of a known beam."""
    angle = np.arange(-180.0, 181.0, 10.0)
    f = np.geomspace(20.0, 20000.0, 200)
    # Falls by 6 dB at 90 degrees at 1 kHz, and by as much nearer the axis above.
    level = -6.0 * np.abs(angle)[:, None] / 90.0 * (f / 1000.0) ** 0.5
    plot = Plot(
        key="m",
        title="m",
        text="m",
        across=frequency_axis(),
        up=linear_axis("angle", "°", -180.0, 180.0, 30.0),
        surface=Surface(
            x=f,
            y=angle,
            z=level,
            unit="dB",
            steps=(-12.0, -9.0, -6.0, -3.0),
            lines=((-3.0, ()), (-6.0, (5.0, 3.0))),
            doubted=np.abs(angle) > 90.0,
        ),
    )
    text = draw_plot(plot)
    width, height = frame_of(text)
    root = ET.fromstring(text)
    (line,) = [e for e in root.iter(f"{SVG}path") if e.get("data-level") == "-6"]
    points = np.array([p for piece in read_path(line.attrib["d"]) for p in piece])
    hz = 20.0 * 1000.0 ** (points[:, 0] / width)
    deg = 180.0 - 360.0 * points[:, 1] / height
    inside = np.abs(deg) > 10.0  # nearer the axis one row of angles is all there is
    off = -6.0 * np.abs(deg) / 90.0 * (hz / 1000.0) ** 0.5 + 6.0
    assert inside.sum() > 20
    assert np.abs(off[inside]).max() < 0.25
    said = [e.text for e in root.iter(f"{SVG}text")]
    assert "−3 dB" in said
    assert "−6 dB" in said
    assert "completed, not measured" in said
    assert text.count('class="line hatch"') == 2


def test_polar_read_back_is_the_data():
    """0 degrees is up, the rim is the top level, dots stand where it was measured."""
    angle = np.arange(-180.0, 181.0, 10.0)
    level = -20.0 * (1.0 - np.cos(np.radians(angle))) / 2.0
    told = np.isin(angle, [0.0, 30.0, 60.0])
    polar = Polar(
        key="p",
        title="p",
        text="p",
        rays=(Ray(name="1 kHz", angle_deg=angle, level_db=level, told=told, role="average 1"),),
    )
    text = draw_plot(polar)
    (points,) = curves_of(text)["1 kHz"]
    x, y = np.array(points).T
    x, y = x - 240.0, 186.0 - y
    far = np.hypot(x, y)
    np.testing.assert_allclose(-30.0 + 36.0 * far / 150.0, level[: len(far)], atol=0.05)
    turned = np.degrees(np.arctan2(x, y))
    np.testing.assert_allclose(np.cos(np.radians(turned - angle[: len(far)])), 1.0, atol=1e-3)
    assert text.count('class="f-way0"') == 3


def test_bands_are_closed_between_their_lines():
    """A band goes along the upper line and back along the lower one, in pieces where it has gaps."""
    y = np.full(len(F), 80.0)
    band = Shade(name="9 in 10 built", x=F, low=y - 2.0, high=y + 2.0)
    text = draw_plot(response_plot(y, bands=(band,)))
    _, height = frame_of(text)
    path = re.search(r'class="f-band" d="([^"]+)"', text)
    assert path is not None
    (points,) = read_path(path.group(1))
    heights = {round(y_read / height * 50.0, 1) for _, y_read in points}
    assert heights == {3.0, 7.0}


def test_path_skips_points_that_do_not_move():
    """Coordinates are written as steps of a tenth, without drift over many points."""
    x = np.linspace(0.0, 100.0, 3001)
    (points,) = read_path(write_path(x, np.sin(x)))
    assert points[-1][0] == pytest.approx(100.0, abs=1e-9)


def test_own_inks_are_those_of_the_page():
    """A file of its own and a page have one palette, light and dark."""
    folder = Path(optimizer.__file__).parent / "report" / "render" / "page"
    style = (folder / "graph.css").read_text(encoding="utf-8")
    for name, pair in INKS.items():
        found = re.findall(rf"--{name}: ([^;]+);", style)
        if name in ("paper", "ink", "soft"):
            continue
        assert found[0] == pair[0], name
        assert pair[1] in found, name
    script = (folder / "charts.js").read_text(encoding="utf-8")
    assert all(ink in script for ink in LEVEL_INKS)


def test_axes_have_their_labels():
    """Ends, steps and signs."""
    axis = linear_axis("level", "dB", -20.0, 10.0, 10.0)
    assert axis.labels == ("−20", "−10", "0", "10")
    assert isinstance(axis, Axis)
    across = frequency_axis()
    assert [t for t in across.labels if t] == [
        "20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k",
    ]  # fmt: skip
    assert ohm_axis(2.2, 30.0).labels == ("2", "4", "8", "16", "32")


@pytest.mark.parametrize("width", [60, 80, 100, 140])
def test_sketch_has_the_proportions_of_the_model(width: int):
    """25 dB are as high as a decade is long, within the half row by which steps are rounded.

    A character is taken as twice as high as wide.
    """
    y = np.full(len(F), 80.0)
    up = level_axis([y], 30.0)
    plot = response_plot(y, up=up, tall=tall_of(up, frequency_axis()))
    rows = ["".join(text for text, _ in row) for row in sketch_plot(plot, width=width)]
    axis = next(row for row in rows if "└" in row)
    first, last = axis.index("┴"), axis.rindex("┴")
    labelled = [k for k, row in enumerate(rows) if row[:7].strip(" dB").lstrip("−").isdigit()]
    per_step = (labelled[-1] - labelled[0]) / (len(labelled) - 1)
    wanted = 5.0 / DB_PER_DECADE * (last - first) / 3.0 / 2.0
    assert abs(per_step - wanted) <= 0.5 + 2.0 / width
    assert {row[:7].split()[0] for row in rows if row[:7].strip() and "dB" in row} == {"85"}


def test_sketches_can_be_printed_without_unicode():
    """Where an encoding lacks dots, lines, shades and signs, other characters stand in."""
    y = np.linspace(-20.0, 0.0, len(F))
    angle = np.arange(-180.0, 181.0, 30.0)
    surface = Surface(x=F, y=angle, z=np.tile(y, (13, 1)), unit="dB", steps=(-6.0, -3.0),
                      lines=(), doubted=np.abs(angle) > 90.0)  # fmt: skip
    load = response_plot(8.0 + 0.1 * y, up=ohm_axis(4.0, 32.0), tall=0.5,
                         right=linear_axis("phase", "phase, °", -90.0, 90.0, 30.0))  # fmt: skip
    over = response_plot(y, up=linear_axis("angle", "°", -180.0, 180.0, 30.0), surface=surface)
    ray = Ray(
        name="1 kHz", angle_deg=angle, level_db=-(angle**2) / 2e3, told=angle > 0.0, role="sum"
    )
    polar = Polar(key="p", title="p", text="p", rays=(ray,))
    for plot, width in ((load, 90), (over, 90), (polar, 90)):
        rows = ["".join(text for text, _ in row) for row in sketch_plot(plot, width=width)]
        assert max(map(len, rows)) <= width
        plain = "\n".join(rows).encode("ascii", PLAIN_LINES).decode("ascii")
        assert "?" not in plain
    said = "\n".join("".join(text for text, _ in row) for row in sketch_plot(load, width=90))
    assert "32 ohm" in said
    assert "90 deg" in said


def test_names_of_marks_stand_free():
    """Above the frame, apart from each other and from the unit of the right axis, at any size."""
    marks = tuple(Mark(name=f"{hz:g} Hz", at=hz) for hz in (25.0, 2900.0, 3100.0, 19500.0))
    plot = response_plot(
        np.full(len(F), 80.0),
        marks=marks,
        right=linear_axis("phase", "phase, °", -90.0, 90.0, 30.0),
    )
    root = ET.fromstring(draw_plot(plot))
    wide = 0.56 * LARGEST_TEXT
    spans = []
    for one in root.iter(f"{SVG}text"):
        said, x, y = one.text or "", float(one.attrib["x"]), float(one.attrib["y"])
        if said.endswith(" Hz") or said == "phase, °":
            left = x - wide * len(said) * {"middle": 0.5, "end": 1.0}[one.attrib["text-anchor"]]
            spans.append((y, left, left + wide * len(said)))
    assert len(spans) == 5
    for k, (y, left, right) in enumerate(spans):
        assert 0.0 <= left < right <= PLOT_WIDE
        for other_y, other_left, other_right in spans[:k]:
            assert y != other_y or right < other_left or other_right < left
