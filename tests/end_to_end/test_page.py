"""The page of candidates in a real browser: numbers, toggles, keyboard, phone, dark, paper."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from optimizer.bench.check import check_network, compare_networks
from optimizer.bench.verify.measured import load_measured
from optimizer.bench.verify.verifying import verify_speaker
from optimizer.bench.voice.voicing import voice_network
from optimizer.bench.voice.wish_goals import MoveLimits
from optimizer.bench.voice.wishes import parse_wish, read_words
from optimizer.measure.survey.nouns import Survey
from optimizer.network.network import FittedSlot, FittedWay, Network
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.certificate import Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.report.curve_files import write_columns
from optimizer.report.documents.check import document_check
from optimizer.report.documents.fit import document_fit, result_to_json
from optimizer.report.documents.trade import document_trade, say_step
from optimizer.report.documents.verify import document_verify
from optimizer.report.documents.voice import document_voice
from optimizer.report.render.html import render_html
from optimizer.search.trade.result import TradePoint, TradeResult
from optimizer.testing import fitted as slot
from optimizer.testing import part
from tests.conftest import cases

DIGITS = {"axis": 1, "room": 1, "index": 1, "ohms": 2, "phase": 0, "drive": 1, "null": 1}


def make_network(k: int) -> Network:
    """Five networks that differ in values, polarity, joined pieces and origin."""
    scale = 0.8 + 0.12 * k
    joined: dict[str, Any] = (
        {} if k % 2 else {"pieces": (4e-6 * scale, 2.8e-6 * scale), "joined": "parallel"}
    )
    return Network(
        ways=(
            FittedWay(
                name="woofer",
                driver="woofer",
                polarity=1,
                slots=(
                    slot(
                        "L1",
                        "series",
                        "inductor",
                        part("inductor", 6.8e-3 * scale, 1.4, origin="kept"),
                    ),
                    slot(
                        "Z1", "shunt", "equaliser", part("resistor", 4.7), part("capacitor", 33e-6)
                    ),
                ),
            ),
            FittedWay(
                name="midrange",
                driver="midrange",
                polarity=-1 if k < 3 else 1,
                slots=(
                    slot("C1", "series", "capacitor", part("capacitor", 5.6e-5 * scale, 0.01)),
                    slot("L1", "shunt", "inductor", part("inductor", 6.8e-3, 1.5)),
                    slot("L2", "series", "inductor", part("inductor", 8.2e-4, 0.4, price=7.5)),
                    slot(
                        "N1",
                        "shunt",
                        "notch",
                        part("inductor", 1.5e-4, 0.2),
                        part("capacitor", 4.7e-6),
                        part("resistor", 6.8),
                    ),
                    slot(
                        "P1",
                        "series",
                        "pad",
                        part("resistor", 4.7, rating=5.0),
                        part("resistor", 8.2),
                    ),
                ),
            ),
            FittedWay(
                name="tweeter",
                driver="tweeter",
                polarity=-1,
                slots=(
                    slot(
                        "C1",
                        "series",
                        "capacitor",
                        part("capacitor", 6.8e-6 * scale, 0.02, **joined),
                    ),
                    slot("L1", "shunt", "inductor", part("inductor", 2.7e-4, 0.2)),
                    slot(
                        "T1",
                        "series",
                        "trap",
                        part("inductor", 1e-4, 0.1),
                        part("capacitor", 2.2e-6),
                        part("resistor", 10.0),
                    ),
                    slot("P1", "series", "pad", part("resistor", 3.3), part("resistor", 2.2)),
                ),
            ),
        )
    )


@pytest.fixture(scope="module")
def problem(coarse_demo_problem: Problem) -> Problem:
    return coarse_demo_problem


@pytest.fixture(scope="module")
def result(problem: Problem) -> SearchResult:
    return SearchResult(
        candidates=tuple(
            build_candidate(
                problem,
                make_network(k),
                rank=k + 1,
                certificate=Certificate.of_search(2),
                relaxed_cost=0.5,
            )
            for k in range(5)
        ),
        stopped="converged",
        seconds=4.2,
        evaluations=123456,
        seed=7,
    )


@pytest.fixture(scope="module")
def listed(problem: Problem, result: SearchResult) -> list[dict[str, Any]]:
    """The candidates as results JSON lists them."""
    text = json.dumps(
        result_to_json(
            replace(result, candidates=tuple(replace(c, feasible=True) for c in result.candidates)),
            problem,
            "design.yaml",
        )
    )
    return list(json.loads(text)["candidates"])


@pytest.fixture(scope="module")
def page(problem: Problem, result: SearchResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "page.html"
    file.write_text(render_html(document_fit(problem, result, "design.yaml")), encoding="utf-8")
    return file


@pytest.fixture(scope="module", params=[False, True], ids=["light", "dark"])
def dark(request: pytest.FixtureRequest) -> bool:
    """Whether colours are dark; of the module, so that each of both is opened once."""
    return bool(request.param)


NOTE_CONTROLS = """window.noted ??= { at: state.at, shown: state.shown,
    chosen: [...document.querySelectorAll('select')].map(s => [s, s.value]),
    boxes: [...document.querySelectorAll('details')].map(d => [d, d.open]) }; 0"""
PUT_BACK = """(() => {
    document.querySelector(`#picks input[value="${noted.shown}"]`).click();
    for (const [select, value] of noted.chosen) if (select.value !== value) {
        select.value = value; select.dispatchEvent(new Event('change'));
    }
    for (const [box, open] of noted.boxes) box.open = open;
    setCursor(noted.at);
    scrollTo(0, 0);
})()"""


@pytest.fixture
def opened(browser: Any, page: Path) -> Iterator[Any]:
    """The page at a desk; what a test chose on it is put back afterwards, by the same controls."""
    browser.show(page)
    browser.run(NOTE_CONTROLS)
    yield browser
    browser.run(PUT_BACK)


def render_networks(problem: Problem, *candidates: Candidate) -> str:
    """The page of a fit that found these candidates."""
    found = SearchResult(
        candidates=candidates, stopped="converged", seconds=1.0, evaluations=1, seed=1
    )
    return render_html(document_fit(problem, found, "design.yaml"))


def box_of(browser: Any, chart: str) -> dict[str, float]:
    """Where the inner frame of a chart lies in the window, after scrolling to it."""
    browser.run(f"document.getElementById('{chart}').scrollIntoView({{block: 'center'}})")
    found: dict[str, float] = browser.run(f"""(() => {{
        const plot = plots.find(p => p.figure.id === '{chart}');
        const host = plot.host.getBoundingClientRect(), f = plot.view.frame.bbox;
        return {{left: host.left + f.x0, right: host.left + f.x1,
                 top: host.top + f.y0, bottom: host.top + f.y1}};
    }})()""")
    return found


def shown_values(browser: Any, chart: str) -> dict[str, str]:
    """What the readings beside a chart say, by series."""
    values: dict[str, str] = browser.run(f"""Object.fromEntries([...document.querySelectorAll(
        '#{chart} output')].map(o => [o.dataset.value, o.textContent]))""")
    return values


def wanted_values(curves: dict[str, Any], chart: str) -> dict[str, list[float | None]]:
    """Curves of a chart by series, from the results."""
    ways = curves["ways_db"]
    return {
        "axis": {
            "on_axis": curves["on_axis_db"],
            "target": curves["target_db"],
            **{f"way {w}": v for w, v in ways.items()},
        },
        "room": {
            n: curves[f"{n}_db"]
            for n in ("listening_window", "early_reflections", "sound_power", "in_room")
        },
        "index": {n: curves[f"{n}_db"] for n in ("directivity_index", "early_reflections_index")},
        "ohms": {"impedance": curves["impedance_ohm"]},
        "phase": {"impedance_phase": curves["impedance_phase_deg"]},
        "drive": {f"drive {w}": v for w, v in curves["drive_db"].items()},
        "null": {f"inverted {k}": p["inverted_db"] for k, p in enumerate(curves["pairs"].values())},
        "tracking": {f"phase {k}": p["phase_deg"] for k, p in enumerate(curves["pairs"].values())},
    }[chart]


OVERLAPS = """(() => {
  const boxes = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, parent = node.parentElement;
    if (!node.textContent.trim()) continue;
    if (parent.closest('script, noscript, desc, title, .bar, option')) continue;
    if (parent.checkVisibility && !parent.checkVisibility()) continue;
    const range = document.createRange(); range.selectNodeContents(node);
    const frame = parent.closest('.scroll');
    const end = frame ? frame.getBoundingClientRect().right : innerWidth;
    for (const r of range.getClientRects()) {
      if (r.width < 2 || r.left >= Math.min(end, innerWidth)) continue;
      const trim = 0.2 * r.height;
      boxes.push([r.left, r.top + scrollY + trim, r.right, r.bottom + scrollY - trim,
                  node.textContent.trim().slice(0, 40)]);
    }
  }
  boxes.sort((a, b) => a[1] - b[1]);
  const found = [];
  for (let i = 0; i < boxes.length; i++)
    for (let j = i + 1; j < boxes.length && boxes[j][1] < boxes[i][3]; j++)
      if (boxes[i][0] < boxes[j][2] - 1 && boxes[j][0] < boxes[i][2] - 1
          && boxes[i][4] !== boxes[j][4])
        found.push([boxes[i][4], boxes[j][4]]);
  return found;
})()"""

CLIPPED = """[...document.querySelectorAll('body *')].filter(e => {
  if (e.closest('.scroll, .drawing, svg, .plot, select, .skip, .bar')) return false;
  if (!e.offsetParent) return false;
  return e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== 'inline';
}).map(e => e.outerHTML.slice(0, 80))"""


def test_drawings_are_moved_over_on_a_phone(browser: Any, page: Path) -> None:
    """On a phone the drawing keeps its size, its box scrolls to either end, and the page does not."""
    browser.show(page, width=390)
    size, left, right, wide = browser.run("""(() => {
      const box = [...document.querySelectorAll('.drawing')].find(e => e.checkVisibility());
      const s = box.querySelector('svg');
      const at = (x) => { box.scrollLeft = x; return s.getBoundingClientRect(); };
      const near = at(0), far = at(1e4), frame = box.getBoundingClientRect();
      return [near.width / s.viewBox.baseVal.width, near.left - frame.left, far.right - frame.right,
        document.documentElement.scrollWidth]; })()""")
    assert size == pytest.approx(1.0, abs=0.01)
    assert left >= 0.0
    assert right <= 1.0
    assert wide <= 390


@pytest.mark.parametrize("width", [390, 768, 1280])
def test_nothing_overlaps_or_is_clipped(browser: Any, page: Path, width: int) -> None:
    """At a desk, on a tablet and on a phone no text covers another and none is cut off."""
    if width == 768:
        browser.resize(768, 900)  # a window made wider than the phone was
        browser.wait("innerWidth === 768")
    else:
        browser.show(page, width=width)
    assert browser.run("document.documentElement.scrollWidth") <= width
    assert browser.run(OVERLAPS) == []
    assert browser.run(CLIPPED) == []


def test_a_wide_screen_has_everything_at_once(browser: Any, page: Path) -> None:
    """At 1440 x 900 networks, curve, verdicts and schematic are there without scrolling."""
    browser.show(page, width=1440, height=900)
    shown = "#drawn .net.shown"
    for one in ("#which .compare thead", "#curve .plot", f"{shown} svg", f"{shown} .findings td"):
        box = browser.run(f"document.querySelector('{one}').getBoundingClientRect().toJSON()")
        assert box["top"] > 0, one
        assert box["bottom"] <= 900, one
        assert box["height"] > 15, one
        assert box["right"] <= 1440, one
    beside = "document.querySelector('{}').getBoundingClientRect().{}"
    assert browser.run(beside.format("#which", "right")) < browser.run(
        beside.format("#curve", "left")
    )
    assert browser.run("document.documentElement.scrollWidth") <= 1440


def test_console_is_quiet_and_nothing_is_fetched(browser: Any, page: Path) -> None:
    """The page opens from a file without an error, a warning or a request to anywhere."""
    browser.show(page)
    browser.run("scrollTo(0, document.body.scrollHeight)")
    assert browser.complaints() == []


def test_page_is_small(page: Path) -> None:
    """Five candidates with everything fit into 3 MB."""
    assert page.stat().st_size < 3_000_000


@pytest.mark.parametrize(
    "chart",
    cases(["axis", "ohms", "tracking", "room", "index", "phase", "drive", "null"], routine=3),
)
def test_hover_shows_the_numbers_of_the_results(
    opened: Any, listed: list[dict[str, Any]], chart: str
) -> None:
    """Over a chart every curve is read at the nearest frequency, and equals the results."""
    curves = listed[0]["curves"]
    box = box_of(opened, chart)
    frequency = np.array(curves["frequency_hz"])
    for share in (0.13, 0.4, 0.72, 0.97):
        x = box["left"] + share * (box["right"] - box["left"])
        opened.move(x, 0.5 * (box["top"] + box["bottom"]))
        at = int(opened.run("state.at"))
        hz = frequency[0] * (frequency[-1] / frequency[0]) ** share
        assert abs(np.log(frequency[at] / hz)) < np.log(frequency[1] / frequency[0])
        said = shown_values(opened, chart)
        for key, values in wanted_values(curves, chart).items():
            if values[at] is None:
                assert said[key] == "–"
                continue
            digits = DIGITS.get(chart, 0)
            # The rounding of half a digit may go either way.
            assert float(said[key].split()[0]) == pytest.approx(
                values[at], abs=0.5000001 * 10.0**-digits
            )


def test_hover_on_the_map_reads_the_nearest_measured_angle(
    opened: Any, result: SearchResult
) -> None:
    """On the map of angles the reading is level in that direction less level on the axis."""
    curves = result.candidates[0].curves
    box = box_of(opened, "vertical")
    for share, up in ((0.3, 0.9), (0.7, 0.2), (0.55, 0.55)):
        opened.move(
            box["left"] + share * (box["right"] - box["left"]),
            box["bottom"] - up * (box["bottom"] - box["top"]),
        )
        text = opened.run("document.querySelector('#vertical .what').textContent")
        angle = float(text.split("°")[0])
        names = [d for d in curves.directions if d.horizontal_deg == 0.0]
        angles = np.array([d.vertical_deg for d in names])
        wanted = angles.min() + up * (angles.max() - angles.min())
        assert angle == angles[np.argmin(np.abs(angles - wanted))]
        at = int(opened.run("state.at"))
        rows = {
            d.vertical_deg: level
            for d, level in zip(curves.directions, curves.direction_db, strict=True)
            if d.horizontal_deg == 0.0
        }
        said = float(shown_values(opened, "vertical")["vertical"].split()[0])
        assert said == pytest.approx(rows[angle][at] - rows[0.0][at], abs=0.07)


def test_toggles_take_curves_off_and_put_them_back(opened: Any) -> None:
    """A tick taken away removes the curve from the picture, put back it is the same picture."""
    draw = "plots[0].view.export('png', false).canvas.toDataURL()"
    opened.run("plots[0].host.scrollIntoView()")
    before = opened.run(draw)
    switch = "document.querySelector('#axis [data-series=\"way midrange\"]').click()"
    opened.run(switch)
    opened.run("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert opened.run("plots[0].renderers['way midrange'].visible") is False
    assert opened.run(draw) != before
    opened.run(switch)
    opened.run("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert opened.run(draw) == before


def test_choosing_a_network_changes_everything(opened: Any, listed: list[dict[str, Any]]) -> None:
    """By radio button or by the table: charts, drawing, parts and sentence are that network's."""
    for index, act in (
        (2, "document.querySelector('#picks input[value=\"2\"]').click()"),
        (4, "document.querySelector('.compare [data-pick=\"4\"]').click()"),
    ):
        opened.run(act)
        assert opened.run("state.shown") == index
        visible = opened.run(
            "[...document.querySelectorAll('.net')].filter("
            "n => n.offsetParent !== null).map(n => n.dataset.net)"
        )
        assert set(visible) == {str(index)}
        at = int(opened.run("state.at"))
        for chart in ("axis", "ohms"):
            said = shown_values(opened, chart)
            for key, values in wanted_values(listed[index]["curves"], chart).items():
                assert float(said[key].split()[0]) == pytest.approx(
                    values[at], abs=0.5000001 * 10.0 ** -DIGITS[chart]
                )
        checked = opened.run("document.querySelector('#picks input:checked').value")
        assert checked == str(index)


def test_against_shows_the_other_network(opened: Any, listed: list[dict[str, Any]]) -> None:
    """Set against another network its main curves are drawn and read too."""
    opened.run("""(() => { const s = document.getElementById('against'); s.value = '3';
        s.dispatchEvent(new Event('change')); })()""")
    at = int(opened.run("state.at"))
    said = float(shown_values(opened, "axis")["on_axis other"].split()[0])
    assert said == pytest.approx(listed[3]["curves"]["on_axis_db"][at], abs=0.0500001)
    assert opened.run("plots[0].renderers['on_axis other'].visible") is True
    opened.run("document.querySelector('#picks input[value=\"3\"]').click()")
    assert opened.run("state.against") is None
    assert opened.run("plots[0].renderers['on_axis other'].visible") is False


def test_keyboard_reads_charts(opened: Any) -> None:
    """A chart takes the focus as a slider; arrow keys move the cursor and say what they read."""
    opened.run("document.querySelector('#axis .plot').focus()")
    start = int(opened.run("state.at"))
    opened.press("ArrowRight")
    opened.press("ArrowRight")
    opened.press("ArrowLeft")
    assert int(opened.run("state.at")) == start + 1
    said = opened.run("document.querySelector('#axis .plot').getAttribute('aria-valuetext')")
    assert "sum" in said
    assert "tweeter" in said
    opened.press("Home")
    assert int(opened.run("state.at")) == 0
    assert opened.run("document.querySelector('#ohms .at').textContent") == "at 20 Hz"


def test_every_control_is_reached_and_named(opened: Any) -> None:
    """All that can be used has a name; ids are unique; tables have headings; drawings say all."""
    nameless = opened.run("""[...document.querySelectorAll(
        'button, input, select, summary, [tabindex], [role]')].filter(e => e.offsetParent !== null
        && !(e.textContent.trim() || e.getAttribute('aria-label')
             || e.getAttribute('aria-labelledby') || (e.labels && e.labels.length)))
        .map(e => e.outerHTML.slice(0, 90))""")
    assert nameless == []
    twice = opened.run("""(() => {
        const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
        return ids.filter((id, k) => ids.indexOf(id) !== k); })()""")
    assert twice == []
    assert opened.run("document.documentElement.lang") == "en"
    unnamed = opened.run("""[...document.querySelectorAll('svg[role=img]')].filter(
        s => !s.querySelector('title').textContent || !s.querySelector('desc').textContent).length
        + [...document.querySelectorAll('table')].filter(t => !t.querySelector('th')).length""")
    assert unnamed == 0


def test_points_of_the_trade_can_be_chosen(opened: Any, listed: list[dict[str, Any]]) -> None:
    """A click on a point shows its network; the axes can be any two figures."""
    opened.run("""(() => { const s = document.getElementById('trade-y'); s.value = 'sensitivity_db';
        s.dispatchEvent(new Event('change')); })()""")
    opened.wait("trade.list.textContent.includes('sensitivity up')")
    texts = opened.run(
        "[...document.querySelectorAll('#trade-list output')].map(o => o.textContent)"
    )
    for text, one in zip(texts, listed, strict=True):
        x, y = (float(t.split()[0]) for t in text.split(", "))
        assert x == pytest.approx(one["goals"]["on_axis"]["value"], abs=0.00501)
        assert y == pytest.approx(one["sensitivity_db"], abs=0.00501)
    opened.run("document.getElementById('trade-chart').scrollIntoView({block: 'center'})")
    spot = opened.run("""(() => { const p = trade.points()[1], f = trade.view.frame;
        const b = trade.host.getBoundingClientRect();
        return [b.left + f.x_scale.compute(p.x.value),
                b.top + f.y_scale.compute(p.y.value)]; })()""")
    opened.click(*spot)
    assert opened.run("state.shown") == 1


def test_names_of_crowded_points_stay_readable(opened: Any) -> None:
    """Where points lie close together each number stands clear of all points and numbers."""
    over = opened.run("""(() => {
        const f = trade.view.frame, b = f.bbox;
        const middle = [(b.x0 + b.x1) / 2, (b.y0 + b.y1) / 2];
        const all = [[0, 0], [9, 3], [-8, 4], [14, -11], [2, 12]].map(([x, y], k) => ({
            k, rank: k + 1, x: { value: f.x_scale.invert(middle[0] + x) },
            y: { value: f.y_scale.invert(middle[1] + y) } }));
        const { right, down } = trade.place(all, all.map(p => String(p.rank)));
        const spots = all.map(p => [f.x_scale.compute(p.x.value), f.y_scale.compute(p.y.value)]);
        const names = spots.map(([x, y], k) => [x + right[k], y + down[k]]);
        const close = (a, b, w, h) => Math.abs(a[0] - b[0]) < w && Math.abs(a[1] - b[1]) < h;
        return names.flatMap((n, k) => [...spots.filter(s => close(n, s, 10, 11)),
            ...names.slice(0, k).filter(m => close(n, m, 8, 12))]); })()""")
    assert over == []


def test_numbers_under_a_chart_are_those_of_the_results(
    opened: Any, listed: list[dict[str, Any]]
) -> None:
    """The table under a chart lists its curves at third octaves."""
    opened.run("document.querySelector('#room details').open = true")
    opened.wait("document.querySelectorAll('#room .numbers tr').length > 5")
    rows = opened.run("""[...document.querySelectorAll('#room .numbers tbody tr')].map(
        r => [...r.cells].map(c => c.textContent))""")
    curves = listed[0]["curves"]
    frequency = np.array(curves["frequency_hz"])
    assert len(rows) == 31
    for k, row in enumerate(rows):
        at = int(np.argmin(np.abs(np.log(frequency / 10.0 ** ((13 + k) / 10.0)))))
        for cell, name in zip(
            row[1:],
            ("listening_window", "early_reflections", "sound_power", "in_room"),
            strict=True,
        ):
            assert float(cell.split()[0]) == pytest.approx(curves[f"{name}_db"][at], abs=0.0500001)


def luminance(text: str) -> float:
    values = [int(v) / 255.0 for v in re.findall(r"\d+", text)[:3]]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def contrast(one: str, two: str) -> float:
    """WCAG 2.1 contrast ratio of two colours."""
    a, b = sorted((luminance(one), luminance(two)))
    return (b + 0.05) / (a + 0.05)


def test_colours_are_readable(browser: Any, page: Path, dark: bool) -> None:
    """Text has a contrast of 4.5, curves of 3 (WCAG 2.1, 1.4.3 and 1.4.11), light and dark."""
    browser.show(page, dark=dark)
    colours = browser.run("""(() => {
        const e = document.createElement('p'); document.body.append(e);
        const get = n => { e.style.color = `var(${n})`; return getComputedStyle(e).color; };
        const all = {}; for (const n of ['--paper', '--card', '--ink', '--soft', '--accent',
        '--accent-ink', '--tint', '--warn', '--warn-ground', '--sum', '--target', '--other',
        '--between', '--way0', '--way1', '--way2', '--way3', '--way4', '--way5', '--avg0', '--avg1',
        '--avg2', '--avg3']) all[n] = get(n); e.remove(); return all; })()""")
    grounds = ("--paper", "--card")
    for ink in ("--ink", "--soft", "--accent"):
        assert all(contrast(colours[ink], colours[g]) >= 4.5 for g in grounds), ink
    assert contrast(colours["--ink"], colours["--tint"]) >= 4.5
    assert contrast(colours["--accent-ink"], colours["--accent"]) >= 4.5
    assert contrast(colours["--warn"], colours["--card"]) >= 4.5
    assert contrast(colours["--ink"], colours["--warn-ground"]) >= 4.5
    for curve in [c for c in colours if c.startswith(("--way", "--avg"))] + [
        "--sum",
        "--target",
        "--other",
        "--between",
    ]:
        assert contrast(colours[curve], colours["--card"]) >= 3.0, curve
    background = browser.run("getComputedStyle(document.body).backgroundColor")
    assert (luminance(background) < 0.1) == dark


# Dichromats confuse along these lines: Vienot, Brettel and Mollon, Color Res. Appl. 24 (1999),
# matrices for linear RGB (from memory; protanopia and deuteranopia).
BLIND = (
    ((0.11238, 0.88762, 0.0), (0.11238, 0.88762, 0.0), (0.00401, -0.00401, 1.0)),
    ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0)),
)


def to_lab(linear: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB (IEC 61966-2-1 primaries, D65)."""
    xyz = (
        np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
        @ linear
        / (0.9505, 1.0, 1.089)
    )
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16.0 / 116.0)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


def test_curves_differ_in_more_than_colour(browser: Any, page: Path, dark: bool) -> None:
    """Curves of one chart differ in dash or width; ways also differ to a colour-blind eye."""
    browser.show(page, dark=dark)
    looks = browser.run("""plots.filter(p => !p.spec.plane).map(p => p.items(0).filter(
        i => !i.shade).map(i => `${(i.dash || []).join('-')}/${i.width || 2}`))""")
    for chart in looks:
        assert len(set(chart)) == len(chart), chart
    inks = browser.run("['--way0', '--way1', '--way2', '--way3'].map(n => colour(n))")
    srgb = np.array([[int(ink[k : k + 2], 16) / 255.0 for k in (1, 3, 5)] for ink in inks])
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    for matrix in BLIND:
        seen = [to_lab(np.clip(np.array(matrix) @ c, 0.0, 1.0)) for c in linear]
        # A difference of 2.3 is just noticed; thin lines want ten times that.
        assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 23.0


def test_prints_on_a4(browser: Any, page: Path, tmp_path: Path, dark: bool) -> None:
    """Every printed page is A4, the drawing and all charts are there, nothing is wider."""
    browser.show(page, dark=dark)
    file = tmp_path / "page.pdf"
    browser.print_pdf(file)
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", file.read_bytes())
    assert 3 <= len(boxes) <= 14
    for box in boxes:
        width, height = [float(v) for v in box.split()][2:]
        # A4 is 210 mm x 297 mm, 595.28 x 841.89 points.
        assert width == pytest.approx(595.28, abs=1.0)
        assert height == pytest.approx(841.89, abs=1.0)
    # 210 mm less 14 mm margin on both sides at 96 pixels an inch.
    browser.resize(688, 900)
    browser.call("Emulation.setEmulatedMedia", media="print")
    pictures = browser.run("""[...document.querySelectorAll('.plot img')].map(i => [
        i.checkVisibility(), i.naturalWidth > 100, i.getBoundingClientRect().right <= 689])""")
    assert len(pictures) == browser.run("plots.length") + 1
    assert all(all(p) for p in pictures)
    assert browser.run("document.documentElement.scrollWidth") <= 688
    wide = browser.run("""[...document.querySelectorAll('table, svg.sch')].filter(
        e => e.checkVisibility() && e.getBoundingClientRect().right > 689).map(
        e => e.outerHTML.slice(0, 60))""")
    assert wide == []
    assert browser.run("document.getElementById('bar').checkVisibility()") is False
    browser.call("Emulation.setEmulatedMedia", media="")


def test_tables_and_drawings_are_there_without_scripts(browser: Any, page: Path) -> None:
    """With scripts off every network has its drawing and parts, and the page says what lacks."""
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.resize(1280, 900)
        browser.call("Page.navigate", url=page.resolve().as_uri())
        browser.wait("document.readyState === 'complete'")
        assert (
            browser.run(
                "[...document.querySelectorAll('#build .net')].filter("
                "n => n.checkVisibility()).length"
            )
            == 5
        )
        assert browser.run("document.querySelector('noscript').checkVisibility()") is True
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)


@pytest.fixture(scope="module")
def single_axis(problem: Problem) -> Problem:
    """The demo measured on the axis alone: no averages, no maps."""
    drivers = [
        replace(d, directions=d.directions[:1], pressure=d.pressure[:1]) for d in problem.drivers
    ]
    specs = {k: s for k, s in problem.goals.items() if k in ("on_axis", "impedance", "parts")}
    return Problem(
        title="axis only",
        drivers=drivers,
        topology=problem.topology,
        stock=problem.stock,
        goals=specs,
    )


@pytest.fixture(scope="module")
def odd_page(
    single_axis: Problem, result: SearchResult, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A page of one network measured on the axis alone, with tags in its title and notes."""
    file = tmp_path_factory.mktemp("odd") / "page.html"
    one = build_candidate(single_axis, make_network(1))
    one = replace(one, notes=("<img src=x onerror=window.bad=1>",))
    found = replace(result, candidates=(one,), notes=("<b>&amp;",))
    title = "</script><script>window.bad=1</script>"
    file.write_text(render_html(document_fit(single_axis, found, title)), encoding="utf-8")
    return file


def test_names_are_text_and_never_markup(browser: Any, odd_page: Path) -> None:
    """A title or note with tags in it is shown as written."""
    browser.show(odd_page)
    assert browser.run("window.bad === undefined") is True
    assert browser.complaints() == []
    assert "</script><script>" in browser.run("document.querySelector('.lead').textContent")


def test_page_without_directions(browser: Any, odd_page: Path) -> None:
    """Measured on the axis alone, the page leaves out what there is not and stays quiet."""
    browser.show(odd_page)
    assert browser.complaints() == []
    assert browser.run("plots.map(p => p.figure.id)") == [
        "axis",
        "ohms",
        "phase",
        "drive",
        "tracking",
        "null",
    ]


def four_way(problem: Problem) -> tuple[Problem, Network]:
    """Four ways with 32 values in every form of slot, joined pieces among them."""
    topology = replace(
        problem.topology,
        ways=(*problem.topology.ways, replace(problem.topology.ways[-1], name="super tweeter")),
    )
    wide = Problem(
        title="Four ways",
        drivers=problem.drivers,
        topology=topology,
        stock=problem.stock,
        goals=problem.goals,
        mirror=True,
    )
    pair = {"pieces": (2.2e-6, 1.8e-6), "joined": "parallel"}

    def ladder(k: int) -> tuple[FittedSlot, ...]:
        return (
            slot("L1", "series", "inductor", part("inductor", 1.2e-3 / k, 0.31)),
            slot("C1", "shunt", "capacitor", part("capacitor", 4e-6, 0.01, **pair)),
            slot(
                "T1",
                "series",
                "trap",
                part("inductor", 2.2e-4, 0.1),
                part("capacitor", 1.5e-6),
                part("resistor", 12.0),
            ),
            slot(
                "N1",
                "shunt",
                "notch",
                part("inductor", 3.3e-4, 0.2),
                part("capacitor", 6.8e-6),
                part("resistor", 5.6),
            ),
        )

    ways = tuple(
        FittedWay(name=w.name, driver=w.driver, polarity=1, slots=ladder(k + 1))
        for k, w in enumerate(topology.ways)
    )
    return wide, Network(ways=ways)


def assert_readable(browser: Any, path: Path, **more: Any) -> None:
    """Open a page at a desk, without a complaint, then make it as narrow as a phone: nothing is cut
    or covered at either."""
    browser.show(path, **more)
    assert browser.complaints() == []
    for width in (1280, 390):
        if width == 390:
            browser.resize(width, 900, touch=True)
            browser.wait(f"innerWidth === {width}")
        assert browser.run("document.documentElement.scrollWidth") <= width
        assert browser.run(OVERLAPS) == []
        assert browser.run(CLIPPED) == []
    ids = browser.run("[...document.querySelectorAll('[id]')].map(e => e.id)")
    assert len(ids) == len(set(ids))


def test_four_ways_with_32_values(problem: Problem, browser: Any, tmp_path: Path) -> None:
    """A four-way of 32 values in compounds and joined pieces is as readable as a small one."""
    wide, network = four_way(problem)
    assert sum(len(s.parts) for w in network.ways for s in w.slots) == 32
    file = tmp_path / "page.html"
    file.write_text(
        render_networks(wide, *(build_candidate(wide, network, rank=k) for k in (1, 2))),
        encoding="utf-8",
    )
    assert file.stat().st_size < 3_000_000
    assert_readable(browser, file)


@pytest.fixture(scope="module")
def front(result: SearchResult) -> TradeResult:
    """The five networks in the order of their evenness on the axis, as if they were a front."""

    def figure(candidate: Candidate, name: str) -> float:
        return next(g.value for g in candidate.goals if g.name == name)

    ordered = sorted(result.candidates, key=lambda c: figure(c, "on_axis"))
    return TradeResult(
        between=("on_axis", "directivity"),
        units=("dB rms", "dB rms"),
        points=tuple(
            TradePoint(
                a=figure(c, "on_axis"),
                b=figure(c, "directivity"),
                weights=(1.0, 1.0),
                candidate=replace(c, rank=k),
                knee=k == 2,
            )
            for k, c in enumerate(ordered, 1)
        ),
        stopped="converged",
        seconds=1.0,
        evaluations=1,
        seed=1,
    )


def test_front_between_two_goals(
    problem: Problem, front: TradeResult, browser: Any, tmp_path: Path
) -> None:
    """A front is drawn between its two goals, with its steps in words and its knee named."""
    file = tmp_path / "page.html"
    file.write_text(render_html(document_trade(problem, front, "design.yaml")), encoding="utf-8")
    browser.open(file)
    assert browser.complaints() == []
    assert browser.run("[trade.x.value, trade.y.value]") == ["on_axis", "directivity"]
    said = browser.run("[...document.querySelectorAll('#steps li')].map(e => e.textContent)")
    assert said == [f"{k} to {k + 1}: {say_step(k, front)}" for k in range(1, 5)]
    assert "The knee is no. 2" in browser.run("document.getElementById('closing').textContent")
    assert browser.run("[...trade.x.options].map(o => o.value)").count("cost") == 0
    keys = browser.run("[...document.querySelectorAll('main > section')].map(e => e.id)")
    assert keys[:4] == ["trade", "steps", "closing", "which"]


@pytest.fixture(scope="module")
def other_pages(
    problem: Problem,
    result: SearchResult,
    demo_survey: Survey,
    tmp_path_factory: pytest.TempPathFactory,
) -> dict[str, Path]:
    """Pages of the verbs that look at one network."""
    folder = tmp_path_factory.mktemp("others")
    network = result.candidates[0].network
    report = check_network(problem, network)
    others = [
        (name, c, compare_networks(report.candidate, c))
        for name, c in zip(
            ("results.json#2", "old/board.yaml"), result.candidates[1:3], strict=True
        )
    ]
    wishes = [parse_wish("less bright", read_words(None))]
    answers = voice_network(problem, network, wishes, changes=1, top=3)
    write_columns(folder / "bench", result.candidates[3])
    measured = load_measured(problem, [str(folder / "bench" / "on_axis.txt")])
    verdict = verify_speaker(problem, network, measured.observations)
    named = {"design_name": "design.yaml", "network_name": "results.json#1"}
    documents = {
        "check": document_check(problem, report, against=others, **named),
        "voice": document_voice(problem, answers, wishes, MoveLimits(), changes=1, top=3, **named),
        "verify": document_verify(problem, verdict, **named),
        "start": document_fit(problem, result, "design.yaml", survey=demo_survey),
    }
    files = {verb: folder / f"{verb}.html" for verb in documents}
    for verb, document in documents.items():
        files[verb].write_text(render_html(document), encoding="utf-8")
    return files


def test_curves_of_the_survey_stand_on_the_page_of_a_start(
    browser: Any, other_pages: dict[str, Path], problem: Problem
) -> None:
    """What was measured is read beside what was computed, at the same frequency."""
    browser.show(other_pages["start"])
    box = box_of(browser, "responses")
    browser.move(0.5 * (box["left"] + box["right"]), 0.5 * (box["top"] + box["bottom"]))
    at = int(browser.run("state.at"))
    said = shown_values(browser, "responses")
    for driver in problem.drivers:
        row = next(k for k, d in enumerate(driver.directions) if str(d) == "0")
        level = 20.0 * np.log10(np.abs(driver.pressure[row, at]))
        assert float(said[driver.name].split()[0]) == pytest.approx(level, abs=0.15)
    picked = "document.querySelector('#picks input[value=\"2\"]').click()"
    browser.run(picked)
    assert shown_values(browser, "responses") == said
    browser.run(picked.replace("2", "0"))


def test_page_of_a_start(browser: Any, other_pages: dict[str, Path]) -> None:
    """It opens without a complaint and is readable at a desk and on a phone."""
    assert_readable(browser, other_pages["start"])


def test_names_of_networks_are_those_of_the_heads(
    browser: Any, other_pages: dict[str, Path]
) -> None:
    """A network is called the same in the bar, in the table, among the points and in a chart."""
    browser.show(other_pages["check"])
    names = ["no. 1", "no. 2", "board.yaml"]
    heads = browser.run(
        "[...document.querySelectorAll('.compare [data-pick]')].map(e => e.textContent)"
    )
    assert heads == names
    bar = browser.run("[...document.querySelectorAll('#picks b')].map(e => e.textContent)")
    assert bar == ["1", "2", "board.yaml"]
    points = browser.run(
        "[...document.querySelectorAll('#trade-list button')].map(e => e.textContent)"
    )
    assert points == names
    browser.run("""(() => { const s = document.getElementById('against'); s.value = '2';
        s.dispatchEvent(new Event('change')); })()""")
    assert "sum, board.yaml" in browser.run("document.querySelector('#axis .ledger').textContent")


@pytest.mark.parametrize("verb", ["check", "voice", "verify"])
def test_pages_of_other_verbs(browser: Any, other_pages: dict[str, Path], verb: str) -> None:
    """They open without a complaint and are readable at a desk and on a phone."""
    ready = "document.documentElement.dataset.ready === 'yes'" if verb != "verify" else "true"
    assert_readable(browser, other_pages[verb], ready=ready)
